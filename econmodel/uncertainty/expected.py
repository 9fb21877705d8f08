"""Expected results: means over draws and structures, under the keys of the deterministic results.

Ratios are those of means (an ICER of mean increments, an NNT of the mean risk reduction), and options are ranked on means
alone. What is kept of each draw is here; the rest of a strategy's results stays deterministic.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from econmodel.arrays import known
from econmodel.economics.comparison import Comparison, FrontierRow, rank_strategies
from econmodel.economics.results import Compared, Results
from econmodel.records import record
from econmodel.uncertainty.probabilistic import Psa

APART = 0.05
WHY = "a value typed at the middle of a skewed input, such as the untreated risk, lies below its mean; structures count by weight"


@record
class Expected:
    """Means over the draws: strategies under the keys of the result document, comparisons and frontier."""

    strategies: Mapping[str, Mapping[str, Any]]
    comparisons: Mapping[str, Mapping[str, Compared]]
    frontier: tuple[FrontierRow, ...]

    def to_json(self) -> dict[str, Any]:
        """Give the ``expected`` block of the result document."""
        return {
            "strategies": {key: dict(found) for key, found in self.strategies.items()},
            "comparisons": {v: {key: found.to_json() for key, found in block.items()} for v, block in self.comparisons.items()},
            "frontier": [row.to_json() for row in self.frontier],
        }

    def apart(self, results: Results, versus: str, key: str) -> list[tuple[str, float, float]]:
        """Name each figure with its expected and its deterministic value: net costs, QALYs gained, net benefit and risk reduction."""
        expected, certain = self.comparisons[versus][key], results.comparisons[versus][key]
        return [(name, figures(expected)[name], value) for name, value in figures(certain).items()]


def figures(found: Compared) -> dict[str, float]:
    """What decides, of one comparison; no net benefit without a threshold."""
    now, whole = found.headline, found.whole
    return {
        "net_cost": now.incremental_cost,
        "net_cost_lifetime": whole.incremental_cost,
        "qalys": whole.incremental_qalys,
        **({} if (benefit := whole.net_monetary_benefit) is None else {"net_benefit": benefit}),
        "arr": now.arr_at_end,
    }


def differs(expected: float, certain: float) -> bool:
    """Whether two figures differ by more than 5% of the expected one."""
    return abs(expected - certain) > APART * abs(expected)


def expected_of(psa: Psa) -> Expected:
    """Take means over the draws."""
    cost, qalys = ([float(psa.column(name, s).mean()) for s in range(len(psa.keys))] for name in ("cost", "qalys"))
    return Expected(
        {key: _strategy(psa, key) for key in psa.keys},
        {versus: {key: _compared(psa, key, versus) for key in psa.keys if key != versus} for versus in psa.comparators},
        tuple(rank_strategies(psa.keys, cost, qalys)),
    )


def _compared(psa: Psa, key: str, versus: str) -> Compared:
    def mean(*, headline: bool) -> Comparison[float]:
        return psa.compare(key, versus, headline=headline).mean()

    return Compared(mean(headline=False), mean(headline=True) if psa.headline_years <= psa.risk_years[-1] else None)


def _strategy(psa: Psa, key: str) -> dict[str, Any]:
    s = psa.keys.index(key)
    means = {name: float(psa.column(name, s).mean()) for name in psa.outcomes}
    return {
        "label": psa.parameters.strategies[key].label,
        "cost": {"total": means["cost"], "by_category": {"prophylaxis": means["prophylaxis_cost"]}},
        "cost_five_years": {"total": means["cost_headline"], "by_category": {"prophylaxis": means["prophylaxis_cost_headline"]}},
        "life_years": means["life_years"],
        "qalys": means["qalys"],
        "first_bleed_risk": {str(year): known(means[f"first_bleed_risk_{year}"]) for year in psa.risk_years},
        "bleeds": means["bleeds"],
        "deaths": {cause: means[f"deaths_{cause}"] for cause in ("bleed", "procedure")},
        "sessions": means["sessions"],
    }
