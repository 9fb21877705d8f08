"""The cohort engine: a closed cohort moves between states, one cycle at a time.

Terms
-----
lane
    One run of the model: a draw, a strategy and a cell of patients. Lanes are independent.
stage
    Consecutive cycles that share one set of move probabilities (a model year of twelve months, say).
block
    Consecutive stages whose probabilities are given together.
period
    Consecutive stages whose sums are reported together.
sink
    A state without exits, such as death.

The engine knows no disease. It takes moves (from, to), their probabilities per cycle for each stage, and the state
occupied at the start; it gives sums over cycles, from which every reward follows, because probabilities are constant
within a stage: the flow of a move is its probability times the summed occupancy of the state it leaves.
Axis order: (weighting, period, state or move, lane).

Three engines give the same sums: one for few lanes, one for many, and a compiled one (``model/compiled.py``).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from econmodel.errors import AnalysisError, ModelError
from econmodel.model.compiled import CompiledEngine, pays
from econmodel.model.numpy_engines import FewLanesEngine, SlicedEngine
from econmodel.model.stages import Moves as Moves
from econmodel.model.stages import Run, StageBlock, Sums
from econmodel.model.stages import Schedule as Schedule
from econmodel.records import record

FloatArray = NDArray[np.float64]
StageProbabilities = Callable[[int], FloatArray]
StageBlocks = Callable[[int], StageBlock]
StageVisits = Callable[[int], dict[int, FloatArray]]
StageImpulses = Callable[[int], dict[int, FloatArray]]
FEW_LANES = 400


class Engine(Protocol):
    """Advances every lane through a block of stages, adding to the sums of its run."""

    def advance(self, block: StageBlock, state: FloatArray, first_stage: int) -> FloatArray:
        """Return the occupancy at the end of the block: (state, lane)."""


@record
class CohortTotals:
    """Sums per lane; each array has axes (weighting, period, state or move, lane).

    ``starts`` counts occupancy at the start of every cycle, after its impulses, ``years`` is patient-years by trapezoid
    within cycles, ``moves`` counts moves at mid-cycle and then impulses at the start of theirs, ``visits`` counts
    scheduled visits by state before the impulses of their cycle. ``trace`` holds occupancy at each stage boundary,
    before impulses: (stage + 1, state, lane). ``begun`` counts who starts, (weighting, period, lane), where not one in the first.
    """

    starts: FloatArray
    years: FloatArray
    moves: FloatArray
    visits: FloatArray
    trace: FloatArray | None
    begun: FloatArray | None = None


def run_cohort(
    moves: Moves,
    probabilities: StageProbabilities,
    initial: FloatArray,
    schedule: Schedule,
    *,
    visits: StageVisits | None = None,
    impulses: StageImpulses | None = None,
    keep_trace: bool = False,
    engine: str = "auto",
) -> CohortTotals:
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
    impulses
        Given a stage, the share of its source that each impulse of ``moves`` moves: {cycle: (impulse, lane)}.
    keep_trace
        Whether to keep occupancy at stage boundaries.
    engine
        ``auto``, ``numpy`` or ``compiled``.

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
    return run_blocks(
        moves,
        lambda stage: StageBlock(probabilities(stage)[None], (0,)),
        initial,
        schedule,
        visits=visits,
        impulses=impulses,
        keep_trace=keep_trace,
        engine=engine,
    )


def run_blocks(
    moves: Moves,
    blocks: StageBlocks,
    initial: FloatArray,
    schedule: Schedule,
    *,
    visits: StageVisits | None = None,
    impulses: StageImpulses | None = None,
    keep_trace: bool = False,
    engine: str = "auto",
) -> CohortTotals:
    """Advance a closed cohort whose probabilities come several stages at once; otherwise as :func:`run_cohort`.

    Parameters
    ----------
    blocks
        Given a stage, the probabilities of that stage and of as many following ones as are to hand.
    """
    n_lanes, n_stages = initial.shape[1], len(schedule.period_of_stage)
    shape = (len(schedule.discount_rates), schedule.n_periods)
    sums = Sums(
        starts=np.zeros((*shape, moves.n_states, n_lanes)),
        years=np.zeros((*shape, moves.n_states, n_lanes)),
        moves=np.zeros((*shape, len(moves.sources) + len(moves.impulses), n_lanes)),
        visits=np.zeros((*shape, moves.n_states, n_lanes)),
        trace=np.zeros((n_stages + 1, moves.n_states, n_lanes)) if keep_trace else None,
    )
    run = Run(moves, schedule, sums, visits or (lambda stage: {}), impulses or (lambda stage: {}))
    running = choose_engine(engine, n_lanes, n_stages * schedule.cycles_per_stage)(run, initial)
    state = initial.astype(float, copy=True)
    if sums.trace is not None:
        sums.trace[0] = state
    stage = 0
    while stage < n_stages:
        block = blocks(stage)
        state = running.advance(block.first(n_stages - stage), state, stage)
        stage += len(block.rows)
    run.close()
    return CohortTotals(sums.starts, sums.years, sums.moves, sums.visits, sums.trace)


def choose_engine(name: str, n_lanes: int, n_cycles: int) -> Callable[[Run, FloatArray], Engine]:
    """Engine by name; ``auto`` takes the one that pays at this size.

    Raises
    ------
    AnalysisError
        The name is unknown.
    """
    by_size = FewLanesEngine if n_lanes <= FEW_LANES else SlicedEngine
    match name:
        case "auto":
            return CompiledEngine if pays(n_lanes * n_cycles) else by_size
        case "numpy":
            return by_size
        case "compiled":
            return CompiledEngine
    what = f"engine {name!r}: must be auto, numpy or compiled"
    raise AnalysisError(what, fix="leave it to auto")


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
    totals = run_cohort(moves, lambda stage: columns[:, [stage]], np.asarray(initial, dtype=float)[:, None], schedule, keep_trace=True)
    assert totals.trace is not None
    return totals.trace[:, :, 0]
