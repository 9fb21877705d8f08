"""What the programme's charts show: cumulative cash, bleeds with and without; nothing is drawn here."""

from __future__ import annotations

from dataclasses import field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from econmodel.programme.budget import Budget
from econmodel.programme.money.finance import by_year
from econmodel.records import record

FloatArray = NDArray[np.float64]
FAN = (0.025, 0.25, 0.5, 0.75, 0.975)


@record
class CumulativeCash:
    """Cumulative net cash by quarter, from the start.

    Attributes
    ----------
    year
        Time in years, 0 the start.
    base, best, worst
        The case; the favourable one (volume +50%, payment +20%, no delay); the three worst downside rows together, empty without them.
    fan
        Quantile over draws to its line; empty without draws.
    """

    year: tuple[float, ...]
    base: tuple[float, ...]
    best: tuple[float, ...]
    worst: tuple[float, ...]
    fan: dict[float, tuple[float, ...]] = field(default_factory=dict)

    def to_json(self) -> list[dict[str, float]]:
        """Give one row a quarter, quantiles as ``q2.5`` to ``q97.5``."""
        columns = {"year": self.year, "base": self.base, "best": self.best} | ({"worst": self.worst} if self.worst else {})
        columns |= {f"q{100 * q:g}": line for q, line in self.fan.items()}
        return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]


@record
class BleedsYear:
    """Bleeds (first and again) among those who start, without and with the programme, and their cumulative."""

    year: int
    without_programme: float
    with_programme: float
    cumulative_without: float
    cumulative_with: float

    def to_json(self) -> dict[str, Any]:
        """Give the year for JSON."""
        return {
            "year": self.year,
            "without": self.without_programme,
            "with": self.with_programme,
            "cumulative_without": self.cumulative_without,
            "cumulative_with": self.cumulative_with,
        }


def cumulative_cash(budget: Budget, best: Budget, worst: Budget | None, draws: Budget | None) -> CumulativeCash:
    """Lay out cumulative cash of the case between its best and worst, with the fan where there are draws."""
    year = np.arange(4 * budget.inputs.n_budget_years + 1) / 4.0
    base_line, best_line, worst_line = (tuple(b.cash_line.mean(axis=0).tolist()) if b else () for b in (budget, best, worst))
    fan = {}
    if draws is not None:
        found = np.quantile(draws.cash_line, FAN, axis=0)
        fan = {q: tuple(line.tolist()) for q, line in zip(FAN, found, strict=True)}
    return CumulativeCash(tuple(year.tolist()), base_line, best_line, worst_line, fan)


def bleeds_by_year(budget: Budget) -> tuple[BleedsYear, ...]:
    """Count bleeds by year among those who start, without and with the programme."""
    activity = budget.activity
    without, with_ = (
        by_year(activity.total(array, "first_bleeds", "rebleeds").mean(axis=0)) for array in (activity.current, activity.proposed)
    )
    columns = (without, with_, without.cumsum(), with_.cumsum())
    return tuple(BleedsYear(y, *row) for y, row in enumerate(zip(*(c.tolist() for c in columns), strict=True), start=1))
