"""The cohort engine: a closed cohort moves between states, one cycle at a time.

Terms
-----
lane
    One run of the model: a draw, a strategy and a cell of patients. Lanes are independent.
stage
    Consecutive cycles that share one set of move probabilities (a model year of twelve months, say).
period
    Consecutive stages whose sums are reported together.
sink
    A state without exits, such as death.

The engine knows no disease. It takes moves (from, to), their probabilities per cycle for each stage, and the state
occupied at the start; it gives sums over cycles, from which every reward follows, because probabilities are constant
within a stage: the flow of a move is its probability times the summed occupancy of the state it leaves.
Axis order: (weighting, period, state or move, lane).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from econmodel.errors import ModelError

FloatArray = NDArray[np.float64]
StageProbabilities = Callable[[int], FloatArray]
StageVisits = Callable[[int], dict[int, FloatArray]]


@dataclass(frozen=True)
class Moves:
    """Moves between ``n_states`` states; move ``m`` goes from ``sources[m]`` to ``targets[m]``."""

    n_states: int
    sources: tuple[int, ...]
    targets: tuple[int, ...]

    @property
    def edges(self) -> dict[tuple[int, int], list[int]]:
        """Moves that share source and target, merged for the advance."""
        merged: dict[tuple[int, int], list[int]] = {}
        for m, pair in enumerate(zip(self.sources, self.targets, strict=True)):
            merged.setdefault(pair, []).append(m)
        return merged

    @property
    def sink(self) -> int | None:
        """The last state, when nothing leaves it."""
        last = self.n_states - 1
        return None if last in self.sources else last


@dataclass(frozen=True)
class Schedule:
    """Length of a run: cycles per stage, the period of each stage, cycles per year, and discount rates a year.

    The weighting axis of the totals follows ``discount_rates``; a rate of 0 is undiscounted.
    """

    cycles_per_stage: int
    period_of_stage: tuple[int, ...]
    cycles_per_year: int = 12
    discount_rates: tuple[float, ...] = (0.0,)

    @property
    def n_periods(self) -> int:
        """Number of reporting periods."""
        return max(self.period_of_stage) + 1

    def boundary_factors(self, stage: int) -> FloatArray:
        """Discount factors at the start of each cycle of a stage and at its end: (weighting, cycle + 1)."""
        cycle = stage * self.cycles_per_stage + np.arange(self.cycles_per_stage + 1)
        rates = np.asarray(self.discount_rates)[:, None]
        return np.asarray((1.0 + rates) ** (-cycle / self.cycles_per_year))

    @property
    def mid_cycle(self) -> FloatArray:
        """Factor from a cycle's start to its middle: (weighting,)."""
        return np.asarray((1.0 + np.asarray(self.discount_rates)) ** (-0.5 / self.cycles_per_year))


@dataclass(frozen=True)
class CohortTotals:
    """Sums per lane; each array has axes (weighting, period, state or move, lane).

    ``starts`` counts occupancy at the start of every cycle, ``years`` is patient-years by trapezoid, ``moves`` counts
    moves at mid-cycle, ``visits`` counts scheduled visits by state at the start of their cycle. ``trace`` holds
    occupancy at each stage boundary: (stage + 1, state, lane).
    """

    starts: FloatArray
    years: FloatArray
    moves: FloatArray
    visits: FloatArray
    trace: FloatArray | None


def run_cohort(moves: Moves, probabilities: StageProbabilities, initial: FloatArray, schedule: Schedule, *,
               visits: StageVisits | None = None, keep_trace: bool = False) -> CohortTotals:
    """Advance a closed cohort and sum what happens to it.

    Parameters
    ----------
    moves
        Sources and targets.
    probabilities
        Given a stage, the probability per cycle of each move: (move, lane).
    initial : ndarray of shape (state, lane)
        Proportion in each state at time 0; each lane sums to 1.
    schedule
        Stages, periods and discount rates.
    visits
        Given a stage, visits per person by cycle within the stage: {cycle: (lane,)}.
    keep_trace
        Whether to keep occupancy at stage boundaries.

    Raises
    ------
    ModelError
        A probability is negative, or the moves out of a state sum to more than 1; names stage, state and sum.

    Notes
    -----
    ``s[k + 1] = s[k] P`` with the staying probability as the remainder. Patient-years use the trapezoid on cycle
    boundaries, moves count at mid-cycle, visits and starts at the cycle's start.

    Examples
    --------
    >>> moves = Moves(2, (0,), (1,))
    >>> totals = run_cohort(moves, lambda stage: np.array([[0.1]]), np.array([[1.0], [0.0]]),
    ...                     Schedule(1, (0, 0), cycles_per_year=1), keep_trace=True)
    >>> totals.trace[-1].ravel()
    array([0.81, 0.19])
    """
    n_lanes = initial.shape[1]
    shape = (len(schedule.discount_rates), schedule.n_periods)
    starts = np.zeros((*shape, moves.n_states, n_lanes))
    years, visited = np.zeros_like(starts), np.zeros_like(starts)
    counts = np.zeros((*shape, len(moves.sources), n_lanes))
    state = initial.astype(float, copy=True)
    trace = [state.copy()] if keep_trace else None
    for stage, period in enumerate(schedule.period_of_stage):
        p = probabilities(stage)
        stay = _stay(moves, p, stage)
        factors = schedule.boundary_factors(stage)
        planned = visits(stage) if visits else {}
        sums, seen, end = advance_stage(moves, p, stay, state, factors, planned)
        starts[:, period] += sums
        edge = factors[:, -1, None, None] * end - factors[:, 0, None, None] * state
        years[:, period] += (sums + edge / 2) / schedule.cycles_per_year
        for m, source in enumerate(moves.sources):
            counts[:, period, m] += p[m] * sums[:, source] * schedule.mid_cycle[:, None]
        if planned:
            visited[:, period] += seen
        state = end
        if trace is not None:
            trace.append(state)
    return CohortTotals(starts, years, counts, visited, np.array(trace) if trace is not None else None)


def _stay(moves: Moves, p: FloatArray, stage: int) -> FloatArray:
    """Probability of staying in each state, checked: (state, lane)."""
    stay = np.ones((moves.n_states, p.shape[1]))
    for m, source in enumerate(moves.sources):
        stay[source] -= p[m]
    if not (p.min() >= 0 and stay.min() >= -1e-9):
        worst = int(np.argmin(stay.min(axis=1)))
        what = (f"stage {stage}: probabilities must be >= 0 and sum to at most 1 out of a state; lowest probability "
                f"{p.min():.6g}, state {worst} sums to {1 - stay[worst].min():.6g}")
        raise ModelError(what, fix="look for a rate or probability far outside its range")
    return np.maximum(stay, 0.0, out=stay)


def advance_stage(moves: Moves, p: FloatArray, stay: FloatArray, state: FloatArray, factors: FloatArray,
                  visits: dict[int, FloatArray]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Run one stage with NumPy.

    Parameters
    ----------
    p : ndarray of shape (move, lane)
    stay, state : ndarray of shape (state, lane)
    factors : ndarray of shape (weighting, cycle + 1)
        Discount factors at cycle boundaries.
    visits
        Visits per person by cycle.

    Returns
    -------
    sums, seen : ndarray of shape (weighting, state, lane)
        Weighted occupancy at cycle starts, and at visits.
    end : ndarray of shape (state, lane)
    """
    sink = moves.sink
    edges = [(i, j, p[m[0]] if len(m) == 1 else p[m].sum(axis=0))
             for (i, j), m in moves.edges.items() if j != sink]
    total = state.sum(axis=0)
    sums = np.zeros((len(factors), *state.shape))
    seen = np.zeros_like(sums) if visits else sums
    now, after = state.copy(), np.empty_like(state)
    flow, weighted = np.empty(state.shape[1]), np.empty_like(state)
    for cycle in range(factors.shape[1] - 1):
        for w, factor in enumerate(factors[:, cycle]):
            if factor == 1.0:
                sums[w] += now
            else:
                sums[w] += np.multiply(now, factor, out=weighted)
            if cycle in visits:
                seen[w] += factor * visits[cycle] * now
        np.multiply(now, stay, out=after)
        for i, j, probability in edges:
            np.multiply(probability, now[i], out=flow)
            after[j] += flow
        now, after = after, now
    if sink is not None:
        now[sink] = total - now[:sink].sum(axis=0)
        sums[:, sink] = factors[:, :-1].sum(axis=1)[:, None] * total - sums[:, :sink].sum(axis=1)
    return sums, seen, now


def run_matrices(transition_matrices: Sequence[FloatArray] | FloatArray, initial: FloatArray) -> FloatArray:
    """Trace of a single cohort through given transition matrices, on the same engine.

    Parameters
    ----------
    transition_matrices : ndarray of shape (cycle, state, state)
        Probability per cycle of moving from state (row) to state (column).
    initial : ndarray of shape (state,)
        Proportion in each state at time 0; sums to 1.

    Returns
    -------
    trace : ndarray of shape (cycle + 1, state)

    Raises
    ------
    ModelError
        A row does not sum to 1 within 1e-9; names cycle, state and sum.

    Examples
    --------
    >>> P = np.array([[[0.9, 0.1], [0.0, 1.0]]] * 2)
    >>> run_matrices(P, np.array([1.0, 0.0]))[-1]
    array([0.81, 0.19])
    """
    matrices = np.asarray(transition_matrices, dtype=float)
    row_sums = matrices.sum(axis=2)
    if np.abs(row_sums - 1).max() > 1e-9 or matrices.min() < 0:
        cycle, row = np.unravel_index(np.argmax(np.abs(row_sums - 1)), row_sums.shape)
        what = f"cycle {cycle}, from state {row}: row sums to {row_sums[cycle, row]:.6f}, must be 1 within 1e-9"
        raise ModelError(what, fix="correct the matrix; rows are not rescaled for you")
    n = matrices.shape[1]
    pairs = [(i, j) for i in range(n) for j in range(n) if i != j and matrices[:, i, j].any()]
    moves = Moves(n, tuple(i for i, _ in pairs), tuple(j for _, j in pairs))
    schedule = Schedule(1, tuple([0] * len(matrices)), cycles_per_year=1)
    columns = np.array([matrices[:, i, j] for i, j in pairs]).reshape(len(pairs), len(matrices))
    totals = run_cohort(moves, lambda stage: columns[:, [stage]], np.asarray(initial, dtype=float)[:, None], schedule,
                        keep_trace=True)
    assert totals.trace is not None
    return totals.trace[:, :, 0]
