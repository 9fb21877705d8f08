"""Financing by month: loans drawn and repaid, and the capital charge where it is paid; outside every measure of the programme.

A loan is nominal, drawn at the end of its month and repaid level, each month after, over its term.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from econmodel.programme.cost_tables import Loan
from econmodel.programme.money.finance import annualised
from econmodel.records import record

FloatArray = NDArray[np.float64]


@record
class LoanSchedule:
    """Repayments less what is drawn, shape (month 0 .. n,), and the interest in them, shape (month,); nominal."""

    by_month: FloatArray
    interest: FloatArray


def schedule_loans(loans: Sequence[Loan], n_months: int) -> LoanSchedule:
    """Lay loans out over the budget; what is repaid after it is left out.

    Examples
    --------
    >>> schedule_loans([Loan("Bank", 1200.0, 0, 0.0, 12)], 12).by_month[:3]
    array([-1200., 100., 100.])
    """
    paid, interest = np.zeros(n_months + 1), np.zeros(n_months)
    for loan in loans:
        rate, owed = (1.0 + loan.rate) ** (1.0 / 12.0) - 1.0, loan.amount
        level = annualised(loan.amount, rate, loan.term_months)
        paid[loan.month] -= loan.amount
        for month in range(loan.month + 1, min(loan.month + loan.term_months, n_months) + 1):
            paid[month] += level
            interest[month - 1] += owed * rate
            owed -= level - owed * rate
    return LoanSchedule(paid, interest)
