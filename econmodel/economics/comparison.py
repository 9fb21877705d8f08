"""Comparisons: increments, bleeds averted, NNT, ICER, net benefit, break-even, dominance and frontier, each defined here alone.

One :class:`Comparison` serves every analysis. Its figures are numbers or arrays of draws, all of one horizon and one
discounting: increments are the strategy's total less the comparator's, what is averted the comparator's less the
strategy's. Ratios (ICER, NNT, break-even NNT, net cost per bleed averted) are those of means: never means of ratios.
An ARR becomes an NNT, and costs a break-even NNT, in ``evidence.nnt``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any, Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

from econmodel.arrays import choose, known
from econmodel.evidence import nnt as evidence_nnt
from econmodel.evidence.nnt import NumberNeededToTreat
from econmodel.records import record

REFERENCE, ON_FRONTIER, DOMINATED = "reference", "on_frontier", "dominated"
EXTENDEDLY_DOMINATED, DOMINATES, COSTS_LESS = "extendedly_dominated", "dominant", "less_costly_less_effective"
EQUAL, TRADE_OFF = "equal", "more_costly_more_effective"
NIL = 1e-12
FloatArray = NDArray[np.float64]
Figure = TypeVar("Figure", float, FloatArray)


@record
class Totals(Generic[Figure]):
    """What one strategy comes to per patient over one horizon; each a number, or (draw,).

    ``first_bleed_risk`` is cumulative, by years since start up to the horizon, which is its last year. Costs, QALYs and
    life-years are discounted; bleeds are not.
    """

    cost: Figure
    prophylaxis_cost: Figure
    qalys: Figure
    life_years: Figure
    bleeds: Figure
    gastric_first_bleeds: Figure
    first_bleed_risk: Mapping[int, Figure]

    def mean(self: Totals[FloatArray]) -> Totals[float]:
        """Means over the draws."""
        figures = {name: float(value.mean()) for name, value in vars(self).items() if isinstance(value, np.ndarray)}
        return Totals(**figures, first_bleed_risk={year: float(risk.mean()) for year, risk in self.first_bleed_risk.items()})


@record
class Comparison(Generic[Figure]):
    """One strategy against one comparator over the horizon of their totals; figures are numbers, or (draw,).

    ``versus`` is the comparator's key, ``threshold`` what a QALY is worth; None where that is not said.
    """

    versus: str
    threshold: float | None
    strategy: Totals[Figure]
    comparator: Totals[Figure]

    @property
    def incremental_cost(self) -> Figure:
        """Net cost per patient."""
        return self.strategy.cost - self.comparator.cost

    @property
    def incremental_prophylaxis_cost(self) -> Figure:
        """Net cost of prophylaxis alone, ``Cp``."""
        return self.strategy.prophylaxis_cost - self.comparator.prophylaxis_cost

    @property
    def incremental_qalys(self) -> Figure:
        """QALYs gained."""
        return self.strategy.qalys - self.comparator.qalys

    @property
    def incremental_life_years(self) -> Figure:
        """Life-years gained."""
        return self.strategy.life_years - self.comparator.life_years

    @property
    def net_monetary_benefit(self) -> Figure | None:
        """Incremental net monetary benefit, ``threshold x dQALY - dC``; None without a threshold."""
        return None if self.threshold is None else self.threshold * self.incremental_qalys - self.incremental_cost

    @property
    def bleeds_averted(self) -> Figure:
        """Bleeds averted per patient, first and again, any source."""
        return self.comparator.bleeds - self.strategy.bleeds

    @property
    def bleeds_averted_per_100(self) -> Figure:
        """All bleeds averted per 100 patients."""
        return 100 * self.bleeds_averted

    @property
    def gastric_first_bleeds_averted_per_100(self) -> Figure:
        """Gastric first bleeds averted per 100 patients."""
        return 100 * (self.comparator.gastric_first_bleeds - self.strategy.gastric_first_bleeds)

    @property
    def arr(self) -> dict[int, Figure]:
        """Absolute risk reduction of a first bleed, death competing, by years since start."""
        treated, untreated = self.strategy.first_bleed_risk, self.comparator.first_bleed_risk
        return {year: untreated[year] - treated[year] for year in treated}

    @property
    def arr_at_end(self) -> Figure:
        """ARR of a first bleed by the end of the horizon."""
        last = max(self.strategy.first_bleed_risk)
        return self.comparator.first_bleed_risk[last] - self.strategy.first_bleed_risk[last]

    def mean(self: Comparison[FloatArray]) -> Comparison[float]:
        """Compare the means over the draws: of one draw, that draw itself."""
        return Comparison(self.versus, self.threshold, self.strategy.mean(), self.comparator.mean())

    @property
    def icer(self: Comparison[float]) -> float | None:
        """Incremental cost per QALY gained; None where one option dominates."""
        return icer(self.incremental_cost, self.incremental_qalys)[0]

    @property
    def icer_status(self: Comparison[float]) -> str:
        """Where the increments stand on the cost-effectiveness plane."""
        return icer(self.incremental_cost, self.incremental_qalys)[1]

    @property
    def nnt(self: Comparison[float]) -> dict[int, NumberNeededToTreat]:
        """Patients treated per first bleed averted, by years since start."""
        return {year: NumberNeededToTreat(arr, years=year) for year, arr in self.arr.items()}

    @property
    def patients_per_bleed_averted(self: Comparison[float]) -> NumberNeededToTreat:
        """Patients treated per bleed averted, first and again: another number than the NNT."""
        return NumberNeededToTreat(self.bleeds_averted)

    @property
    def first_bleed_cost(self: Comparison[float]) -> float | None:
        """What averting one first bleed saves, ``Ce = -(dC - Cp) / ARR``: it holds rebleeds, aftercare and longer life."""
        return ratio(self.incremental_prophylaxis_cost - self.incremental_cost, self.arr_at_end)

    @property
    def break_even_nnt(self: Comparison[float]) -> float | None:
        """NNT below which the strategy saves, ``Ce / Cp``; None without benefit or added cost of prophylaxis."""
        return break_even_nnt(self.incremental_prophylaxis_cost, self.first_bleed_cost, self.arr_at_end)

    @property
    def net_cost_per_first_bleed_averted(self: Comparison[float]) -> float | None:
        """Net cost over ARR, ``dC / ARR``."""
        return ratio(self.incremental_cost, self.arr_at_end)

    @property
    def net_cost_per_any_bleed_averted(self: Comparison[float]) -> float | None:
        """Net cost over all bleeds averted."""
        return ratio(self.incremental_cost, self.bleeds_averted)

    @property
    def as_effective(self: Comparison[float]) -> bool:
        """Whether the two are about as effective."""
        return as_effective(self.strategy.qalys, self.comparator.qalys)

    @property
    def saves(self: Comparison[float]) -> bool:
        """Whether the strategy costs less than its comparator."""
        return self.incremental_cost < 0

    def to_json(self: Comparison[float]) -> dict[str, Any]:
        """Give the block of the result document."""
        return {
            "versus": self.versus,
            "incremental_cost": self.incremental_cost,
            "incremental_life_years": self.incremental_life_years,
            "incremental_qalys": self.incremental_qalys,
            "icer": self.icer,
            "icer_status": self.icer_status,
            "net_monetary_benefit": self.net_monetary_benefit,
            "bleeds_averted_per_100": self.bleeds_averted_per_100,
            "gastric_first_bleeds_averted_per_100": known(self.gastric_first_bleeds_averted_per_100),
            "arr": {str(year): known(arr) for year, arr in self.arr.items()},
            "nnt": {str(year): nnt.to_json() for year, nnt in self.nnt.items()},
            "patients_per_bleed_averted": self.patients_per_bleed_averted.to_json(),
            "incremental_prophylaxis_cost": self.incremental_prophylaxis_cost,
            "break_even_nnt": self.break_even_nnt,
            "net_cost_per_first_bleed_averted": self.net_cost_per_first_bleed_averted,
            "net_cost_per_any_bleed_averted": self.net_cost_per_any_bleed_averted,
            "saves": self.saves,
        }


@record
class FrontierRow:
    """One option on, or off, the efficiency frontier; ``icer`` against the next cheaper option on it."""

    key: str
    cost: float
    effect: float
    icer: float | None
    status: str

    def to_json(self) -> dict[str, Any]:
        """Give the row of the result document."""
        return {"key": self.key, "cost": self.cost, "qalys": self.effect, "icer": self.icer, "status": self.status}


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
    equal = (cost == 0) & (effect == 0)
    gains, loses = (cost <= 0) & (effect >= 0), (cost >= 0) & (effect <= 0)
    value = choose(gains | loses, lambda: None, lambda: cost / effect)
    traded = choose(cost > 0, lambda: TRADE_OFF, lambda: COSTS_LESS)
    one_sided = choose(gains, lambda: DOMINATES, lambda: choose(loses, lambda: DOMINATED, lambda: traded))
    return value, choose(equal, lambda: EQUAL, lambda: one_sided)


def as_effective(one: float, other: float) -> bool:
    """Whether QALYs differ by less than matters: one in 200, as risks whose NNT is told as about equal.

    Examples
    --------
    >>> as_effective(6.3821, 6.3806), as_effective(6.38, 6.21)
    (True, False)
    """
    return abs(one - other) < evidence_nnt.ABOUT_EQUAL


def ratio(numerator: float, denominator: float, tolerance: float = NIL) -> float | None:
    """Quotient, or None where the denominator is nil, or does not apply."""
    return choose(abs(denominator) > tolerance, lambda: numerator / denominator, lambda: None)  # type: ignore[no-any-return]


def break_even_nnt(prophylaxis_cost: float, event_cost: float | None, arr: float) -> float | None:
    """NNT below which a strategy saves, ``Ce / Cp``; None without benefit or added cost of prophylaxis."""

    def found() -> float | None:
        assert event_cost is not None
        return evidence_nnt.break_even_nnt(prophylaxis_cost, event_cost)

    return choose((arr > NIL) & (prophylaxis_cost > 0), found, lambda: None)  # type: ignore[no-any-return]
