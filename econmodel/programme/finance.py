"""Financial arithmetic: present value, rate of return, payback, peak cash, nominal and real, tax, working capital.

Conventions
-----------
Annual arrays have a year axis last, index 0 being the start (before the first month) and index y the end of year y,
so that ``npv`` is ``sum flow[y] / (1 + rate)**y``. Leading axes are draws and broadcast.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from econmodel.errors import AnalysisError

FloatArray = NDArray[np.float64]
DAYS_PER_YEAR = 365.0


def discount_factors(rate: ArrayLike, n_years: int) -> FloatArray:
    """Factors ``(1 + rate)**-y`` for y = 0 .. n_years, shape (..., n_years + 1)."""
    return np.asarray((1.0 + np.asarray(rate, dtype=float)[..., None]) ** -np.arange(n_years + 1.0))


def npv(rate: ArrayLike, flows: ArrayLike) -> FloatArray:
    """Net present value of flows at the start and at year ends.

    Parameters
    ----------
    rate
        Finance rate per year, as a fraction; shape (...).
    flows
        Cash by year, shape (..., n_years + 1); index 0 is not discounted.

    Examples
    --------
    >>> round(float(npv(0.10, [-100.0, 60.0, 60.0])), 4)
    4.1322
    """
    cash = np.asarray(flows, dtype=float)
    return np.asarray((cash * discount_factors(rate, cash.shape[-1] - 1)).sum(axis=-1))


def sign_changes(flows: Sequence[float] | FloatArray) -> int:
    """Count how often cash changes sign, zeros left out."""
    signs = np.sign(np.asarray(flows, dtype=float))
    signs = signs[signs != 0]
    return int((signs[1:] != signs[:-1]).sum())


def irr(flows: Sequence[float] | FloatArray) -> float | None:
    """Find the internal rate of return where cash changes sign exactly once; otherwise None ("no single IRR").

    Examples
    --------
    >>> round(irr([-100.0, 110.0]), 6)
    0.1
    >>> irr([-100.0, 230.0, -132.0]) is None
    True
    """
    if sign_changes(flows) != 1:
        return None
    cash = np.trim_zeros(np.asarray(flows, dtype=float), "f")
    factor = _single_root(lambda v: float(np.polynomial.polynomial.polyval(v, cash)))
    return 1.0 / factor - 1.0


def _single_root(value_at: Callable[[float], float]) -> float:
    """Find the one positive root in the discount factor v = 1 / (1 + rate)."""
    from scipy.optimize import brentq

    low, high = 0.0, 1.0
    while value_at(low) * value_at(high) > 0:
        low, high = high, 2.0 * high
    return float(brentq(value_at, low, high, xtol=1e-15, rtol=1e-14))


def payback_years(cumulative: Sequence[float] | FloatArray) -> float | None:
    """Years until cumulative cash turns and stays at or above zero, interpolated within the year.

    Parameters
    ----------
    cumulative
        Undiscounted cumulative cash, index 0 the start.

    Returns
    -------
    float or None
        0 where it never falls below zero; None where it ends below zero ("not within N years").

    Examples
    --------
    >>> payback_years([0.0, -10.0, 5.0, -5.0, 15.0])
    3.25
    """
    cash = np.asarray(cumulative, dtype=float)
    below = np.flatnonzero(cash < 0)
    if below.size == 0:
        return 0.0
    last = int(below[-1])
    if last == cash.size - 1:
        return None
    return last + float(-cash[last] / (cash[last + 1] - cash[last]))


def peak_cash(cumulative: FloatArray) -> FloatArray:
    """Lowest cumulative cash over the quarters, the start included (so at most the outlay at the start)."""
    return np.asarray(cumulative.min(axis=-1))


def real_rate(nominal: ArrayLike, inflation: ArrayLike) -> FloatArray:
    """Real rate or escalator: ``(1 + nominal) / (1 + inflation) - 1``."""
    return np.asarray((1.0 + np.asarray(nominal, dtype=float)) / (1.0 + np.asarray(inflation, dtype=float)) - 1.0)


def nominal_rate(real: ArrayLike, inflation: ArrayLike) -> FloatArray:
    """Nominal rate or escalator: ``(1 + real) (1 + inflation) - 1``."""
    return np.asarray((1.0 + np.asarray(real, dtype=float)) * (1.0 + np.asarray(inflation, dtype=float)) - 1.0)


def tax_due(profit: FloatArray, rate: FloatArray) -> FloatArray:
    """Tax by year on ``max(0, profit - losses brought forward)``; a loss is carried forward without limit.

    Parameters
    ----------
    profit
        Operating cash less depreciation by year, shape (draw, year); nominal.
    rate
        Tax rate, shape (draw,).
    """
    due = np.zeros_like(profit)
    losses = np.zeros(profit.shape[:-1])
    for year in range(profit.shape[-1]):
        net = profit[..., year] - losses
        due[..., year] = rate * np.maximum(0.0, net)
        losses = np.maximum(0.0, -net)
    return due


def working_capital_increase(net_income: FloatArray, days: FloatArray) -> FloatArray:
    """Increase in working capital by year, before its release at the end.

    ``(income[y] - income[y - 1]) x days / 365`` with no income before year 1; shape (draw, year). A negative
    income change frees cash. The sum over years is what is released at the end.
    """
    level = net_income * days[..., None] / DAYS_PER_YEAR
    return np.diff(level, axis=-1, prepend=0.0)


def annuity_factor(rate: float, years: float, timing: str = "arrears") -> float:
    """Present value of 1 a year for a number of years.

    Parameters
    ----------
    rate, years
        Rate per year as a fraction; length.
    timing
        ``arrears`` (year ends), ``advance`` (year starts) or ``continuous``.

    Raises
    ------
    AnalysisError
        The timing is not one of the three.

    Examples
    --------
    >>> round(annuity_factor(0.035, 20), 6)
    14.212403
    """
    if timing not in ("arrears", "advance", "continuous"):
        what = f"annuity timing {timing!r}: must be arrears, advance or continuous"
        raise AnalysisError(what, fix="arrears is the usual choice")
    if abs(rate) < 1e-12:
        return years
    arrears: float = (1.0 - (1.0 + rate) ** -years) / rate
    if timing == "arrears":
        return arrears
    return arrears * (1.0 + rate) if timing == "advance" else arrears * rate / float(np.log1p(rate))


def annualised(present_value: float, rate: float, years: float) -> float:
    """Equal yearly amount, at year ends, with the given present value."""
    return present_value / annuity_factor(rate, years)
