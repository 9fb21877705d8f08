"""Headline numbers of a budget, one value for each draw, and their intervals over draws."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from econmodel.programme import finance
from econmodel.programme.budget import Budget
from econmodel.programme.capacity import beds

FloatArray = NDArray[np.float64]
YEAR_OF_CONTRIBUTION = 3


def headline_draws(budget: Budget) -> dict[str, FloatArray]:
    """Headline numbers, arrays (draw,); NaN means "no single IRR" or "not within N years".

    Year-3 net contribution is R11 of year 3, or of the last year of a shorter budget.
    """
    year = min(YEAR_OF_CONTRIBUTION, budget.inputs.n_budget_years)
    starts = budget.totals["R1"]
    return {
        "patients_per_year": starts / budget.inputs.n_budget_years,
        "bleeds_averted": budget.totals["R3"],
        "peak_cash": budget.peak_cash,
        "year_3_net_contribution": budget.years["R11"][:, year],
        "npv": budget.npv,
        "irr": finance.irr(budget.years["R18"]),
        "payback_years": finance.payback_years(budget.years["R19"]),
        "net_cash": budget.totals["R18"],
        "operating_cash": budget.totals["R14"],
        "bed_days_released": budget.totals["R20"],
        "beds_in_last_year": beds(budget.years["R20"][:, -1], budget.inputs.share_occupancy),
    }


def number_or_none(value: float) -> float | None:
    """Give a plain number, None for NaN."""
    return float(value) if np.isfinite(value) else None


def headline(budget: Budget) -> dict[str, Any]:
    """Headline of a deterministic budget (the mean where there are draws), with words where a number does not exist."""
    draws = headline_draws(budget)
    numbers: dict[str, Any] = {k: number_or_none(float(a.mean())) for k, a in draws.items()}
    years = budget.inputs.n_budget_years
    numbers["irr_text"] = "no single IRR" if numbers["irr"] is None else f"{numbers['irr']:.1%}"
    payback = numbers["payback_years"]
    numbers["payback_text"] = f"not within {years} years" if payback is None else f"{payback:.1f} years"
    if payback == 0:
        numbers["payback_text"] = "at once"
    return numbers


def uncertainty(budget: Budget, level: float = 0.95) -> dict[str, Any]:
    """Intervals of every headline over the draws, P(NPV < 0), and shares of draws without an answer.

    Parameters
    ----------
    budget
        A batch of draws.
    level
        Coverage of the interval.
    """
    tail = (1.0 - level) / 2.0
    found: dict[str, Any] = {"draws": len(budget.npv), "level": level}
    for name, draws in headline_draws(budget).items():
        known = draws[np.isfinite(draws)]
        low, middle, high = np.quantile(known, [tail, 0.5, 1.0 - tail]) if known.size else (np.nan,) * 3
        found[name] = {
            "mean": number_or_none(float(known.mean())) if known.size else None,
            "median": number_or_none(middle),
            "low": number_or_none(low),
            "high": number_or_none(high),
            "share_without_answer": 1.0 - known.size / draws.size,
        }
    negative = budget.npv < 0
    share = float(negative.mean())
    return found | {
        "probability_npv_negative": share,
        "probability_npv_negative_se": float(np.sqrt(share * (1.0 - share) / negative.size)),
    }
