"""What the cohort engines share: moves, the schedule, blocks of stages, the running sums, and the check of a stage.

An engine takes a :class:`Run`, a block of stages and the occupancy before it, adds to the sums and returns the
occupancy after it. A state's staying probability is one more way in, from the state itself.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from econmodel.errors import ModelError
from econmodel.records import record

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
TOLERANCE = 1e-9
ROUNDING = 1e-15
SCALED_TO = 1e-100


@record
class Moves:
    """Moves between ``n_states`` states; move ``m`` goes from ``sources[m]`` to ``targets[m]``.

    ``impulses`` are moves at the very start of a cycle, (source, target), neither of them the sink: they take place in
    this order, before all else of the cycle, and only in cycles that :class:`Run` names. ``waits`` are (state, next state,
    cycles): who is still in the state at the end of so many cycles there goes on to the next, whenever each of them came. A
    move from one waiting state to a later one, of as many cycles, keeps the time waited; any other way in starts it.
    """

    n_states: int
    sources: tuple[int, ...]
    targets: tuple[int, ...]
    impulses: tuple[tuple[int, int], ...] = ()
    waits: tuple[tuple[int, int, int], ...] = ()

    @property
    def sink(self) -> int | None:
        """The last state, when nothing leaves it."""
        last = self.n_states - 1
        return None if last in self.sources else last

    @property
    def n_moving(self) -> int:
        """Number of states without the sink; visits are counted in these."""
        return self.n_states if self.sink is None else self.n_states - 1


@record
class Inflows:
    """Ways into each state but the sink, sorted by target: staying, and moves merged by source and target.

    ``into[j] : into[j + 1]`` are the ways into state j; way t comes from state ``source[t]``. ``way_of_move[m]`` is the
    way a move is part of (-1: into the sink), ``stay[i]`` the way that is staying in i.
    """

    into: IntArray
    source: IntArray
    way_of_move: IntArray
    stay: IntArray


@lru_cache(maxsize=32)
def inflows(moves: Moves) -> Inflows:
    """Merge moves that share source and target, and sort them by target."""
    n = moves.n_moving
    pairs = zip(moves.targets, moves.sources, strict=True)
    ways = sorted({(j, i) for j, i in pairs if j < n} | {(i, i) for i in range(n)})
    position = {way: t for t, way in enumerate(ways)}
    targets = [j for j, _ in ways]
    return Inflows(
        into=np.searchsorted(targets, np.arange(n + 1)).astype(np.int64),
        source=np.array([i for _, i in ways], dtype=np.int64),
        way_of_move=np.array([position.get((j, i), -1) for i, j in zip(moves.sources, moves.targets, strict=True)], dtype=np.int64),
        stay=np.array([position[i, i] for i in range(n)], dtype=np.int64),
    )


@record
class WaitWays:
    """Ways of the waiting states, of each: staying, those that start its time, and those that keep it (way, waiting state)."""

    stay: tuple[int, ...]
    starts: tuple[tuple[int, ...], ...]
    keeps: tuple[tuple[tuple[int, int], ...], ...]


@lru_cache(maxsize=32)
def wait_ways(moves: Moves) -> WaitWays:
    """Sort the ways into waiting states by what they do to the time waited."""
    plan, at = inflows(moves), {wait[0]: w for w, wait in enumerate(moves.waits)}
    into, sources = plan.into.tolist(), plan.source.tolist()
    others = [[t for t in range(into[i], into[i + 1]) if sources[t] != i] for i in at]
    return WaitWays(
        tuple(int(plan.stay[i]) for i in at),
        tuple(tuple(t for t in ways if sources[t] not in at) for ways in others),
        tuple(tuple((t, at[sources[t]]) for t in ways if sources[t] in at) for ways in others),
    )


class Waiting:
    """Those in waiting states by the cycle they came in, each (cycle, lane): only what leaves them needs to know.

    Where nobody changes from one waiting state to another and keeps the time, all who wait there thin out alike, so that one
    ``scale`` a state, (lane,), holds it for them: ``held`` times it is who is there.
    """

    def __init__(self, moves: Moves, initial: FloatArray) -> None:
        self.waits, self.ways, self.source = moves.waits, wait_ways(moves), inflows(moves).source
        self.held = [np.zeros((cycles, initial.shape[1])) for _, _, cycles in moves.waits]
        for held, (state, _, _) in zip(self.held, moves.waits, strict=True):
            held[-1] = initial[state]
        self.scale = [np.ones(initial.shape[1]) for _ in moves.waits]

    def advance(
        self, ways: Sequence[FloatArray] | FloatArray, now: FloatArray, after: FloatArray, cycle: int, lanes: slice = slice(None)
    ) -> None:
        """Let those whose time is up go on, at the end of a cycle of the whole run, in place.

        ``ways`` is by way, (lane,); ``now`` and ``after`` are occupancy at the cycle's start and end, (state, lane).
        """
        held, scale = [array[:, lanes] for array in self.held], [array[lanes] for array in self.scale]
        for w in reversed(range(len(held))):
            self._thin(held, scale[w], ways, w)
        slots = [cycle % cycles for _, _, cycles in self.waits]
        leaving = [array[slot] * thin for array, slot, thin in zip(held, slots, scale, strict=True)]
        for w, slot in enumerate(slots):
            came = sum((ways[t] * now[self.source[t]] for t in self.ways.starts[w]), start=np.zeros_like(leaving[w]))
            held[w][slot] = came / scale[w]
        at = {wait[0]: w for w, wait in enumerate(self.waits)}
        for (state, following, _), gone in zip(self.waits, leaving, strict=True):
            after[state] -= gone
            after[following] += gone
            if following in at:
                w = at[following]
                held[w][slots[w]] += gone / scale[w]

    def _thin(self, held: list[FloatArray], scale: FloatArray, ways: Sequence[FloatArray] | FloatArray, w: int) -> None:
        """Keep who stays a cycle in one waiting state."""
        stay = ways[self.ways.stay[w]]
        if any(self.ways.keeps):
            held[w] *= stay
            for t, u in self.ways.keeps[w]:
                held[w] += ways[t] * held[u]
            return
        scale *= stay
        if scale.min() < SCALED_TO:
            held[w] *= scale
            scale[:] = 1.0


@record
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

    @cached_property
    def factors(self) -> FloatArray:
        """Discount factors at the start of each cycle and at the end of its stage: (stage, weighting, cycle + 1)."""
        stage = np.arange(len(self.period_of_stage))[:, None, None]
        cycle = stage * self.cycles_per_stage + np.arange(self.cycles_per_stage + 1)
        rates = np.asarray(self.discount_rates)[None, :, None]
        return np.asarray((1.0 + rates) ** (-cycle / self.cycles_per_year))

    @cached_property
    def mid_cycle(self) -> FloatArray:
        """Factor from a cycle's start to its middle: (weighting,)."""
        return np.asarray((1.0 + np.asarray(self.discount_rates)) ** (-0.5 / self.cycles_per_year))


@record
class StageBlock:
    """Probabilities of consecutive stages: ``p`` is (row, move, lane), and stage k of the block uses ``p[rows[k]]``."""

    p: FloatArray
    rows: tuple[int, ...]

    def first(self, n_stages: int) -> StageBlock:
        """Leave out what lies beyond the first stages."""
        return self if len(self.rows) <= n_stages else StageBlock(self.p, self.rows[:n_stages])


@record
class Sums:
    """Running sums, (weighting, period, state or move, lane), and the trace at stage boundaries, (stage, state, lane).

    Impulses are counted after the moves; ``starts`` is occupancy after the cycle's impulses.
    """

    starts: FloatArray
    years: FloatArray
    moves: FloatArray
    visits: FloatArray
    trace: FloatArray | None


@record
class Run:
    """One run of the engine: what moves, when, how often people are seen, and the sums so far.

    Given a stage, ``visits`` holds visits per person, {cycle: (lane,)}, counted before the impulses of their cycle, and
    ``impulses`` the share of the source that each moves, {cycle: (impulse, lane)}.
    """

    moves: Moves
    schedule: Schedule
    sums: Sums
    visits: Callable[[int], dict[int, FloatArray]]
    impulses: Callable[[int], dict[int, FloatArray]] = lambda stage: {}

    def strike(self, shares: FloatArray, occupancy: FloatArray, period: int, factors: FloatArray, lanes: slice = slice(None)) -> None:
        """Move people between states at the start of a cycle, in place, and count them.

        Parameters
        ----------
        shares : ndarray of shape (impulse, lane)
        occupancy : ndarray of shape (state, lane)
        period
            Where they count.
        factors : ndarray of shape (weighting,)
            Discount factors of the cycle's start.
        lanes
            Those at hand.
        """
        first = len(self.moves.sources)
        for k, (source, target) in enumerate(self.moves.impulses):
            moved = shares[k, lanes] * occupancy[source]
            occupancy[source] -= moved
            occupancy[target] += moved
            self.sums.moves[:, period, first + k, lanes] += factors[:, None] * moved

    def close(self) -> None:
        """Turn the sums into patient-years: by trapezoid within each cycle, from after its impulses to its end.

        The boundaries noted lie before impulses, so half of what moved is taken back.
        """
        years, first = self.sums.years, len(self.moves.sources)
        np.add(years, self.sums.starts, out=years)
        for k, (source, target) in enumerate(self.moves.impulses):
            half = self.sums.moves[:, :, first + k] / 2
            years[:, :, source] += half
            years[:, :, target] -= half
        np.divide(years, self.schedule.cycles_per_year, out=years)

    def note_boundary(self, stage: int, first: FloatArray, end: FloatArray, lanes: slice = slice(None)) -> None:
        """Add what the trapezoid needs of a stage's two ends; ends inside one period cancel and are skipped."""
        period, years = self.schedule.period_of_stage, self.sums.years
        factors = self.schedule.factors[stage]
        if stage == 0 or period[stage - 1] != period[stage]:
            years[:, period[stage], :, lanes] -= factors[:, 0, None, None] * first / 2
        if stage + 1 == len(period) or period[stage + 1] != period[stage]:
            years[:, period[stage], :, lanes] += factors[:, -1, None, None] * end / 2
        if self.sums.trace is not None:
            self.sums.trace[stage + 1][:, lanes] = end


def refuse(moves: Moves, p: FloatArray, stage: int) -> None:
    """Raise the fault of one stage's probabilities (move, lane), if they have one.

    Raises
    ------
    ModelError
        A probability is negative or not a number, or the moves out of a state sum to more than 1.
    """
    out = np.zeros((moves.n_states, p.shape[1]))
    for m, source in enumerate(moves.sources):
        out[source] += p[m]
    if not (p.min() >= 0 and out.max() <= 1 + TOLERANCE):
        worst = int(np.argmax(out.max(axis=1)))
        what = (
            f"stage {stage}: probabilities must be >= 0 and sum to at most 1 out of a state; lowest probability "
            f"{p.min():.6g}, state {worst} sums to {out[worst].max():.6g}"
        )
        raise ModelError(what, fix="look for a rate or probability far outside its range")
