"""What the compiled loops are given: arrays in named groups, for ``model/kernel.py``."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
WIDTH = 128


class Stages(NamedTuple):
    """Stages at hand: probabilities (row, move, lane), the row and period of each stage, and when visits are due.

    ``opens`` and ``closes`` mark the ends of a period; ``due_at`` is the row of ``due`` by stage and cycle, -1 for none.
    """

    p: FloatArray
    rows: IntArray
    period: IntArray
    opens: BoolArray
    closes: BoolArray
    due_at: IntArray
    due: FloatArray
    factors: FloatArray
    mid_cycle: FloatArray


class Ways(NamedTuple):
    """Moves as data: their sources, the way each is part of, and the ways into each state."""

    sources: IntArray
    way_of_move: IntArray
    into: IntArray
    source: IntArray
    stay: IntArray
    tolerance: float
    rounding: float


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
        n_live=np.zeros(1, np.int64),
        live=np.zeros(n_moving, np.int64),
        live_into=np.zeros(n_moving + 1, np.int64),
        live_way=np.zeros(n_ways, np.int64),
    )
