"""Tests of the model other than studies: closed forms and published worked models, calibration, and its own constructions.

What studies saw is judged in :mod:`econmodel.uncertainty.studies`. Kinds, never mixed: verification, calibration (fitted to
it), and open data reported beside the model.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from econmodel.errors import AnalysisError
from econmodel.model.cohort import run_matrices
from econmodel.model.follow_up import follow
from econmodel.model.hazards import CYCLES_PER_YEAR
from econmodel.model.individuals import simulate_patients
from econmodel.model.inputs import ModelInputs, background_rates, resolve
from econmodel.parameters.loading import load_case
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.sampling import sample
from econmodel.parameters.schema import PROCESS
from econmodel.parameters.structures import fix_structure
from econmodel.records import record

KIM_CELLS = {  # printed 1-year risks by (size step, red spot): Child A, B, C
    (0, 0): (0.04, 0.06, 0.10),
    (0, 1): (0.07, 0.12, 0.20),
    (1, 0): (0.08, 0.13, 0.21),
    (1, 1): (0.15, 0.24, 0.38),
    (2, 0): (0.16, 0.26, 0.40),
    (2, 1): (0.30, 0.46, 0.65),
}
ONE_POINT = 0.01
PBC_SURVIVAL = 0.469  # Kaplan-Meier of 144 patients, transplant censored: data set pbc
REPORTED = "reported"
SIMULATED, PATIENTS = "coil_and_glue", 5_000
FIRST_BLEED = ("gastric_bleed", "other_bleed")
CALIBRATED_DRAWS, MOST_LOWERED = 500, 0.15


@record
class CheckRow:
    """One target: what was observed, what the model gives, and whether it passes its rule."""

    key: str
    target: str
    kind: str
    observed: float
    predicted: float
    pass_rule: str
    verdict: str
    source: str
    note: str


def run_checks() -> list[CheckRow]:
    """Run every test on the base case.

    Raises
    ------
    EconModelError
        The base case or a scenario cannot be loaded.
    """
    base = load_case().parameters
    inputs = resolve(base)
    return [
        *_verification_rows(),
        _individuals_row(inputs),
        *_lowered_rows(base),
        _kim_row(inputs, base),
        _background_row(inputs, base),
    ]


def _as_process(base: ParameterSet) -> ParameterSet:
    return replace(base, parameters=base.parameters | {"effect_basis": replace(base["effect_basis"], value=PROCESS)})


def _kim_worst_cell(i: ModelInputs) -> tuple[float, float]:
    """Observed and predicted risk of the cell that differs most, the reference cell being set to its printed risk."""
    reference = -np.log1p(-KIM_CELLS[(2, 0)][0])
    pairs = []
    for (size, red), risks in KIM_CELLS.items():
        for child, observed in enumerate(risks):
            log_hazard = i.b_child[0] * child + i.b_size[0] * (size - 2) + i.b_red[0] * red
            pairs.append((observed, float(-np.expm1(-reference * np.exp(log_hazard)))))
    return max(pairs, key=lambda pair: abs(pair[1] - pair[0]))


def _kim_row(inputs: ModelInputs, base: ParameterSet) -> CheckRow:
    observed, predicted = _kim_worst_cell(inputs)
    return CheckRow(
        "kim_cells",
        "18 cells of the Kim index, risk at 1 year (worst cell)",
        "calibration",
        observed,
        predicted,
        "within a point",
        "passes" if abs(predicted - observed) <= ONE_POINT else "fails",
        base.sources["kim1997"].reference,
        "Reference cell set to its printed 16%; the other 17 follow from the coefficients",
    )


def _background_row(inputs: ModelInputs, base: ParameterSet) -> CheckRow:
    """Open data beside background death alone: five years from a mean age of 54, 88% women."""
    rates = background_rates(inputs.life_table, np.array([0.88]), 54, 5)
    return CheckRow(
        "pbc_stage_4",
        "Mayo PBC stage 4, survival at 5 years",
        "independent",
        PBC_SURVIVAL,
        float(np.exp(-rates.sum())),
        REPORTED,
        REPORTED,
        base.sources["pbc_mayo"].reference,
        "Open data; the model side is background death only at mean age 54 and 88% women",
    )


def _verification_rows() -> list[CheckRow]:
    hiv, well, toy = hiv_icer(), expected_utility(), toy_nnt()
    return [
        _exact(
            "hiv",
            "Combination therapy in HIV, cost per life-year gained (GBP)",
            6276,
            hiv,
            0.5,
            "Chancellor 1997, PharmacoEconomics, PMID 10169387; counts from Briggs, Claxton & Sculpher 2006, from memory",
        ),
        _exact(
            "well_disabled_dead",
            "Well, disabled, dead: expected utility in cycles, start counted",
            3.375,
            well,
            5e-4,
            "Sonnenberg & Beck 1993, Med Decis Making 13:322; matrix from memory",
        ),
        _exact("toy", "Bleeding toy with exact fractions: lifetime NNT", 7.5, toy, 1e-6, "own construction, exact"),
    ]


def _exact(key: str, target: str, observed: float, predicted: float, tolerance: float, source: str) -> CheckRow:
    verdict = "passes" if abs(predicted - observed) <= tolerance else "fails"
    rule = f"within {tolerance:g}"
    return CheckRow(key, target, "verification", observed, predicted, rule, verdict, source, "")


def _individuals_row(inputs: ModelInputs) -> CheckRow:
    """Patients simulated one by one with the cohort's chances, beside the cohort's expectation."""
    simulated = simulate_patients(inputs, SIMULATED, PATIENTS, rng=np.random.default_rng(7))
    mean, error = simulated.mean(*FIRST_BLEED)
    _, moved = follow(inputs, inputs.n_years * CYCLES_PER_YEAR)
    expected = float(moved[-1, inputs.structure.kinds(*FIRST_BLEED), 0, inputs.strategies.keys.index(SIMULATED)].sum())
    rule, verdict = "within 3 standard errors", "passes" if abs(expected - mean) <= 3 * error else "fails"
    target = f"{PATIENTS:,} patients simulated one by one: share with a first bleed, EUS-guided coil and glue"
    source = "own construction: the same chances, drawn for each patient"
    return CheckRow("individuals", target, "verification", mean, expected, rule, verdict, source, f"Standard error {error:.4f}")


def _lowered_rows(base: ParameterSet) -> list[CheckRow]:
    """Draws in which no effect of a closed varix explains the trials unless an open one bleeds less than assumed."""
    process = fix_structure(_as_process(base), ["base"])
    inputs = resolve(process, sample(process, CALIBRATED_DRAWS, seed=int(base.number("seed"))))
    assert inputs.course is not None
    found = []
    for s, key in enumerate(inputs.strategies.keys):
        if inputs.strategies.starts_in[s] != "in_course":
            continue
        lowered = inputs.course.lowered[:, s]
        share = float(lowered.mean())
        needed = f"; an open varix then bleeds {np.median(inputs.course.hr_patent[lowered, s]):.2f} of untreated" if share else ""
        fits = share <= MOST_LOWERED
        found.append(
            CheckRow(
                f"lowered_{key}",
                f"Draws in which an open varix had to bleed less than assumed: {base.strategies[key].label}; effect as a process",
                "calibration",
                MOST_LOWERED,
                share,
                f"at most {MOST_LOWERED:.0%} of {CALIBRATED_DRAWS} draws",
                "passes" if fits else REPORTED,
                "own construction: the calibration of each draw",
                f"{'The evidence fits together' if fits else 'The evidence contradicts itself'}{needed}",
            )
        )
    return found


def discount_factors(rate: float, times: NDArray[np.float64] | list[float]) -> NDArray[np.float64]:
    """Discount factors at times in years.

    Raises
    ------
    AnalysisError
        The rate is -1 or less.

    Examples
    --------
    >>> discount_factors(0.035, [0.0, 10.0]).round(6)
    array([1.      , 0.708919])
    """
    if rate <= -1:
        what = f"discount rate {rate:g}: must be above -1"
        raise AnalysisError(what, fix="write 3.5% as 0.035")
    return np.asarray((1.0 + rate) ** (-np.asarray(times, dtype=float)))


def hiv_icer() -> float:
    """Run the published HIV example through the engine: pounds per life-year."""
    counts = np.array([[1251, 350, 116, 17], [0, 731, 512, 15], [0, 0, 1312, 437], [0, 0, 0, 1]], dtype=float)
    mono = counts / counts.sum(axis=1, keepdims=True)
    combo = mono * 0.509
    np.fill_diagonal(combo, 0.0)
    np.fill_diagonal(combo, 1.0 - combo.sum(axis=1))
    care = np.array([2756.0, 3052.0, 9007.0, 0.0])
    drug = np.array([1.0, 1.0, 1.0, 0.0])
    start, discount = np.array([1.0, 0, 0, 0]), discount_factors(0.06, np.arange(1.0, 21.0))
    traces = [run_matrices(np.array(p), start)[1:] for p in ([mono] * 20, [combo] * 2 + [mono] * 18)]
    lamivudine = np.where(np.arange(20) < 2, 2086.5, 0.0)
    costs = [
        discount @ (trace @ (care + 2278.0 * drug) + extra * (trace @ drug))
        for trace, extra in zip(traces, (np.zeros(20), lamivudine), strict=True)
    ]
    years = [float(trace[:, :3].sum()) for trace in traces]
    return float((costs[1] - costs[0]) / (years[1] - years[0]))


def expected_utility() -> float:
    """Well, disabled and dead example through the engine: utility summed over cycles, the start counted."""
    p = np.array([[0.6, 0.2, 0.2], [0.0, 0.6, 0.4], [0.0, 0.0, 1.0]])
    trace = run_matrices(np.repeat(p[None], 400, axis=0), np.array([1.0, 0.0, 0.0]))
    return float((trace @ np.array([1.0, 0.7, 0.0])).sum())


def toy_nnt() -> float:
    """Bleeding toy through the engine: 1 / (difference in lifetime risk of a first bleed)."""
    risks = []
    for bleed in (0.20, 0.10):
        p = np.array([[0.95 - bleed, bleed, 0, 0.05], [0, 0, 0.85, 0.15], [0, 0.30, 0.60, 0.10], [0, 0, 0, 1]])
        trace = run_matrices(np.repeat(p[None], 400, axis=0), np.array([1.0, 0, 0, 0]))
        risks.append(bleed * float(trace[:-1, 0].sum()))
    return 1.0 / (risks[0] - risks[1])
