"""Run the disease model: the cohort engine with the hazards of every draw, strategy and cell."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from econmodel.model.attendance import attendance
from econmodel.model.class_hazards import hazards_of
from econmodel.model.cohort import CohortTotals, run_blocks
from econmodel.model.course_hazards import after_session
from econmodel.model.hazards import CYCLES_PER_YEAR
from econmodel.model.inputs import ModelInputs
from econmodel.model.stages import Schedule, StageBlock

FloatArray = NDArray[np.float64]
CHANCES_AT_ONCE = 1 << 21


def initial_state(inputs: ModelInputs) -> FloatArray:
    """Everyone in the state the strategy starts in: (state, lane), lanes in order (draw, strategy, cell)."""
    return np.ascontiguousarray(np.moveaxis(_initial(inputs), 3, 1)).reshape(len(inputs.structure.states), -1)


def _initial(inputs: ModelInputs) -> FloatArray:
    """Everyone in the state the strategy, or the cohort, starts in: (state, strategy, cell, draw)."""
    starts, classes = inputs.starts, inputs.child_of_cell
    initial = np.zeros((len(inputs.structure.states), len(starts), len(classes), inputs.n_draws))
    for s, start in enumerate(starts):
        for cell, child in enumerate(classes.tolist()):
            initial[inputs.structure.first(start, child), s, cell] = 1.0
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
    hazards = hazards_of(inputs)
    initial = _initial(inputs).reshape(len(inputs.structure.states), -1)
    n_years, stages_per_year = len(period_of_year), CYCLES_PER_YEAR if monthly else 1
    at_once = max(1, CHANCES_AT_ONCE // (initial.shape[1] * len(inputs.structure.moves)))

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
        count_after_sessions(inputs, totals, widen)
    return totals


def count_after_sessions(inputs: ModelInputs, totals: CohortTotals, widen: Callable[[FloatArray], FloatArray]) -> None:
    """Move half a month of time from the course to where its session led, in place.

    A session opens its month: time counts from after it, by trapezoid, while the engine, to which session and month are
    one move, counts it from before.
    """
    s, structure = inputs.strategies, inputs.structure
    to = after_session(s.p_death_course / s.sessions_mean, 1.0 / s.sessions_mean, s.p_obliteration)
    for source in structure.family("in_course"):
        half = totals.starts[:, :, source] / (2 * CYCLES_PER_YEAR)
        for state, share in to.items():
            moved = half * widen(share)
            totals.years[:, :, structure.first(state, structure.states[source].child)] += moved
            totals.years[:, :, source] -= moved
