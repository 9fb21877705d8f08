"""A budget in six lines a director reads: income, cost, surplus, capital, cash, and what has come in so far."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from econmodel.programme.budget import Budget
from econmodel.programme.money.rows import Row, Rows
from econmodel.records import record

FloatArray = NDArray[np.float64]
INCOME = (Row.PROPHYLAXIS_INCOME, Row.HARM_INCOME, Row.REFILLED_BEDS, Row.TRANSFERS)
COUNTS = ("Patients started", "Bleeds averted")


@record
class SummaryLine:
    """One line by year, the start first, with its total; a count where ``is_count``."""

    label: str
    years: tuple[float, ...]
    total: float
    is_count: bool = False


def summary_lines(budget: Budget) -> tuple[SummaryLine, ...]:
    """Sum the rows of a deterministic budget up; what is no income is cost, so that income less cost is operating cash."""
    years, totals = (_summed(rows) for rows in (budget.years, budget.totals))
    return tuple(
        SummaryLine(label, tuple(map(float, values.mean(axis=0))), float(totals[label].mean()), label in COUNTS)
        for label, values in years.items()
    )


def _summed(rows: Rows) -> dict[str, FloatArray]:
    income = sum(rows[row] for row in INCOME) - rows[Row.BLEED_INCOME_LOST]
    surplus, taken = rows[Row.OPERATING_CASH], rows[Row.TAX] + rows[Row.WORKING_CAPITAL]
    return {
        "Patients started": rows[Row.STARTS],
        "Bleeds averted": rows[Row.BLEEDS_AVERTED],
        "Income, less what is lost on bleeds averted": np.asarray(income),
        "Cost, less what is saved on bleeds averted": np.asarray(income - surplus),
        "Surplus before capital": surplus,
        "Tax and payment still owed": taken,
        "Capital less salvage": rows[Row.CAPITAL],
        "Net cash": rows[Row.NET_CASH],
        "Cumulative net cash": rows[Row.CUMULATIVE_CASH],
        "Staff time freed, no cash": rows[Row.TIME_FREED],
    }
