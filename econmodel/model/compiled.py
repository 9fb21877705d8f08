"""The compiled cohort engine: when it pays, and how it is called. The loops are in ``model/kernel.py``.

numba is an optional extra. Its first use in a process costs about a second, and the first on a machine some twenty more
to compile (kept on disk), so ``auto`` turns to it only for work that takes NumPy longer, or once it is loaded; and never
where nothing can be kept, since each run would compile anew.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from importlib.util import find_spec

import numpy as np
from numpy.typing import NDArray

from econmodel.errors import AnalysisError
from econmodel.model.stages import ROUNDING, SCALED_TO, TOLERANCE, Run, StageBlock, inflows, refuse, wait_ways

FloatArray = NDArray[np.float64]
PAYS_WHEN_LOADED = 3_000
PAYS_WHEN_COLD = 20_000_000
KERNEL = "econmodel.model.kernel"


def installed() -> bool:
    """Whether the optional compiler is there."""
    return find_spec("numba") is not None


def loaded() -> bool:
    """Whether the compiled loops were loaded in this process."""
    return KERNEL in sys.modules


def pays(lane_cycles: int) -> bool:
    """Whether the compiled engine is worth its start for this many lanes x cycles, and can start."""
    return lane_cycles >= (PAYS_WHEN_LOADED if loaded() else PAYS_WHEN_COLD) and installed() and load()


def load() -> bool:
    """Load the compiled loops; False where the compiler finds no folder to keep them in."""
    try:
        import econmodel.model.kernel  # noqa: F401
    except RuntimeError:
        return False
    return True


def warm_up(lane_cycles: int) -> bool:
    """Load the compiled loops if a whole analysis of this size repays it; returns whether they are loaded."""
    return pays(lane_cycles) or loaded()


class CompiledEngine:
    """Runs blocks of stages in compiled loops that leave the interpreter free for other threads."""

    def __init__(self, run: Run, initial: FloatArray) -> None:
        if not installed():
            what = "the compiled engine needs numba, which is not installed"
            raise AnalysisError(what, fix='pip install "econmodel[fast]", or leave the engine to auto')
        from econmodel.model.kernel import Ways, workspace

        self.run, plan, waiting = run, inflows(run.moves), wait_ways(run.moves)
        cycles = [n for _, _, n in run.moves.waits]
        first = np.cumsum([0, *cycles])
        keeps = [(w, t, u) for w in reversed(range(len(cycles))) for t, u in waiting.keeps[w]]
        starts = [(w, t) for w, ways in enumerate(waiting.starts) for t in ways]
        at = [wait[0] for wait in run.moves.waits]
        self.held = np.zeros((first[-1] + len(cycles), initial.shape[1]))
        self.held[first[-1] :] = 1.0
        for w, state in enumerate(at):
            self.held[first[w + 1] - 1] = initial[state]
        self.ways = Ways(
            np.array(run.moves.sources, dtype=np.int64),
            plan.way_of_move,
            plan.into,
            plan.source,
            plan.stay,
            np.array(run.moves.impulses, dtype=np.int64).reshape(-1, 2),
            np.array(
                [
                    (state, target, n, low, stay, at.index(target) if target in at else -1)
                    for (state, target, n), low, stay in zip(run.moves.waits, first, waiting.stay, strict=False)
                ],
                dtype=np.int64,
            ).reshape(-1, 6),
            np.array(keeps, dtype=np.int64).reshape(-1, 3),
            np.array(starts, dtype=np.int64).reshape(-1, 2),
            TOLERANCE,
            ROUNDING,
            SCALED_TO,
        )
        self.work = workspace(run.moves.n_states, self.ways, len(run.schedule.discount_rates))

    def advance(self, block: StageBlock, state: FloatArray, first_stage: int) -> FloatArray:
        """Run a block, add to the sums and return the occupancy at its end: (state, lane)."""
        from econmodel.model.kernel import Stages, Totals, advance_lanes

        schedule, sums = self.run.schedule, self.run.sums
        at = slice(first_stage, first_stage + len(block.rows))
        period = np.array([-1, *schedule.period_of_stage, -1], dtype=np.int64)
        here, before, after = period[1:-1][at], period[:-2][at], period[2:][at]
        due_at, due = self._due(self.run.visits, range(at.start, at.stop), state.shape[1:])
        struck_at, struck = self._due(self.run.impulses, range(at.start, at.stop), (len(self.run.moves.impulses), state.shape[1]))
        stages = Stages(
            np.ascontiguousarray(block.p),
            np.array(block.rows, dtype=np.int64),
            here,
            before != here,
            after != here,
            due_at,
            due,
            struck_at,
            struck,
            schedule.factors[at],
            schedule.mid_cycle,
        )
        trace = np.zeros((0, 1, 1)) if sums.trace is None else sums.trace[at.start + 1 : at.stop + 1]
        totals = Totals(sums.starts, sums.years, sums.moves, sums.visits, trace)
        end = np.array(state, order="C")  # of one layout, so that the loops are compiled once
        deficit = advance_lanes(stages, self.ways, totals, self.work, end, self.held, first_stage * schedule.cycles_per_stage)
        if not deficit == 0.0:
            for k, row in enumerate(block.rows):
                refuse(self.run.moves, block.p[row], first_stage + k)
        return end

    def _due(
        self, given: Callable[[int], dict[int, FloatArray]], stages: range, shape: tuple[int, ...]
    ) -> tuple[NDArray[np.int64], FloatArray]:
        """Visits or impulses as the loops take them: row by stage and cycle (-1: none), and the rows, each array given once."""
        due_at = np.full((len(stages), self.run.schedule.cycles_per_stage), -1, dtype=np.int64)
        rows: dict[int, tuple[int, FloatArray]] = {}
        for g, stage in enumerate(stages):
            for cycle, due in given(stage).items():
                due_at[g, cycle] = rows.setdefault(id(due), (len(rows), due))[0]
        return due_at, np.array([due for _, due in rows.values()]) if rows else np.zeros((1, *shape))
