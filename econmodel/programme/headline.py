"""Headline numbers of a budget, one value for each draw, and their intervals over draws."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, replace
from typing import Any, Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

from econmodel.programme.budget import MONTHS, Budget
from econmodel.programme.capacity import beds
from econmodel.programme.money import finance
from econmodel.programme.money.rows import Row
from econmodel.records import record
from econmodel.wording import duration

FloatArray = NDArray[np.float64]
Number = TypeVar("Number")
Perhaps = TypeVar("Perhaps")
YEAR_OF_CONTRIBUTION = 3


@record
class HeadlineNumbers(Generic[Number, Perhaps]):
    """The numbers a decision starts from, two of which need not exist; year 3 is the last year of a shorter budget."""

    patients_per_year: Number
    bleeds_averted: Number
    peak_cash: Number
    year_3_net_contribution: Number
    npv_cash: Number
    npv_with_capacity: Number
    irr: Perhaps
    payback_years: Perhaps
    net_cash: Number
    operating_cash: Number
    bed_days_released: Number
    beds_in_last_year: Number


@record
class Headline(HeadlineNumbers[float, float | None]):
    """Headline of a deterministic budget, with words where a number does not exist (None)."""

    budget_years: int

    @property
    def irr_text(self) -> str:
        """Internal rate of return in words."""
        return "no single IRR" if self.irr is None else f"{self.irr:.1%}"

    @property
    def payback_text(self) -> str:
        """Payback in words."""
        if self.payback_years is None:
            return f"not within {duration(self.budget_years)}"
        return f"{self.payback_years:.1f} years" if self.payback_years else "at once"

    def to_json(self) -> dict[str, Any]:
        """Give the numbers and words for JSON."""
        numbers = asdict(self)
        del numbers["budget_years"]
        return numbers | {"irr_text": self.irr_text, "payback_text": self.payback_text}


@record
class Spread:
    """Spread of a number over the draws that have one; None where none has."""

    mean: float | None
    median: float | None
    low: float | None
    high: float | None
    share_without_answer: float


@record
class ProgrammeUncertainty:
    """Spread of every headline at a level of coverage, and the chance of a loss in cash: a net present value below 0."""

    draws: int
    level: float
    spread: HeadlineNumbers[Spread, Spread]
    probability_cash_loss: float
    probability_cash_loss_se: float

    def to_json(self) -> dict[str, Any]:
        """Give the spreads and the chance for JSON."""
        chance = {"probability_cash_loss": self.probability_cash_loss, "probability_cash_loss_se": self.probability_cash_loss_se}
        return {"draws": self.draws, "level": self.level, **asdict(self.spread), **chance}


def headline_draws(budget: Budget) -> HeadlineNumbers[FloatArray, FloatArray]:
    """Headline numbers, arrays (draw,); NaN means "no single IRR" or "not within N years"."""
    year = min(YEAR_OF_CONTRIBUTION, budget.inputs.n_budget_years)
    totals, years = budget.totals, budget.years
    return HeadlineNumbers(
        patients_per_year=totals[Row.STARTS] / budget.inputs.n_budget_years,
        bleeds_averted=totals[Row.BLEEDS_AVERTED],
        peak_cash=budget.peak_cash,
        year_3_net_contribution=years[Row.NET_CONTRIBUTION][:, year],
        npv_cash=budget.npv_cash,
        npv_with_capacity=budget.npv_with_capacity,
        irr=finance.irr(budget.flows_with_end, MONTHS),
        payback_years=finance.payback_years(budget.flows.cumsum(axis=1), MONTHS),
        net_cash=totals[Row.NET_CASH],
        operating_cash=totals[Row.OPERATING_CASH],
        bed_days_released=totals[Row.BED_DAYS],
        beds_in_last_year=beds(years[Row.BED_DAYS][:, -1], budget.inputs.share_occupancy),
    )


def number_or_none(value: float) -> float | None:
    """Give a plain number, None for NaN."""
    return float(value) if np.isfinite(value) else None


def headline(budget: Budget) -> Headline:
    """Headline of a deterministic budget."""
    return headlines([budget])[0]


def headlines(budgets: Sequence[Budget]) -> list[Headline]:
    """Headlines of deterministic budgets of one length and occupancy of beds, worked out together: budgets as draws."""
    first = budgets[0]
    months, years = (
        {row: np.concatenate([table[row] for table in tables]) for row in tables[0]}
        for tables in ([budget.months for budget in budgets], [budget.years for budget in budgets])
    )
    together = replace(first, months=months, years=years, rate=np.concatenate([budget.rate for budget in budgets]))
    draws = vars(headline_draws(together))
    rows = [{name: float(values[i]) for name, values in draws.items()} for i in range(len(budgets))]
    return [_headline(row, first.inputs.n_budget_years) for row in rows]


def _headline(numbers: dict[str, float], budget_years: int) -> Headline:
    irr, payback = (number_or_none(numbers.pop(name)) for name in ("irr", "payback_years"))
    return Headline(**numbers, irr=irr, payback_years=payback, budget_years=budget_years)


def uncertainty(budget: Budget, level: float = 0.95) -> ProgrammeUncertainty:
    """Spread of every headline over the draws, the chance of a loss in cash, and shares of draws without an answer.

    Parameters
    ----------
    budget
        A batch of draws.
    level
        Coverage of the interval.
    """
    spread = {name: spread_of(draws, level) for name, draws in vars(headline_draws(budget)).items()}
    negative = budget.npv_cash < 0
    share = float(negative.mean())
    error = float(np.sqrt(share * (1.0 - share) / negative.size))
    return ProgrammeUncertainty(negative.size, level, HeadlineNumbers(**spread), share, error)


def spread_of(draws: FloatArray, level: float = 0.95) -> Spread:
    """Mean, median and interval of the draws that have an answer."""
    tail = (1.0 - level) / 2.0
    known = draws[np.isfinite(draws)]
    low, middle, high = np.quantile(known, [tail, 0.5, 1.0 - tail]) if known.size else (np.nan,) * 3
    mean = number_or_none(float(known.mean())) if known.size else None
    return Spread(mean, number_or_none(middle), number_or_none(low), number_or_none(high), 1.0 - known.size / draws.size)
