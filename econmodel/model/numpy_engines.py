"""The two cohort engines written with NumPy.

With few lanes the cost is the number of calls, so a cycle is three of them; with many it is memory, so the engine works
in place on slices of lanes that fit the cache.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from econmodel.model.stages import ROUNDING, TOLERANCE, Moves, Run, StageBlock, Waiting, inflows, refuse

FloatArray = NDArray[np.float64]
SLICE = 5000


def alike(initial: FloatArray, width: int) -> list[slice]:
    """Slices of about ``width`` lanes at most, cut where the state most start in changes, unless that leaves crumbs.

    Lanes that start alike leave the same states empty, which need no work.
    """
    most, n_lanes = initial.argmax(axis=0), initial.shape[1]
    cuts = [0]
    for cut in [*(np.flatnonzero(np.diff(most)) + 1).tolist(), n_lanes]:
        if cut == n_lanes or (cut - cuts[-1] >= width // 4 and n_lanes - cut >= width // 4):
            parts = -(-(cut - cuts[-1]) // width)
            cuts += [cuts[-1] + (cut - cuts[-1]) * (k + 1) // parts for k in range(parts)]
    return [slice(low, high) for low, high in pairwise(cuts)]


class SlicedEngine:
    """Runs blocks of stages on slices of lanes that fit the cache."""

    def __init__(self, run: Run, initial: FloatArray) -> None:
        self.run = run
        self.slices = alike(initial, SLICE)
        self.waiting = Waiting(run.moves, initial)
        width = max(lanes.stop - lanes.start for lanes in self.slices)
        self.occupancy = np.zeros((run.schedule.cycles_per_stage + 1, run.moves.n_states, width))

    def advance(self, block: StageBlock, state: FloatArray, first_stage: int) -> FloatArray:
        """Run a block, add to the sums and return the occupancy at its end: (state, lane)."""
        end = np.empty_like(state)
        for lanes in self.slices:
            now, live, last = state[:, lanes], None, -1
            for k, row in enumerate(block.rows):
                p = block.p[row][:, lanes]
                if live is None or row != last:
                    live, last = _Live(self.run.moves, _ways_in(self.run.moves, p, first_stage + k), now), row
                now = self._stage(p, live, now, first_stage + k, lanes)
            end[:, lanes] = now
        return end

    def _stage(self, p: FloatArray, live: _Live, first: FloatArray, stage: int, lanes: slice) -> FloatArray:
        """Run one stage on one slice; only states that anybody can be in are touched."""
        run, schedule, n = self.run, self.run.schedule, self.run.moves.n_moving
        factors, period, occupancy = schedule.factors[stage], schedule.period_of_stage[stage], self.occupancy
        occupancy = occupancy[:, :, : p.shape[1]]
        occupancy[0] = first
        occupancy[1:, [i for i, _ in run.moves.impulses if i not in live.states]] = 0.0
        flow, seen, struck = np.empty(p.shape[1]), run.visits(stage), run.impulses(stage)
        for cycle, (now, after) in enumerate(pairwise(occupancy)):
            if cycle in seen:
                for i in live.states:
                    run.sums.visits[:, period, i, lanes] += factors[:, cycle, None] * (seen[cycle][lanes] * now[i])
            if cycle in struck:
                run.strike(struck[cycle], now, period, factors[:, cycle], lanes)
            live.step(now, after, flow)
            if live.waits:
                self.waiting.advance(live.ways, now, after, stage * schedule.cycles_per_stage + cycle, lanes)
        end, total = np.zeros_like(first), np.zeros((len(factors), *first.shape))
        for i in live.states:
            end[i] = occupancy[-1, i]
            np.einsum("wc,cl->wl", factors[:, :-1], occupancy[:-1, i], out=total[:, i])
        if n < len(first):
            whole = first.sum(axis=0)
            end[n] = whole - end[:n].sum(axis=0)
            total[:, n] = factors[:, :-1].sum(axis=1)[:, None] * whole - total[:, :n].sum(axis=1)
        self._add(p, total, live.states, period, lanes)
        run.note_boundary(stage, first, end, lanes)
        return end

    def _add(self, p: FloatArray, total: FloatArray, states: list[int], period: int, lanes: slice) -> None:
        """Add the summed occupancy of one stage, and the flows that follow from it."""
        sums, moves = self.run.sums, self.run.moves
        for w, mid_cycle in enumerate(self.run.schedule.mid_cycle):
            sums.starts[w, period, :, lanes] += total[w]
            total[w] *= mid_cycle
            flow, counts = np.empty(p.shape[1]), sums.moves[w, period, :, lanes]
            for m, source in enumerate(moves.sources):
                if source in states:
                    counts[m] += np.multiply(p[m], total[w, source], flow)


class _Live:
    """Ways that carry anybody during a stage: their source is occupied, or reached from one that is."""

    def __init__(self, moves: Moves, ways: list[FloatArray], first: FloatArray) -> None:
        plan = inflows(moves)
        sources, into, stay = plan.source.tolist(), plan.into.tolist(), plan.stay.tolist()
        carries = [bool(way[0]) or bool(way.any()) for way in ways]
        states = {i for i in range(moves.n_moving) if first[i, 0] or first[i].any()}
        while True:
            reached = {j for j in range(moves.n_moving) for t in range(into[j], into[j + 1]) if carries[t] and sources[t] in states}
            reached |= {target for source, target in moves.impulses if source in states}
            reached |= {target for state, target, _ in moves.waits if state in states}
            if reached <= states:
                break
            states |= reached
        self.states, self.ways = sorted(states), ways
        self.waits = any(state in states for state, _, _ in moves.waits)
        self.into = [
            (
                j,
                [(sources[t], ways[t]) for t in range(into[j], into[j + 1]) if carries[t] and sources[t] in states]
                or [(j, ways[stay[j]])],
            )
            for j in self.states
        ]

    def step(self, now: FloatArray, after: FloatArray, flow: FloatArray) -> None:
        """Advance one cycle: the occupancy of each state is the sum of the ways into it."""
        multiply, add, rows = np.multiply, np.add, list(now)
        for j, ways in self.into:
            to = after[j]
            for position, (source, way) in enumerate(ways):
                if position:
                    multiply(way, rows[source], flow)
                    add(to, flow, to)
                else:
                    multiply(way, rows[source], to)


def _ways_in(moves: Moves, p: FloatArray, stage: int) -> list[FloatArray]:
    """Probability of each way in, each (lane,), after a check of all of them."""
    plan, stay = inflows(moves), np.ones((moves.n_states, p.shape[1]))
    ways: list[FloatArray | None] = [None] * len(plan.source)
    for m, (way, source) in enumerate(zip(plan.way_of_move.tolist(), moves.sources, strict=True)):
        stay[source] -= p[m]
        if way >= 0:
            before = ways[way]
            ways[way] = p[m] if before is None else before + p[m]
    if not (p.min() >= 0 and stay.min() >= -TOLERANCE):
        refuse(moves, p, stage)
    stay[stay < ROUNDING] = 0.0
    for i, way in enumerate(plan.stay.tolist()):
        back = ways[way]
        ways[way] = stay[i] if back is None else stay[i] + back
    return [way for way in ways if way is not None]


class FewLanesEngine:
    """Runs blocks of stages where calls cost more than memory."""

    def __init__(self, run: Run, initial: FloatArray) -> None:
        self.run, self.waiting = run, Waiting(run.moves, initial)

    def advance(self, block: StageBlock, state: FloatArray, first_stage: int) -> FloatArray:
        """Run a block, add to the sums and return the occupancy at its end: (state, lane)."""
        run, moves, rows = self.run, self.run.moves, list(block.rows)
        factors = run.schedule.factors[first_stage : first_stage + len(rows)]
        n_cycles = factors.shape[2] - 1
        ways = _all_ways_in(moves, block.p, rows, first_stage)
        occupancy, before = self._trajectory(ways, rows, n_cycles, state, first_stage)
        within = occupancy[:-1].reshape(len(rows), n_cycles, -1)
        total = np.matmul(factors[:, :, :-1], within).reshape(len(rows), factors.shape[1], *state.shape)
        flows = block.p[rows][:, None] * total[:, :, list(moves.sources)] * run.schedule.mid_cycle[:, None, None]
        n, n_moves = moves.n_moving, len(moves.sources)
        for k in range(len(rows)):
            period = run.schedule.period_of_stage[first_stage + k]
            run.sums.starts[:, period] += total[k]
            run.sums.moves[:, period, :n_moves] += flows[k]
            for cycle, due in run.visits(first_stage + k).items():
                at = k * n_cycles + cycle
                run.sums.visits[:, period, :n] += factors[k, :, cycle, None, None] * due * before.get(at, occupancy[at])[:n]
            first, end = (before.get(at, occupancy[at]) for at in (k * n_cycles, (k + 1) * n_cycles))
            run.note_boundary(first_stage + k, first, end)
        return np.array(occupancy[-1])

    def _trajectory(
        self, q: FloatArray, rows: list[int], n_cycles: int, state: FloatArray, first_stage: int
    ) -> tuple[FloatArray, dict[int, FloatArray]]:
        """Occupancy at every cycle's start, after its impulses, and at the end: (cycle + 1, state, lane); and before impulses."""
        run, plan = self.run, inflows(self.run.moves)
        occupancy = np.empty((len(rows) * n_cycles + 1, *state.shape))
        occupancy[0], n = state, len(plan.stay)
        before: dict[int, FloatArray] = {}
        flow = np.empty((len(plan.source), state.shape[1]))
        for k, row in enumerate(rows):
            ways, stage = q[row], first_stage + k
            struck = run.impulses(stage)
            for cycle in range(n_cycles):
                at = k * n_cycles + cycle
                if cycle in struck:
                    before[at] = occupancy[at].copy()
                    run.strike(
                        struck[cycle], occupancy[at], run.schedule.period_of_stage[stage], run.schedule.factors[stage, :, cycle]
                    )
                occupancy[at].take(plan.source, axis=0, out=flow, mode="clip")
                np.multiply(flow, ways, out=flow)
                np.add.reduceat(flow, plan.into[:-1], axis=0, out=occupancy[at + 1, :n])
                if run.moves.waits:
                    self.waiting.advance(ways, occupancy[at], occupancy[at + 1], stage * n_cycles + cycle)
        if n < len(state):
            whole = state.sum(axis=0)
            occupancy[1:, n] = whole - occupancy[1:, :n].sum(axis=1)
            for found in before.values():
                found[n] = whole - found[:n].sum(axis=0)
        return occupancy, before


def _all_ways_in(moves: Moves, p: FloatArray, rows: list[int], first_stage: int) -> FloatArray:
    """Probability of each way in, after a check of all of them: (row, way, lane)."""
    plan = inflows(moves)
    q, out = np.zeros((len(p), len(plan.source), p.shape[2])), np.zeros((len(p), moves.n_states, p.shape[2]))
    for m, (way, source) in enumerate(zip(plan.way_of_move, moves.sources, strict=True)):
        out[:, source] += p[:, m]
        if way >= 0:
            q[:, way] += p[:, m]
    if not (p.min() >= 0 and out.max() <= 1 + TOLERANCE):
        for k, row in enumerate(rows):
            refuse(moves, p[row], first_stage + k)
    stay = 1.0 - out[:, : len(plan.stay)]
    stay[stay < ROUNDING] = 0.0
    q[:, plan.stay] += stay
    return q
