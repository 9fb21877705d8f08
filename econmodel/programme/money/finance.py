"""Financial arithmetic: present value, rate of return, payback, peak cash, nominal and real, tax, working capital.

Conventions
-----------
Arrays have a time axis last, index 0 being the start (before the first month) and index t the end of period t, of which
``per_year`` make a year: 12 for months, as the programme's money is counted. Leading axes are draws and broadcast.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from econmodel.arrays import bracketed_roots
from econmodel.errors import AnalysisError

FloatArray = NDArray[np.float64]
DAYS_PER_YEAR = 365.0


def discount_factors(rate: ArrayLike, periods: int, per_year: int = 1) -> FloatArray:
    """Factors ``(1 + rate)**(-t / per_year)`` for t = 0 .. periods, shape (..., periods + 1)."""
    return np.asarray((1.0 + np.asarray(rate, dtype=float)[..., None]) ** (-np.arange(periods + 1.0) / per_year))


def by_year(monthly: FloatArray) -> FloatArray:
    """Sum months to years, (..., month) -> (..., year)."""
    return np.asarray(monthly.reshape(*monthly.shape[:-1], -1, 12).sum(axis=-1))


def with_start(monthly: FloatArray) -> FloatArray:
    """Sum months to years behind an empty year 0, (draw, month) -> (draw, year)."""
    found = np.zeros((len(monthly), monthly.shape[1] // 12 + 1))
    found[:, 1:] = by_year(monthly)
    return found


def npv(rate: ArrayLike, flows: ArrayLike, per_year: int = 1) -> FloatArray:
    """Net present value of flows at the start and at the ends of periods.

    Parameters
    ----------
    rate
        Finance rate per year, as a fraction; shape (...).
    flows
        Cash by period, shape (..., periods + 1); index 0 is not discounted.
    per_year
        Periods of a year.

    Examples
    --------
    >>> round(float(npv(0.10, [-100.0, 60.0, 60.0])), 4)
    4.1322
    """
    cash = np.asarray(flows, dtype=float)
    return np.asarray((cash * discount_factors(rate, cash.shape[-1] - 1, per_year)).sum(axis=-1))


def sign_changes(flows: Sequence[float] | FloatArray) -> int:
    """Count how often cash changes sign, zeros left out."""
    signs = np.sign(np.asarray(flows, dtype=float))
    signs = signs[signs != 0]
    return int((signs[1:] != signs[:-1]).sum())


def irr(flows: ArrayLike, per_year: int = 1) -> FloatArray:
    """Internal rate of return where cumulative cash changes sign exactly once, from below; otherwise NaN ("no single IRR").

    There is then one rate of at least 0 (Norstrom 1972, from memory).

    Parameters
    ----------
    flows
        Cash by period, shape (..., periods + 1).
    per_year
        Periods of a year.

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
    single = np.array([sign_changes(line) == 1 and line[-1] > 0 for line in table.cumsum(axis=-1)], dtype=bool)
    if single.any():
        rates[single] = _root(table[single]) ** -per_year - 1.0
    return rates.reshape(cash.shape[:-1])


def _root(table: FloatArray) -> FloatArray:
    """Discount factor of a period, between 0 and 1, at which each row is worth nothing."""
    # Periods before the first cash only multiply by a power of it; without them the value at 0 has a sign.
    cash = np.array([np.roll(row, -first) for row, first in zip(table, (table != 0).argmax(axis=-1), strict=True)])

    def value(v: FloatArray) -> FloatArray:
        return np.asarray(np.polynomial.polynomial.polyval(v, cash.T, tensor=False))

    return bracketed_roots(value, np.zeros(len(cash)), np.ones(len(cash)))


def payback_years(cumulative: ArrayLike, per_year: int = 1) -> FloatArray:
    """Years until cumulative cash turns and stays at or above zero, interpolated within the period.

    Parameters
    ----------
    cumulative
        Undiscounted cumulative cash, shape (..., periods + 1), index 0 the start.

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
    return np.where(below[..., -1], np.nan, np.where(below.any(axis=-1), turned / per_year, 0.0))


def peak_cash(cumulative: FloatArray) -> FloatArray:
    """Lowest cumulative cash over the periods, the start included (so at most the outlay at the start)."""
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


def working_capital_increase(income: FloatArray, days: FloatArray, *, collected: bool) -> FloatArray:
    """Increase by month in what is owed to the hospital: ``12 x income of the month x days / 365``, less that of the month before.

    Shape (draw, month), nothing owed before month 1; ``collected`` at the end of the last month, or owed on. A fall in income
    frees cash.
    """
    owed = 12.0 * income * days[..., None] / DAYS_PER_YEAR
    if collected:
        owed[..., -1] = 0.0
    return np.diff(owed, axis=-1, prepend=0.0)


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
