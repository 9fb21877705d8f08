"""Financial arithmetic: present value, rate of return, payback, peak cash, nominal and real, tax, working capital.

Conventions
-----------
Annual arrays have a year axis last, index 0 being the start (before the first month) and index y the end of year y,
so that ``npv`` is ``sum flow[y] / (1 + rate)**y``. Leading axes are draws and broadcast.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from econmodel.arrays import bracketed_roots
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


def irr(flows: ArrayLike) -> FloatArray:
    """Internal rate of return where cash changes sign exactly once; otherwise NaN ("no single IRR").

    Parameters
    ----------
    flows
        Cash by year, shape (..., n_years + 1).

    Returns
    -------
    ndarray
        Rate per year as a fraction, shape (...).

    Examples
    --------
    >>> irr([[-100.0, 110.0, 0.0], [-100.0, 230.0, -132.0]]).round(6)
    array([0.1, nan])
    """
    cash = np.asarray(flows, dtype=float)
    table = cash.reshape(-1, cash.shape[-1])
    rates = np.full(len(table), np.nan)
    single = np.array([sign_changes(row) == 1 for row in table], dtype=bool)
    if single.any():
        rates[single] = 1.0 / _single_root(table[single]) - 1.0
    return rates.reshape(cash.shape[:-1])


def _single_root(table: FloatArray) -> FloatArray:
    """Find the one positive root of each row in the discount factor v = 1 / (1 + rate)."""
    # Years before the first cash only multiply by a power of v; without them the value at v = 0 has a sign.
    cash = np.array([np.roll(row, -first) for row, first in zip(table, (table != 0).argmax(axis=-1), strict=True)])

    def value(v: FloatArray) -> FloatArray:
        return np.asarray(np.polynomial.polynomial.polyval(v, cash.T, tensor=False))

    low, high = np.zeros(len(cash)), np.ones(len(cash))
    while (short := value(low) * value(high) > 0).any():
        low, high = np.where(short, high, low), np.where(short, 2.0 * high, high)
    return bracketed_roots(value, low, high)


def payback_years(cumulative: ArrayLike) -> FloatArray:
    """Years until cumulative cash turns and stays at or above zero, interpolated within the year.

    Parameters
    ----------
    cumulative
        Undiscounted cumulative cash, shape (..., n_years + 1), index 0 the start.

    Returns
    -------
    ndarray
        Shape (...): 0 where it never falls below zero, NaN where it ends below zero ("not within N years").

    Examples
    --------
    >>> payback_years([[0.0, -10.0, 5.0, -5.0, 15.0], [0.0, -10.0, -5.0, -3.0, -1.0]])
    array([3.25,  nan])
    """
    cash = np.asarray(cumulative, dtype=float)
    below, end = cash < 0, cash.shape[-1] - 1
    last = np.minimum(end - below[..., ::-1].argmax(axis=-1), end - 1)
    before, after = (np.take_along_axis(cash, at[..., None], axis=-1)[..., 0] for at in (last, last + 1))
    with np.errstate(divide="ignore", invalid="ignore"):
        turned = last - before / (after - before)
    return np.where(below[..., -1], np.nan, np.where(below.any(axis=-1), turned, 0.0))


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
