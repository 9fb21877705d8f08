"""From the trial's NNT to ours: one chain of steps, each changing one thing, whose factors multiply to the whole.

A treatment's NNT in a trial and its NNT in a service differ by time, patients, sources of bleeding, deaths that come first,
attendance, and what it is compared with. Each step is a risk reduction of its own; the factor of a step is its NNT over that
of the step before, so that the trial's NNT times all factors is ours.

Risks within a year are exact: rates are constant there, and a first bleed competes with death and transplant.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from econmodel.economics.evaluate import Evaluation
from econmodel.evidence.nnt import NumberNeededToTreat
from econmodel.model.inputs import ModelInputs, base_values, resolve
from econmodel.model.natural_history import TIME_STEPS
from econmodel.parameters.schema import WATCH
from econmodel.records import record
from econmodel.wording import duration, lower

FloatArray = NDArray[np.float64]
MONTHS = 12
REFERENCE = "reference_mix"


@record
class Rung:
    """One step: what it adds, and the NNT with it and all before it."""

    key: str
    label: str
    nnt: NumberNeededToTreat


@record
class Ladder:
    """Steps from the trial to the model's own answer, with the NNT of every bleed and of a death from bleeding beside them.

    ``factors`` are by step, the first 1; one is None where a reduction is nil.
    """

    strategy: str
    years: int
    rungs: tuple[Rung, ...]
    every_bleed: dict[str, NumberNeededToTreat]
    bleeding_death: dict[str, NumberNeededToTreat]

    @property
    def factors(self) -> tuple[float | None, ...]:
        """NNT of each step over that of the step before."""
        values = [rung.nnt.arr for rung in self.rungs]
        return (1.0, *(before / now if now else None for before, now in pairwise(values)))[: len(values)]

    def to_json(self) -> dict[str, Any]:
        """Give the chain for JSON."""
        steps = zip(self.rungs, self.factors, strict=True)
        return {
            "strategy": self.strategy,
            "years": self.years,
            "steps": [{"key": r.key, "label": r.label, "arr": r.nnt.arr, "nnt": r.nnt.to_json(), "factor": x} for r, x in steps],
            "every_bleed": {versus: nnt.to_json() for versus, nnt in self.every_bleed.items()},
            "bleeding_death": {versus: nnt.to_json() for versus, nnt in self.bleeding_death.items()},
        }


def nnt_ladder(e: Evaluation, strategy: str, usual_care: str) -> Ladder:
    """Build the chain of one strategy over the headline years, from its trial's length and the reference mix on.

    It has no steps in a cohort that has bled, nor where no prophylaxis is no strategy of the case.
    """
    years = e.headline
    if e.parameters.has_bled or WATCH not in e.keys:
        return Ladder(strategy, years, (), {}, {})
    comparators = tuple(dict.fromkeys((usual_care, WATCH)))
    return Ladder(
        strategy,
        years,
        tuple(Rung(key, label, NumberNeededToTreat(arr, years=over)) for key, label, arr, over in _rungs(e, strategy, usual_care)),
        {versus: e.compare_means(strategy, versus, years).patients_per_bleed_averted for versus in comparators},
        {versus: NumberNeededToTreat(_deaths(e, versus) - _deaths(e, strategy), years=years) for versus in comparators},
    )


def _deaths(e: Evaluation, key: str) -> float:
    return float(e.count("deaths_bleed", e.headline)[0, e.index(key), 0])


def _rungs(e: Evaluation, strategy: str, usual_care: str) -> Iterator[tuple[str, str, float, float]]:
    parameters, years, s = e.parameters, e.headline, e.index(strategy)
    rows = replace(parameters["case_mix"], table=parameters.rows(REFERENCE))
    reference = resolve(replace(parameters, parameters=parameters.parameters | {"case_mix": rows}), base_values(parameters))
    trial = parameters.number("n_trial_months") / MONTHS
    hr = f"{e.inputs.strategies.hr_gastric[0, s]:.2f}"
    yield "trial", f"Trial: rate ratio {hr}, reference mix, gastric bleeds, nobody dies", _reduction(reference, s, trial), trial
    yield "time", f"The same at {duration(years)}", _reduction(reference, s, years), years
    yield "mix", "Our patients and their untreated level", _reduction(e.inputs, s, years), years
    yield "source", "First bleeds of any source", _reduction(e.inputs, s, years, other=True), years
    yield "death", "Death and transplant come first for some", _reduction(e.inputs, s, years, other=True, death=True), years
    course = "The course as it runs: sessions and their deaths, attendance, re-opening, stopping"
    yield "course", course, e.compare_means(strategy, WATCH, years).arr_at_end, years
    if usual_care != WATCH:
        label = f"Against {lower(parameters.strategies[usual_care].label)} instead of nothing"
        yield "usual_care", label, e.compare_means(strategy, usual_care, years).arr_at_end, years


def _reduction(inputs: ModelInputs, s: int, years: float, *, other: bool = False, death: bool = False) -> float:
    strategies = inputs.strategies
    hr, hr_other = (array[0, s] for array in (strategies.hr_gastric, strategies.hr_other))
    excess = strategies.hr_excess_death[0, s]
    untreated, treated = (
        first_bleed_risk(inputs, years, *ratios, other=other, death=death) for ratios in ((1, 1, 1), (hr, hr_other, excess))
    )
    return untreated - treated


def first_bleed_risk(
    inputs: ModelInputs, years: float, hr: float, hr_other: float, hr_excess: float, *, other: bool, death: bool
) -> float:
    """Cumulative risk of a first bleed of the first draw under ratios that last: of the gastric varix, or of any source.

    Parameters
    ----------
    inputs
        Resolved inputs; their mix is the patients.
    years
        By when.
    hr, hr_other, hr_excess
        Ratios on gastric bleeding, on bleeding from other sources, and on excess death.
    other
        Count bleeds from other sources, which then also end a wait.
    death
        Let death and transplant end a wait too.
    """
    child, alive, risk = inputs.child_of_cell, inputs.shares[0].copy(), 0.0
    for year in range(int(np.ceil(years))):
        step = int(np.searchsorted(TIME_STEPS, year, side="right")) - 1
        bleeds = hr * inputs.r_first_bleed[0] * inputs.first_bleed_time[0, step] * inputs.relative[0]
        bleeds = bleeds + (hr_other * inputs.r_other_bleed[0] if other else 0.0)
        total = bleeds
        if death:
            ends = inputs.background_death[0, year] + hr_excess * inputs.excess_death[0, child] + inputs.r_transplant[0, child]
            total = bleeds + ends
        leaving = -np.expm1(-total * min(1.0, years - year))
        risk += float((alive * leaving * bleeds / total).sum())
        alive = alive * (1.0 - leaving)
    return risk
