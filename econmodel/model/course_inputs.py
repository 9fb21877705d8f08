"""Resolve the inputs of ``effect_basis = "process"``: the course of the varix, rebleeding by source, and the calibration."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray

from econmodel.errors import ModelError
from econmodel.model.course import MONTHS, TRIAL_VISITS, CourseInputs, Evidence, Trial, calibrate, marginal_hazard
from econmodel.model.natural_history import FirstBleed
from econmodel.model.structure import EXCESS_SPANS
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.schema import TRIAL_DETECTION, StrategyRow, twin
from econmodel.records import record

FloatArray = NDArray[np.float64]
Values = Mapping[str, FloatArray]
DETECTS = {"surveillance_egd": TRIAL_DETECTION, "surveillance_eus": "p_detect_eus", "surveillance_ct": "p_detect_ct"}
FIRST_YEAR, FIVE_YEARS = 1.0, 5.0


@record
class ReferenceMix:
    """Untreated bleeding of the reference mix, on which effects are calibrated: relative (draw, group), shares (group,)."""

    first: FirstBleed
    relative: FloatArray
    shares: FloatArray


def resolve_course(parameters: ParameterSet, v: Values, mix: ReferenceMix, hr_itt: FloatArray) -> CourseInputs:
    """Gather the course of every draw and strategy, and solve its hazard ratios.

    Parameters
    ----------
    parameters, v
        The case, and its draws, evidence twins among them.
    mix
        Whom the trial is run on.
    hr_itt : ndarray of shape (draw, strategy)
        Pooled intention-to-treat effects.

    Raises
    ------
    ModelError
        A trial ends before its first month does.
    """
    rows, n_draws = list(parameters.strategies.values()), len(hr_itt)

    def side_by_side(figures: list[FloatArray | float]) -> FloatArray:
        return np.stack([np.broadcast_to(np.asarray(x, dtype=float), n_draws) for x in figures], axis=1)

    def stack(of: Callable[[StrategyRow], FloatArray | float]) -> FloatArray:
        return side_by_side([of(row) for row in rows])

    months = np.rint(np.broadcast_to(v["n_trial_months"], n_draws)).astype(np.int64)
    if months.min() < 1:
        what = f"n_trial_months = {months.min()}: a trial lasts at least a month"
        raise ModelError(what, where=str(parameters["n_trial_months"].where), fix="give it a distribution that keeps away from 0")
    hazard = marginal_hazard(mix.first, mix.relative, mix.shares, -(-int(months.max()) // MONTHS))
    seen = np.broadcast_to(v.get(twin(TRIAL_DETECTION), v[TRIAL_DETECTION]), n_draws)
    trial = Trial(months, TRIAL_VISITS, seen, hazard)
    evidence = _evidence(v, stack)
    starts = tuple(row.starts_in for row in rows)
    closed, opened, lowered = calibrate(trial, evidence, hr_itt, np.broadcast_to(v["hr_patent"], n_draws), starts)
    after_bleed = [parameters.secondary_of(row) for row in rows]
    ratios = [(product(v, kind.hr_late_rebleed), product(v, kind.hr_late_rebleed_other)) for kind in after_bleed]
    figures = [course_figures(row, v, *pair) for row, pair in zip(rows, ratios, strict=True)]
    found = {name: side_by_side([of_row[name] for of_row in figures]) for name in figures[0]}
    by_time = rebleed_by_time(v["hr_late_rebleed_first_year"], parameters.text("rebleed_by_time"))
    steps = found.pop("r_stop"), found.pop("r_stop_later")
    return CourseInputs(
        hr_obliterated=closed,
        hr_patent=opened,
        lowered=lowered,
        r_stop=np.stack(steps, axis=2),
        r_other_rebleed_alone=np.broadcast_to(v["r_late_rebleed_other"], n_draws),
        hr_rebleed_by_time=side_by_side(list(by_time)),
        excess_spans=EXCESS_SPANS[parameters.text("years_excess_after_bleed")],
        trial=trial,
        evidence=evidence,
        **found,
    )


def course_figures(
    row: StrategyRow, v: Values, gastric: FloatArray | float, other: FloatArray | float
) -> dict[str, FloatArray | float]:
    """Work out the course of one strategy as its row says: the one declaration, run on arrays and on cells.

    Parameters
    ----------
    row
        The strategy.
    v
        What stands for each numeric input.
    gastric, other
        Ratio of each late rebleeding under the chosen secondary prophylaxis.
    """
    return {
        "r_recurrence": _given(v, row.r_recurrence, 0.0),
        "r_stop": _given(v, row.r_stop, 0.0),
        "r_stop_later": _given(v, row.r_stop_later, 0.0),
        "p_retreat_accepted": _given(v, row.p_retreat_accepted, 0.0),
        "p_detect": _given(v, DETECTS.get(row.surveillance.visit, ""), 0.0),
        "r_gastric_rebleed": v["r_late_rebleed_gastric"] * product(v, row.hr_late_rebleed, gastric),
        "r_other_rebleed": v["r_late_rebleed_other"] * other,
    }


def _given(v: Values, name: str, default: float) -> FloatArray | float:
    return v[name] if name else default


def product(v: Values, names: tuple[str, ...], result: FloatArray | float = 1.0) -> FloatArray | float:
    """Product of inputs, and of what is given before them; no names give 1."""
    for name in names:
        result = result * v[name]
    return result


def _evidence(v: Values, stack: Callable[[Callable[[StrategyRow], FloatArray | float]], FloatArray]) -> Evidence:
    """What the trial is run on: the evidence twin of an input that was changed, else the input."""

    def of(name: str, default: float) -> FloatArray | float:
        return v.get(twin(name), v[name]) if name else default

    return Evidence(
        p_obliteration=stack(lambda row: of(row.p_obliteration, 1.0)),
        r_recurrence=stack(lambda row: of(row.r_recurrence, 0.0)),
        r_stop=stack(lambda row: of(row.r_stop_trial, 0.0)),
        sessions_mean=stack(lambda row: of(row.sessions_mean, 1.0)),
        p_retreat_accepted=stack(lambda row: of(row.p_retreat_accepted, 0.0)),
    )


def rebleed_by_time(first_year: FloatArray, choice: str) -> tuple[FloatArray | float, FloatArray | float]:
    """Late rebleeding in the first twelve months after a bleed and later, relative to its mean of five years."""
    if choice == "constant":
        return 1.0, 1.0
    return first_year, np.maximum(0.0, (FIVE_YEARS - FIRST_YEAR * first_year) / (FIVE_YEARS - FIRST_YEAR))
