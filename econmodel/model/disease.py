"""Run the disease model: the cohort engine with the hazards of every draw, strategy and cell."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from econmodel.arrays import bracketed_roots
from econmodel.errors import ModelError
from econmodel.model.attendance import attendance
from econmodel.model.cohort import CohortTotals, run_blocks
from econmodel.model.course_hazards import after_session, hazards_of
from econmodel.model.hazards import CYCLES_PER_YEAR, Hazards, competing
from econmodel.model.inputs import ModelInputs
from econmodel.model.stages import Moves, Schedule, StageBlock

FloatArray = NDArray[np.float64]
LANE_YEARS_AT_ONCE = 1 << 16


def initial_state(inputs: ModelInputs) -> FloatArray:
    """Everyone in the state the strategy starts in: (state, lane), lanes in order (draw, strategy, cell)."""
    return np.ascontiguousarray(np.moveaxis(_initial(inputs), 3, 1)).reshape(len(inputs.structure.states), -1)


def _initial(inputs: ModelInputs) -> FloatArray:
    """Everyone in the state the strategy starts in: (state, strategy, cell, draw)."""
    first = [inputs.structure.family(start)[0] for start in inputs.strategies.starts_in]
    initial = np.zeros((len(inputs.structure.states), len(first), inputs.relative.shape[1], inputs.n_draws))
    for s, state in enumerate(first):
        initial[state, s] = 1.0
    return initial


def run_disease(
    inputs: ModelInputs,
    period_of_year: Sequence[int],
    discount_rates: tuple[float, ...] = (0.0,),
    *,
    monthly: bool = False,
    keep_trace: bool = False,
    engine: str = "auto",
) -> CohortTotals:
    """Run every draw, strategy and cell.

    Parameters
    ----------
    inputs
        Resolved inputs.
    period_of_year
        Reporting period of each model year; its length is the horizon.
    discount_rates
        Weightings of the totals, a year.
    monthly
        Report every month as a period of its own (``period_of_year`` then only gives the horizon).
    keep_trace
        Keep occupancy at stage boundaries.
    engine
        As in :func:`~econmodel.model.cohort.run_cohort`.

    Returns
    -------
    CohortTotals
        Lanes in order (strategy, cell, draw).
    """
    hazards = hazards_of(inputs, calibrate_complete(inputs) if inputs.effect_basis == "per_protocol" else None)
    initial = _initial(inputs).reshape(len(inputs.structure.states), -1)
    n_years, stages_per_year = len(period_of_year), CYCLES_PER_YEAR if monthly else 1
    at_once = max(1, LANE_YEARS_AT_ONCE // initial.shape[1])

    def blocks(stage: int) -> StageBlock:
        first = stage // stages_per_year
        end = min(first + at_once, n_years)
        rows = np.repeat(np.arange(end - first), stages_per_year)
        return StageBlock(hazards.years(first, end), tuple(rows.tolist()))

    schedule = (
        Schedule(1, tuple(range(n_years * CYCLES_PER_YEAR)), CYCLES_PER_YEAR, discount_rates)
        if monthly
        else Schedule(CYCLES_PER_YEAR, tuple(period_of_year), CYCLES_PER_YEAR, discount_rates)
    )
    stages = n_years * CYCLES_PER_YEAR // schedule.cycles_per_stage

    def widen(array: FloatArray) -> FloatArray:
        return np.broadcast_to(array.T[:, None, :], hazards.shape).ravel()

    given = attendance(inputs, stages, schedule.cycles_per_stage, widen)
    totals = run_blocks(
        inputs.structure.engine_moves(),
        blocks,
        initial,
        schedule,
        visits=given.visits,
        impulses=given.impulses,
        keep_trace=keep_trace,
        engine=engine,
    )
    if inputs.course is not None:
        _count_after_sessions(inputs, totals, widen)
    return totals


def _count_after_sessions(inputs: ModelInputs, totals: CohortTotals, widen: Callable[[FloatArray], FloatArray]) -> None:
    """Move half a month of time from the course to where its session led, in place.

    A session opens its month: time counts from after it, by trapezoid, while the engine, to which session and month are
    one move, counts it from before.
    """
    s, structure = inputs.strategies, inputs.structure
    source = structure.index["in_course"]
    half = totals.starts[:, :, source] / (2 * CYCLES_PER_YEAR)
    for state, share in after_session(s.p_death_course / s.sessions_mean, 1.0 / s.sessions_mean, s.p_obliteration).items():
        moved = half * widen(share)
        totals.years[:, :, structure.index[state]] += moved
        totals.years[:, :, source] -= moved


def calibrate_complete(inputs: ModelInputs) -> FloatArray:
    """Bleeding rate of a complete course, (draw, strategy), that reproduces the intention-to-treat risk.

    Over the trials' follow-up, without competing death, the share-weighted risk of a gastric bleed with effect in
    complete (and, less, incomplete) courses equals the risk with the intention-to-treat effect throughout. Drugs keep
    their ratio.
    """
    target = _trial_risk(inputs, None)
    low, high = np.full_like(target, np.log(1e-6)), np.full_like(target, np.log(50.0))
    roots = bracketed_roots(lambda log_hr: _trial_risk(inputs, np.exp(log_hr)) - target, low, high)
    has_course = np.array([start == "in_course" for start in inputs.strategies.starts_in])
    found = np.where(has_course, np.exp(roots), inputs.strategies.hr_gastric)
    _check_calibrated(inputs, _trial_risk(inputs, found)[:, has_course], target[:, has_course])
    return np.asarray(found)


def _check_calibrated(inputs: ModelInputs, risk: FloatArray, target: FloatArray) -> None:
    """Refuse a base run whose trial risk cannot be met; among many draws, those keep the nearest ratio."""
    if inputs.n_draws == 1 and risk.size and np.abs(risk - target).max() > 1e-6:
        worst = int(np.abs(risk - target)[0].argmax())
        what = (
            f"per protocol, no effect of a complete course gives the trial risk of {target[0, worst]:.4g}: the "
            f"nearest is {risk[0, worst]:.4g}, as patients are unprotected until their course is done"
        )
        raise ModelError(what, fix='use effect_basis = "intention_to_treat", or fewer sessions a course')


def _trial_risk(inputs: ModelInputs, hr_complete: FloatArray | None) -> FloatArray:
    """Share-weighted risk of a first gastric bleed over the trial months, no death: (draw, strategy)."""
    s = inputs.strategies
    hazards = Hazards(replace(inputs, effect_basis="intention_to_treat"))
    years = np.arange(-(-inputs.trial_months // CYCLES_PER_YEAR))
    itt, rate = hr_complete is None, hazards.gastric_rates(years)
    hr = s.hr_gastric if hr_complete is None else hr_complete
    complete, done, p_done = (x.T[None, :, None, :] for x in (hr, 1.0 / s.sessions_mean, s.p_obliteration))
    incomplete = complete if itt else np.minimum(1.0, complete * inputs.hr_incomplete)
    lost = np.zeros(()) if itt else inputs.r_protection_lost[None, None, None, :]
    at_risk = competing({"bleed": rate * incomplete})[0]["bleed"]
    course, none = competing({"bleed": rate * (complete if itt else 1.0)})
    retreat = s.r_retreat[:, :, np.minimum(years, 1)].T[:, :, None, :]
    protected = competing({"bleed": rate * complete, "retreat": retreat, "lost": lost})[0]
    finish = none * done
    parts = (
        at_risk,
        course["bleed"],
        finish * (1.0 if itt else p_done),
        finish * (0.0 if itt else 1.0 - p_done),
        protected["bleed"],
        protected["retreat"],
        protected["lost"],
    )
    p = np.stack([np.broadcast_to(part, (len(years), *hazards.shape)) for part in parts], axis=1)
    return _share_bled(inputs, p.reshape(*p.shape[:2], -1), hazards.shape)


def _share_bled(inputs: ModelInputs, p: FloatArray, shape: tuple[int, int, int]) -> FloatArray:
    """Share in the last of four states (at risk, in course, protected, bled) after the trial months."""
    moves = Moves(4, (0, 1, 1, 1, 2, 2, 2), (3, 3, 2, 0, 3, 1, 0))
    initial = np.zeros((4, p.shape[2]))
    initial[1] = 1.0
    rows = tuple(month // CYCLES_PER_YEAR for month in range(inputs.trial_months))
    totals = run_blocks(moves, lambda stage: StageBlock(p, rows), initial, Schedule(1, (0,) * inputs.trial_months), keep_trace=True)
    assert totals.trace is not None
    return np.asarray(np.einsum("scd,dc->ds", totals.trace[-1, 3].reshape(shape), inputs.shares))
