"""The cohort engine's inner loops, compiled by numba; imported only where numba is installed and pays.

Lanes go through in blocks of ``WIDTH``, copied into arrays that stay in the cache, and each block runs all stages at
hand before the next. Moves are data: a list of ways into each state (see ``model/stages.py``). States nobody can be in
are left out. The loops over lanes have a fixed length and no branches, so that they become vector instructions.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar, cast

import numpy as np
from numba import njit

from econmodel.model.kernel_data import WIDTH, FloatArray, IntArray, Stages, Totals, Ways, Work

Function = TypeVar("Function", bound=Callable[..., object])
SAFE_MATH = {"contract", "reassoc", "nsz", "arcp"}


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
    """List the states anybody is in or can reach, and the ways that carry somebody; returns the number of states."""
    n, source, into = len(ways.stay), ways.source, ways.into
    inside, carries = np.zeros(n, np.bool_), np.zeros(len(source), np.bool_)
    for i in range(n):
        inside[i] = occupied(work.first, i)
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
    count, filled = 0, 0
    for j in range(n):
        if inside[j]:
            work.live[count], work.live_into[count] = j, filled
            count += 1
            for t in range(into[j], into[j + 1]):
                if carries[t] and inside[source[t]]:
                    work.live_way[filled] = t
                    filled += 1
    work.live_into[count] = filled
    return count


@compiled
def step(now: FloatArray, after: FloatArray, ways: FloatArray, source: IntArray, work: Work, count: int) -> None:
    """Advance one cycle: each state is the sum of the ways into it, three or two at a time where there are as many."""
    for s in range(count):
        j, first, end = work.live[s], work.live_into[s], work.live_into[s + 1]
        if end - first >= 3:
            a, b, c = work.live_way[first], work.live_way[first + 1], work.live_way[first + 2]
            x, y, z = source[a], source[b], source[c]
            for k in range(WIDTH):
                after[j, k] = ways[a, k] * now[x, k] + ways[b, k] * now[y, k] + ways[c, k] * now[z, k]
            first += 3
        elif end - first == 2:
            a, b = work.live_way[first], work.live_way[first + 1]
            x, y = source[a], source[b]
            for k in range(WIDTH):
                after[j, k] = ways[a, k] * now[x, k] + ways[b, k] * now[y, k]
            first += 2
        else:
            for k in range(WIDTH):
                after[j, k] = 0.0
        while first < end:
            a = work.live_way[first]
            x = source[a]
            for k in range(WIDTH):
                after[j, k] += ways[a, k] * now[x, k]
            first += 1


@compiled
def add_occupancy(total: FloatArray, now: FloatArray, weights: FloatArray, cycle: int, live: IntArray, count: int) -> None:
    """Add a cycle's occupancy, weighted, to the stage's totals: (weighting, state, lane)."""
    for w in range(len(weights)):
        factor = weights[w, cycle]
        for s in range(count):
            i = live[s]
            for k in range(WIDTH):
                total[w, i, k] += factor * now[i, k]


@compiled
def add_rows(to: FloatArray, rows: FloatArray, factor: float, low: int, width: int) -> None:
    """Add a block's rows, times a factor, to those of the run: (row, lane)."""
    for i in range(len(rows)):
        row = to[i, low : low + width]
        for k in range(width):
            row[k] += factor * rows[i, k]


@compiled
def add_visits(
    visits: FloatArray, due: FloatArray, now: FloatArray, weights: FloatArray, cycle: int, low: int, width: int, work: Work, count: int
) -> None:
    """Add the visits due in a cycle: (weighting, state, lane)."""
    row = due[low : low + width]
    for w in range(len(weights)):
        for s in range(count):
            to, i = visits[w, work.live[s], low : low + width], work.live[s]
            for k in range(width):
                to[k] += weights[w, cycle] * row[k] * now[i, k]


@compiled
def fill_sink(last: FloatArray, weights: FloatArray, work: Work) -> None:
    """Give the sink what the other states do not hold, at the end and in the totals."""
    sink, whole, total = len(last) - 1, work.whole, work.total
    whole[:] = 0.0
    for i in range(sink + 1):
        for k in range(WIDTH):
            whole[k] += work.first[i, k]
    last[sink, :] = whole
    for i in range(sink):
        for k in range(WIDTH):
            last[sink, k] -= last[i, k]
    for w in range(len(total)):
        summed = weights[w, :-1].sum()
        for k in range(WIDTH):
            total[w, sink, k] = summed * whole[k]
        for i in range(sink):
            for k in range(WIDTH):
                total[w, sink, k] -= total[w, i, k]


@compiled
def add_stage(sources: IntArray, mid_cycle: FloatArray, work: Work) -> None:
    """Add a stage's totals, and the flows that follow from them, to the block's sums."""
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
def run_stage(g: int, low: int, width: int, stages: Stages, ways: Ways, totals: Totals, work: Work) -> float:
    """Run one stage on one block of lanes; returns 0 if its probabilities keep the rules."""
    deficit = load_stage(stages.p[stages.rows[g]], low, width, ways, work)
    weights, at, n_cycles = stages.factors[g], stages.period[g], stages.factors.shape[2] - 1
    work.here[:] = work.first
    work.there[:] = 0.0
    work.total[:] = 0.0
    count = find_live(ways, work)
    for cycle in range(n_cycles):
        now, after = (work.here, work.there) if cycle % 2 == 0 else (work.there, work.here)
        add_occupancy(work.total, now, weights, cycle, work.live, count)
        if stages.due_at[g, cycle] >= 0:
            due = stages.due[stages.due_at[g, cycle]]
            add_visits(totals.visits[:, at], due, now, weights, cycle, low, width, work, count)
        step(now, after, work.ways, ways.source, work, count)
    last = work.here if n_cycles % 2 == 0 else work.there
    if len(ways.stay) < len(last):
        fill_sink(last, weights, work)
    add_stage(ways.sources, stages.mid_cycle, work)
    for w in range(len(weights)):
        if stages.opens[g]:
            add_rows(totals.years[w, at], work.first, -0.5 * weights[w, 0], low, width)
        if stages.closes[g]:
            add_rows(totals.years[w, at], last, 0.5 * weights[w, n_cycles], low, width)
    if len(totals.trace):
        add_rows(totals.trace[g], last, 1.0, low, width)
    work.first[:] = last
    return deficit


@compiled
def advance_lanes(stages: Stages, ways: Ways, totals: Totals, work: Work, state: FloatArray) -> float:
    """Run the stages at hand on every lane of ``state``, which ends as the last; returns 0 if all keep the rules."""
    n_lanes, deficit = state.shape[1], 0.0
    for low in range(0, n_lanes, WIDTH):
        width = min(WIDTH, n_lanes - low)
        work.first[:] = 0.0
        work.local[:] = 0.0
        for i in range(len(state)):
            work.first[i, :width] = state[i, low : low + width]
        for g in range(len(stages.rows)):
            deficit += run_stage(g, low, width, stages, ways, totals, work)
            if g + 1 == len(stages.rows) or stages.period[g + 1] != stages.period[g]:
                for w in range(len(work.starts)):
                    add_rows(totals.starts[w, stages.period[g]], work.starts[w], 1.0, low, width)
                    add_rows(totals.moves[w, stages.period[g]], work.moves[w], 1.0, low, width)
                work.starts[:] = 0.0
                work.moves[:] = 0.0
        for i in range(len(state)):
            state[i, low : low + width] = work.first[i, :width]
    return deficit
