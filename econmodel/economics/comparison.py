"""Comparisons: increments, dominance, frontier, ICER, net benefit, NNT and break-even.

NNT is 1 / (risk under the comparator - risk under the strategy) at one horizon. Net cost per first bleed averted is
``dC / ARR``; break-even NNT is ``Ce / Cp`` with ``Ce = -(dC - Cp) / ARR``. All of one horizon and discounting.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from econmodel.evidence import nnt_cost

REFERENCE, ON_FRONTIER, DOMINATED = "reference", "on_frontier", "dominated"
EXTENDEDLY_DOMINATED, DOMINATES, COSTS_LESS = "extendedly_dominated", "dominant", "less_costly_less_effective"
EQUAL, TRADE_OFF = "equal", "more_costly_more_effective"


@dataclass(frozen=True)
class FrontierRow:
    """One option on, or off, the efficiency frontier; ``icer`` against the next cheaper option on it."""

    key: str
    cost: float
    effect: float
    icer: float | None
    status: str


def rank_strategies(keys: Sequence[str], costs: Sequence[float], effects: Sequence[float]) -> list[FrontierRow]:
    """Rank options by cost and find dominance, extended dominance and the frontier's ICERs.

    Examples
    --------
    >>> rows = rank_strategies("ABCDE", [0, 1000, 1500, 1600, 4500], [0, .10, .20, .18, .30])
    >>> [(r.key, r.status, None if r.icer is None else round(r.icer)) for r in rows]
    [('A', 'reference', None), ('B', 'extendedly_dominated', None), ('C', 'on_frontier', 7500),
     ('D', 'dominated', None), ('E', 'on_frontier', 30000)]
    """
    order = sorted(range(len(keys)), key=lambda i: (costs[i], -effects[i]))
    status: dict[int, str] = {}
    frontier: list[int] = []
    for i in order:
        if frontier and effects[i] <= effects[frontier[-1]]:
            status[i] = DOMINATED
        else:
            frontier.append(i)
    frontier = _drop_extended(frontier, costs, effects, status)
    icers: dict[int, float | None] = {i: None for i in order}
    for before, i in pairwise(frontier):
        icers[i] = (costs[i] - costs[before]) / (effects[i] - effects[before])
    for position, i in enumerate(frontier):
        status[i] = ON_FRONTIER if position else REFERENCE
    return [FrontierRow(keys[i], costs[i], effects[i], icers[i], status[i]) for i in order]


def _drop_extended(frontier: list[int], costs: Sequence[float], effects: Sequence[float], status: dict[int, str]) -> list[int]:
    """Keep the lower convex hull: options whose ICER exceeds that of the next are extendedly dominated."""
    kept: list[int] = []
    for i in frontier:
        while len(kept) > 1 and _slope(kept[-2], kept[-1], costs, effects) >= _slope(kept[-1], i, costs, effects):
            status[kept.pop()] = EXTENDEDLY_DOMINATED
        kept.append(i)
    return kept


def _slope(a: int, b: int, costs: Sequence[float], effects: Sequence[float]) -> float:
    return (costs[b] - costs[a]) / (effects[b] - effects[a])


def icer(cost: float, effect: float) -> tuple[float | None, str]:
    """Incremental cost-effectiveness ratio of a pair, and its status; no ratio where one option dominates.

    Examples
    --------
    >>> icer(1000.0, 0.1)
    (10000.0, 'more_costly_more_effective')
    >>> icer(1000.0, -0.1)
    (None, 'dominated')
    """
    if cost == 0 and effect == 0:
        return None, EQUAL
    if cost <= 0 and effect >= 0:
        return None, DOMINATES
    if cost >= 0 and effect <= 0:
        return None, DOMINATED
    return cost / effect, TRADE_OFF if cost > 0 else COSTS_LESS


def nnt(arr: float, tolerance: float = 1e-12) -> dict[str, float | str | None]:
    """Turn an absolute risk reduction into a number needed to treat; none when the risks are equal.

    Examples
    --------
    >>> nnt(0.25)
    {'value': 4.0, 'kind': 'NNTB'}
    >>> nnt(-0.05)["kind"], nnt(0.0)
    ('NNTH', {'value': None, 'kind': 'none'})
    """
    if not math.isfinite(arr) or abs(arr) <= tolerance:
        return {"value": None, "kind": "none"}
    return {"value": 1.0 / abs(arr), "kind": "NNTB" if arr > 0 else "NNTH"}


def ratio(numerator: float, denominator: float, tolerance: float = 1e-12) -> float | None:
    """Quotient, or None where the denominator is nil."""
    return None if abs(denominator) <= tolerance else numerator / denominator


def break_even_nnt(incremental_cost: float, prophylaxis_cost: float, arr: float) -> float | None:
    """Break-even NNT ``Ce / Cp``; the strategy saves iff NNT is below it. None without benefit or added cost."""
    event_saving = ratio(prophylaxis_cost - incremental_cost, arr)
    if event_saving is None or arr <= 0 or prophylaxis_cost <= 0:
        return None
    return nnt_cost.break_even_nnt(prophylaxis_cost, event_saving)
