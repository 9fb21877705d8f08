"""Rates and probabilities of one event, and its risk where death competes.

*Rate*: events per person-year while still at risk, taken as constant; *probability*: share with the event by a stated time,
``p = 1 - exp(-rate * years)``. This holds for two states only (event or no event): probabilities of a model with more states
compete, and cannot be moved to another cycle length one by one.

References
----------
Gidwani R, Russell LB. Estimating transition probabilities from published evidence. PharmacoEconomics 2020 (PMC7426391).
"""

from __future__ import annotations

import math
from typing import TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from econmodel.errors import ParameterError

FloatArray = NDArray[np.float64]
Number = TypeVar("Number", float, FloatArray)


def probability_to_rate(probability: Number, years: float) -> Number:
    """Turn a probability over a period into a constant rate per person-year.

    Parameters
    ----------
    probability
        Share with the event by ``years``; 0 or more and below 1.
    years
        Length of the period, above 0.

    Raises
    ------
    ParameterError
        A probability outside 0 to 1 (1 itself has no finite rate), or a period that is not above 0.

    Examples
    --------
    >>> f"{probability_to_rate(0.20, 5.0):.7f}"
    '0.0446287'
    """
    _check_range(probability, "probability", 0.0, 1.0, top_allowed=False)
    check_years(years)
    rate: Number = -np.log1p(-probability) / years
    return rate


def cumulative_risk(rate: Number, death_rate: float, years: float) -> Number:
    """Give the cumulative incidence of an event by ``years`` when death competes, both at constant rates.

    ``rate / (rate + death_rate) * (1 - exp(-(rate + death_rate) * years))``; ``years`` may be infinite.

    Examples
    --------
    >>> f"{cumulative_risk(0.30, 0.15, 5.0):.7f}"
    '0.5964005'
    """
    _check_range(rate, "rate", 0.0, math.inf)
    _check_range(death_rate, "death rate", 0.0, math.inf)
    if not years > 0:
        check_years(years)
    total = np.asarray(rate + death_rate, dtype=float)
    share = np.divide(rate, total, out=np.zeros_like(total), where=total > 0)
    reached = np.where(total > 0, -np.expm1(-np.where(total > 0, total, 1.0) * years), 0.0)
    risk: Number = (share * reached)[()]
    return risk


def check_years(years: float, where: str = "") -> None:
    """Refuse a period or horizon that is not a finite number of years above 0."""
    if not (math.isfinite(years) and years > 0):
        what = f"years = {years:g}: must be a finite number above 0"
        raise ParameterError(what, where=where, fix="state the horizon in years, for example 2 or 26/12")


def _check_range(values: ArrayLike, name: str, low: float, high: float, *, top_allowed: bool = True) -> None:
    array = np.atleast_1d(np.asarray(values, dtype=float))
    fits = (array >= low) & ((array <= high) if top_allowed else (array < high)) & np.isfinite(array)
    if not fits.all():
        rule = (
            f"must be {low:g} or more"
            if high == math.inf
            else (f"must lie between {low:g} and {high:g}" + ("" if top_allowed else f", {high:g} excluded"))
        )
        what = f"{name} = {array[~fits].flat[0]:g}: {rule}"
        fix = "give a fraction, not a percentage" if high == 1.0 else "check the sign and the unit"
        raise ParameterError(what, fix=fix)
