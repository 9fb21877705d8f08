"""The cohort engine's inner loops, compiled by numba; imported only where numba is installed and pays.

Lanes go through in blocks of ``WIDTH``, copied into arrays that stay in the cache, and each block runs all stages at
hand before the next. Moves are data: a list of ways into each state (see ``model/stages.py``). States nobody can be in
are left out. The loops over lanes have a fixed length and no branches, so that they become vector instructions.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple, TypeVar, cast

import numpy as np
from numba import njit
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
WIDTH = 128
Function = TypeVar("Function", bound=Callable[..., object])
SAFE_MATH = {"contract", "reassoc", "nsz", "arcp"}


class Stages(NamedTuple):
    """Stages at hand: probabilities (row, move, lane), the row and period of each stage, and when visits are due.

    ``opens`` and ``closes`` mark the ends of a period; ``due_at`` is the row of ``due`` by stage and cycle, -1 for none;
    ``struck_at`` and ``struck`` tell the impulses alike.
    """

    p: FloatArray
    rows: IntArray
    period: IntArray
    opens: BoolArray
    closes: BoolArray
    due_at: IntArray
    due: FloatArray
    struck_at: IntArray
    struck: FloatArray
    factors: FloatArray
    mid_cycle: FloatArray


class Ways(NamedTuple):
    """Moves as data: their sources, the way each is part of, the ways into each state, and impulses (source, target).

    ``waits`` are rows (state, next state, cycles, first row held, way of staying, wait of the next state or -1); ``keeps``
    (wait, way, wait it comes from) and ``starts`` (wait, way) are the other ways into them.
    """

    sources: IntArray
    way_of_move: IntArray
    into: IntArray
    source: IntArray
    stay: IntArray
    impulses: IntArray
    waits: IntArray
    keeps: IntArray
    starts: IntArray
    tolerance: float
    rounding: float
    scaled_to: float


class Totals(NamedTuple):
    """Running sums (weighting, period, state or move, lane) and the trace (stage, state, lane; empty: not kept)."""

    starts: FloatArray
    years: FloatArray
    moves: FloatArray
    visits: FloatArray
    trace: FloatArray


class Work(NamedTuple):
    """Arrays of one block of lanes, and the list of live states and ways."""

    local: FloatArray
    ways: FloatArray
    out: FloatArray
    pair: FloatArray
    whole: FloatArray
    total: FloatArray
    starts: FloatArray
    moves: FloatArray
    summed: FloatArray
    leaving: FloatArray
    n_live: IntArray
    live: IntArray
    live_into: IntArray
    live_way: IntArray


def workspace(n_states: int, ways: Ways, n_weights: int) -> Work:
    """Arrays for one caller; threads each need their own."""
    n_ways, n_moves, n_moving = len(ways.source), len(ways.sources), len(ways.stay)

    def rows(n: int) -> FloatArray:
        return np.zeros((n, WIDTH))

    def weighted(n: int) -> FloatArray:
        return np.zeros((n_weights, n, WIDTH))

    return Work(
        local=rows(n_moves),
        ways=rows(n_ways),
        out=rows(n_states),
        pair=np.zeros((2, n_states, WIDTH)),
        whole=np.zeros(WIDTH),
        total=weighted(n_states),
        starts=weighted(n_states),
        moves=weighted(n_moves),
        summed=np.zeros(n_weights),
        leaving=rows(len(ways.waits)),
        n_live=np.zeros(1, np.int64),
        live=np.zeros(n_moving, np.int64),
        live_into=np.zeros(n_moving + 1, np.int64),
        live_way=np.zeros(n_ways, np.int64),
    )


def compiled(function: Function) -> Function:
    """Compile a function, keep it on disk, and let other threads run beside it; NaN keeps its meaning."""
    return cast("Function", njit(nogil=True, cache=True, error_model="numpy", fastmath=SAFE_MATH)(function))


@compiled
def load_stage(p: FloatArray, low: int, width: int, ways: Ways, work: Work) -> float:
    """Copy one stage's probabilities and merge them into ways; returns 0 if they keep the rules.

    A number less its absolute value is 0 unless it is negative or not a number, so one sum checks every lane.
    """
    deficit = 0.0
    local, merged, out = work.local, work.ways, work.out
    merged[:] = 0.0
    out[:] = 0.0
    for m in range(len(ways.sources)):
        given, i, t = p[m, low : low + width], ways.sources[m], ways.way_of_move[m]
        for k in range(width):
            x = given[k]
            local[m, k] = x
            out[i, k] += x
            deficit += abs(x) - x
        if t >= 0:
            for k in range(width):
                merged[t, k] += local[m, k]
    for i in range(len(ways.stay)):
        t = ways.stay[i]
        for k in range(width):
            rest = 1.0 - out[i, k]
            deficit += abs(rest + ways.tolerance) - (rest + ways.tolerance)
            merged[t, k] += rest if rest >= ways.rounding else 0.0
    return deficit


@compiled
def occupied(row: FloatArray, i: int) -> bool:
    """Whether any lane of a row is above 0."""
    held = 0.0
    for k in range(WIDTH):
        held += row[i, k]
    return held > 0.0


@compiled
def find_live(ways: Ways, work: Work) -> int:
    """List the states anybody is in or can reach, and the ways that carry somebody; returns the number of states.

    States left out are emptied, as nothing is written to them.
    """
    n, source, into = len(ways.stay), ways.source, ways.into
    inside, carries = np.zeros(n, np.bool_), np.zeros(len(source), np.bool_)
    for i in range(n):
        inside[i] = occupied(work.pair[0], i)
    for t in range(len(source)):
        carries[t] = occupied(work.ways, t)
    grew = True
    while grew:
        grew = False
        for j in range(n):
            for t in range(into[j], into[j + 1]):
                if carries[t] and inside[source[t]] and not inside[j]:
                    inside[j] = True
                    grew = True
        for k in range(len(ways.impulses)):
            if inside[ways.impulses[k, 0]] and not inside[ways.impulses[k, 1]]:
                inside[ways.impulses[k, 1]] = True
                grew = True
        for w in range(len(ways.waits)):
            if inside[ways.waits[w, 0]] and not inside[ways.waits[w, 1]]:
                inside[ways.waits[w, 1]] = True
                grew = True
    count, filled = 0, 0
    for j in range(n):
        if inside[j]:
            work.live[count], work.live_into[count] = j, filled
            count += 1
            for t in range(into[j], into[j + 1]):
                if carries[t] and inside[source[t]]:
                    work.live_way[filled] = t
                    filled += 1
    for j in range(n):
        if not inside[j]:
            work.pair[:, j] = 0.0
    work.live_into[count] = filled
    return count


@compiled
def step(
    pair: FloatArray, at: int, ways: FloatArray, source: IntArray, live: IntArray, into: IntArray, way: IntArray, count: int
) -> None:
    """Advance one cycle: each state is the sum of the ways into it, three or two at a time where there are as many."""
    to = 1 - at
    for s in range(count):
        j, first, end = live[s], into[s], into[s + 1]
        if end - first >= 3:
            a, b, c = way[first], way[first + 1], way[first + 2]
            x, y, z = source[a], source[b], source[c]
            for k in range(WIDTH):
                pair[to, j, k] = ways[a, k] * pair[at, x, k] + ways[b, k] * pair[at, y, k] + ways[c, k] * pair[at, z, k]
            first += 3
        elif end - first == 2:
            a, b = way[first], way[first + 1]
            x, y = source[a], source[b]
            for k in range(WIDTH):
                pair[to, j, k] = ways[a, k] * pair[at, x, k] + ways[b, k] * pair[at, y, k]
            first += 2
        else:
            for k in range(WIDTH):
                pair[to, j, k] = 0.0
        while first < end:
            a = way[first]
            x = source[a]
            for k in range(WIDTH):
                pair[to, j, k] += ways[a, k] * pair[at, x, k]
            first += 1


@compiled
def add_occupancy(total: FloatArray, pair: FloatArray, at: int, weights: FloatArray, cycle: int, live: IntArray, count: int) -> None:
    """Add a cycle's occupancy, weighted, to the stage's totals: (weighting, state, lane)."""
    for w in range(len(weights)):
        factor = weights[w, cycle]
        for s in range(count):
            i = live[s]
            for k in range(WIDTH):
                total[w, i, k] += factor * pair[at, i, k]


@compiled
def add_visits(
    visits: FloatArray,
    period: int,
    due: FloatArray,
    row: int,
    pair: FloatArray,
    at: int,
    weights: FloatArray,
    cycle: int,
    low: int,
    live: IntArray,
    count: int,
) -> None:
    """Add the visits due in a cycle: (weighting, state, lane)."""
    for w in range(len(weights)):
        factor = weights[w, cycle]
        for s in range(count):
            i = live[s]
            for k in range(min(WIDTH, visits.shape[3] - low)):
                visits[w, period, i, low + k] += factor * due[row, low + k] * pair[at, i, k]


@compiled
def strike(
    counts: FloatArray,
    period: int,
    shares: FloatArray,
    row: int,
    impulses: IntArray,
    pair: FloatArray,
    at: int,
    weights: FloatArray,
    cycle: int,
    low: int,
) -> None:
    """Move people at the start of a cycle, and count them after the moves: (weighting, period, move, lane)."""
    first = counts.shape[2] - len(impulses)
    for j in range(len(impulses)):
        source, target = impulses[j, 0], impulses[j, 1]
        for k in range(min(WIDTH, counts.shape[3] - low)):
            moved = shares[row, j, low + k] * pair[at, source, k]
            pair[at, source, k] -= moved
            pair[at, target, k] += moved
            for w in range(len(weights)):
                counts[w, period, first + j, low + k] += weights[w, cycle] * moved


@compiled
def thin(held: FloatArray, first: int, n: int, at: int, stay: FloatArray, scaled_to: float, low: int, width: int) -> None:
    """Keep who stays a cycle in a waiting state: their scale, until it is too small for a number."""
    scale, lowest = held[at, low : low + width], 1.0
    for k in range(width):
        scale[k] *= stay[k]
        lowest = min(lowest, scale[k])
    if lowest < scaled_to:
        for i in range(first, first + n):
            row = held[i, low : low + width]
            for k in range(width):
                row[k] *= scale[k]
        scale[:] = 1.0


@compiled
def wait(
    pair: FloatArray,
    at: int,
    ways: FloatArray,
    source: IntArray,
    waits: IntArray,
    keeps: IntArray,
    starts: IntArray,
    held: FloatArray,
    scaled_to: float,
    leaving: FloatArray,
    cycle: int,
    low: int,
) -> None:
    """Let those whose time is up go on, at the end of a cycle: as ``Waiting`` in ``model/stages.py``.

    The last rows of ``held`` are the scales of the others.
    """
    to, width, scales = 1 - at, min(WIDTH, held.shape[1] - low), len(held) - len(waits)
    for w in range(len(waits) - 1, -1, -1):
        n, first, stay = waits[w, 2], waits[w, 3], waits[w, 4]
        if len(keeps) == 0:
            thin(held, first, n, scales + w, ways[stay], scaled_to, low, width)
            continue
        for i in range(first, first + n):
            row = held[i, low : low + width]
            for k in range(width):
                row[k] *= ways[stay, k]
        for j in range(len(keeps)):
            if keeps[j, 0] == w:
                t, other = keeps[j, 1], waits[keeps[j, 2], 3]
                for i in range(n):
                    row, older = held[first + i, low : low + width], held[other + i, low : low + width]
                    for k in range(width):
                        row[k] += ways[t, k] * older[k]
    for w in range(len(waits)):
        row, scale = held[waits[w, 3] + cycle % waits[w, 2], low : low + width], held[scales + w, low : low + width]
        for k in range(width):
            leaving[w, k] = row[k] * scale[k]
            row[k] = 0.0
    for j in range(len(starts)):
        w, t = starts[j, 0], starts[j, 1]
        row, x = held[waits[w, 3] + cycle % waits[w, 2], low : low + width], source[t]
        scale = held[scales + w, low : low + width]
        for k in range(width):
            row[k] += ways[t, k] * pair[at, x, k] / scale[k]
    for w in range(len(waits)):
        state, following, goes_on = waits[w, 0], waits[w, 1], waits[w, 5]
        for k in range(width):
            pair[to, state, k] -= leaving[w, k]
            pair[to, following, k] += leaving[w, k]
        if goes_on >= 0:
            row = held[waits[goes_on, 3] + cycle % waits[goes_on, 2], low : low + width]
            scale = held[scales + goes_on, low : low + width]
            for k in range(width):
                row[k] += leaving[w, k] / scale[k]


@compiled
def run_cycles(
    pair: FloatArray,
    total: FloatArray,
    ways: FloatArray,
    weights: FloatArray,
    source: IntArray,
    live: IntArray,
    into: IntArray,
    way: IntArray,
    count: int,
    visits: FloatArray,
    period: int,
    due: FloatArray,
    due_at: IntArray,
    counts: FloatArray,
    struck: FloatArray,
    struck_at: IntArray,
    impulses: IntArray,
    waits: IntArray,
    keeps: IntArray,
    starts: IntArray,
    held: FloatArray,
    scaled_to: float,
    leaving: FloatArray,
    first_cycle: int,
    g: int,
    low: int,
) -> None:
    """All cycles of a stage; arrays come one by one, as taking them from a group costs an atomic count each time."""
    for cycle in range(weights.shape[1] - 1):
        if due_at[g, cycle] >= 0:
            add_visits(visits, period, due, due_at[g, cycle], pair, cycle % 2, weights, cycle, low, live, count)
        if struck_at[g, cycle] >= 0:
            strike(counts, period, struck, struck_at[g, cycle], impulses, pair, cycle % 2, weights, cycle, low)
        add_occupancy(total, pair, cycle % 2, weights, cycle, live, count)
        step(pair, cycle % 2, ways, source, live, into, way, count)
        if len(waits):
            wait(pair, cycle % 2, ways, source, waits, keeps, starts, held, scaled_to, leaving, first_cycle + cycle, low)


@compiled
def add_rows(to: FloatArray, rows: FloatArray, factor: float, low: int, width: int) -> None:
    """Add a block's rows, times a factor, to those of the run: (row, lane)."""
    for i in range(len(rows)):
        row = to[i, low : low + width]
        for k in range(width):
            row[k] += factor * rows[i, k]


@compiled
def fill_sink(rows: FloatArray, whole: FloatArray, times: float) -> None:
    """Give the sink, the last row, what the other states do not hold of ``times`` the whole."""
    sink = len(rows) - 1
    for k in range(WIDTH):
        rows[sink, k] = times * whole[k]
    for i in range(sink):
        for k in range(WIDTH):
            rows[sink, k] -= rows[i, k]


@compiled
def add_span(sources: IntArray, mid_cycle: FloatArray, work: Work) -> None:
    """Add a span's totals, and the flows that follow from them, to the sums of its lanes."""
    for w in range(len(mid_cycle)):
        for i in range(work.total.shape[1]):
            for k in range(WIDTH):
                work.starts[w, i, k] += work.total[w, i, k]
                work.total[w, i, k] *= mid_cycle[w]
        for m in range(len(sources)):
            i = sources[m]
            for k in range(WIDTH):
                work.moves[w, m, k] += work.local[m, k] * work.total[w, i, k]


@compiled
def open_span(ways: Ways, work: Work) -> None:
    """Find who can be where, and empty the totals."""
    work.n_live[0] = find_live(ways, work)
    work.whole[:] = 0.0
    for i in range(work.pair.shape[1]):
        work.whole[:] += work.pair[0, i]
    work.total[:] = 0.0
    work.summed[:] = 0.0


@compiled
def run_stage(
    g: int,
    low: int,
    width: int,
    opens: bool,
    ends: bool,
    stages: Stages,
    ways: Ways,
    totals: Totals,
    work: Work,
    held: FloatArray,
    first_cycle: int,
) -> float:
    """Run one stage on one block of lanes; returns 0 if its probabilities keep the rules.

    Stages in a row that share probabilities and period are a span: what follows from these is done where it opens or ends.
    """
    deficit, weights, at, pair = 0.0, stages.factors[g], stages.period[g], work.pair
    n_cycles, has_sink = weights.shape[1] - 1, len(ways.stay) < pair.shape[1]
    if opens:
        deficit = load_stage(stages.p[stages.rows[g]], low, width, ways, work)
        open_span(ways, work)
    for w in range(len(weights)):
        work.summed[w] += weights[w, :-1].sum()
        if stages.opens[g]:
            add_rows(totals.years[w, at], pair[0], -0.5 * weights[w, 0], low, width)
    run_cycles(
        pair,
        work.total,
        work.ways,
        weights,
        ways.source,
        work.live,
        work.live_into,
        work.live_way,
        work.n_live[0],
        totals.visits,
        at,
        stages.due,
        stages.due_at,
        totals.moves,
        stages.struck,
        stages.struck_at,
        ways.impulses,
        ways.waits,
        ways.keeps,
        ways.starts,
        held,
        ways.scaled_to,
        work.leaving,
        first_cycle + g * n_cycles,
        g,
        low,
    )
    if n_cycles % 2 == 1:
        pair[0] = pair[1]
    if has_sink and (ends or len(totals.trace)):
        fill_sink(pair[0], work.whole, 1.0)
    for w in range(len(weights)):
        if has_sink and ends:
            fill_sink(work.total[w], work.whole, work.summed[w])
        if stages.closes[g]:
            add_rows(totals.years[w, at], pair[0], 0.5 * weights[w, n_cycles], low, width)
    if ends:
        add_span(ways.sources, stages.mid_cycle, work)
    if len(totals.trace):
        add_rows(totals.trace[g], pair[0], 1.0, low, width)
    return deficit


@compiled
def advance_lanes(
    stages: Stages, ways: Ways, totals: Totals, work: Work, state: FloatArray, held: FloatArray, first_cycle: int
) -> float:
    """Run the stages at hand on every lane of ``state``, which ends as the last; returns 0 if all keep the rules."""
    n_lanes, n_stages, deficit = state.shape[1], len(stages.rows), 0.0
    for low in range(0, n_lanes, WIDTH):
        width = min(WIDTH, n_lanes - low)
        work.pair[:] = 0.0
        work.local[:] = 0.0
        for i in range(len(state)):
            work.pair[0, i, :width] = state[i, low : low + width]
        opens = True
        for g in range(n_stages):
            leaves = g + 1 == n_stages or stages.period[g + 1] != stages.period[g]
            ends = leaves or stages.rows[g + 1] != stages.rows[g]
            deficit += run_stage(g, low, width, opens, ends, stages, ways, totals, work, held, first_cycle)
            opens = ends
            if leaves:
                for w in range(len(work.starts)):
                    add_rows(totals.starts[w, stages.period[g]], work.starts[w], 1.0, low, width)
                    add_rows(totals.moves[w, stages.period[g]], work.moves[w], 1.0, low, width)
                work.starts[:] = 0.0
                work.moves[:] = 0.0
        for i in range(len(state)):
            state[i, low : low + width] = work.pair[0, i, :width]
    return deficit
