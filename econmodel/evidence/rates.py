"""Rates, probabilities and odds; change of time unit; relative effects on a baseline; risk with competing death.

Takes and gives plain numbers or arrays of independent values. Defines:

- *rate*: events per person-year while still at risk, taken as constant; *probability*: share with the event by a stated
  time; ``p = 1 - exp(-rate * years)``. This holds for two states only (event or no event).
- *relative risk* and *odds ratio*: ratios of cumulative risks at one horizon, valid at that horizon alone.
- *hazard ratio*: ratio of rates, usable at any horizon while the hazards stay proportional.

A row or a matrix of a model with three or more states is refused: its entries compete, so they cannot be moved to
another cycle length one by one: the whole matrix has a root, if any.

References
----------
Chhatwal J, Jayasuriya S, Elbasha EH. Changing cycle lengths in state-transition models. Medical Decision Making 2016
(PMC5045797). Gidwani R, Russell LB. Estimating transition probabilities from published evidence. PharmacoEconomics 2020
(PMC7426391).
"""

from __future__ import annotations

import math
from typing import Literal, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from econmodel.errors import AnalysisError, ParameterError
from econmodel.wording import duration

FloatArray = NDArray[np.float64]
Number = TypeVar("Number", float, FloatArray)
Measure = Literal["hazard ratio", "relative risk", "odds ratio"]

MATRIX_ROUTE = "take the root of the whole matrix, or estimate rates and use the matrix exponential"


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
    AnalysisError
        The values look like a row or matrix of a model with several states.

    Examples
    --------
    >>> f"{probability_to_rate(0.20, 5.0):.7f}"
    '0.0446287'
    """
    require_two_states(probability)
    _check_range(probability, "probability", 0.0, 1.0, top_allowed=False)
    check_years(years)
    rate: Number = -np.log1p(-probability) / years
    return rate


def rate_to_probability(rate: Number, years: float) -> Number:
    """Turn a constant rate per person-year into the probability of the event by ``years``.

    Examples
    --------
    >>> f"{rate_to_probability(0.0446287, 1.0):.6f}"
    '0.043647'
    """
    _check_range(rate, "rate", 0.0, math.inf)
    check_years(years)
    probability: Number = -np.expm1(-rate * years)
    return probability


def convert_probability(probability: Number, from_years: float, to_years: float) -> Number:
    """Move a two-state probability to another period at a constant rate: ``1 - (1 - p) ** (to / from)``.

    Raises
    ------
    AnalysisError
        The values look like a row or matrix of a model with several states.

    Examples
    --------
    >>> f"{convert_probability(0.15, 1.0, 1 / 12):.7f}"
    '0.0134519'
    """
    return rate_to_probability(probability_to_rate(probability, from_years), to_years)


def probability_to_odds(probability: Number) -> Number:
    """Turn a probability (below 1) into odds."""
    _check_range(probability, "probability", 0.0, 1.0, top_allowed=False)
    odds: Number = probability / (1.0 - probability)
    return odds


def odds_to_probability(odds: Number) -> Number:
    """Turn odds (0 or more) into a probability."""
    _check_range(odds, "odds", 0.0, math.inf)
    probability: Number = odds / (1.0 + odds)
    return probability


def treated_risk(untreated_risk: float, effect: float, measure: Measure, *, years: float, effect_years: float | None = None) -> float:
    """Apply a relative effect to an untreated cumulative risk at a stated horizon.

    Parameters
    ----------
    untreated_risk
        Cumulative risk without treatment by ``years``; 0 to 1.
    effect
        The ratio; 0 or more.
    measure
        ``"hazard ratio"``, ``"relative risk"`` or ``"odds ratio"``: they are not interchangeable.
    years
        The horizon of the untreated risk.
    effect_years
        The horizon at which a relative risk or odds ratio was measured; a hazard ratio needs none.

    Raises
    ------
    AnalysisError
        A relative risk or odds ratio from another horizon (or none stated), or a result above 1.

    Examples
    --------
    >>> [round(float(treated_risk(0.3, 0.5, m, years=1, effect_years=1)), 6)
    ...  for m in ("relative risk", "hazard ratio", "odds ratio")]
    [0.15, 0.16334, 0.176471]
    """
    _check_range(untreated_risk, "untreated risk", 0.0, 1.0)
    _check_range(effect, measure, 0.0, math.inf)
    check_years(years)
    if measure == "hazard ratio":
        return float(1.0 - (1.0 - untreated_risk) ** effect)
    _check_same_horizon(measure, years, effect_years)
    if measure == "odds ratio":
        return 1.0 if untreated_risk == 1.0 else odds_to_probability(probability_to_odds(untreated_risk) * effect)
    risk = untreated_risk * effect
    if risk > 1.0:
        what = f"relative risk {effect:g} on an untreated risk of {untreated_risk:g} gives {risk:g}: above 1"
        raise AnalysisError(what, fix="use a hazard ratio or an odds ratio, which cannot pass 1")
    return risk


def relative_risk_to_hazard_ratio(relative_risk: float, untreated_risk: float) -> float:
    """Turn a relative risk measured beside ``untreated_risk`` into the hazard ratio that gives the same two risks.

    Raises
    ------
    AnalysisError
        The untreated risk is 0 or 1, or the treated risk would reach 1.

    Examples
    --------
    >>> f"{relative_risk_to_hazard_ratio(0.29, 0.45):.3f}"
    '0.234'
    """
    treated = relative_risk * untreated_risk
    if not (0.0 < untreated_risk < 1.0 and 0.0 <= treated < 1.0):
        what = f"relative risk {relative_risk:g} on {untreated_risk:g}: both risks must lie inside 0 to 1"
        raise AnalysisError(what, fix="check the untreated risk and its horizon")
    return float(np.log1p(-treated) / np.log1p(-untreated_risk))


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


def require_two_states(probabilities: ArrayLike) -> None:
    """Refuse values that look like a transition matrix, or one row of it: they are not two-state probabilities.

    Raises
    ------
    AnalysisError
        A square array, or a list of three or more, whose (last axis) sums are 1.
    """
    values = np.asarray(probabilities, dtype=float)
    if values.ndim == 0 or not np.all(np.abs(values.sum(axis=-1) - 1.0) < 1e-9):
        return
    square = values.ndim >= 2 and values.shape[-1] == values.shape[-2]
    if square or (values.ndim == 1 and values.size >= 3):
        what = (
            f"{'a transition matrix' if square else 'a row of a transition matrix'} of shape {values.shape} cannot "
            "be converted element by element: its moves compete"
        )
        raise AnalysisError(what, fix=MATRIX_ROUTE)


def _check_same_horizon(measure: Measure, years: float, effect_years: float | None) -> None:
    if effect_years is None or not math.isclose(effect_years, years, rel_tol=1e-9):
        stated = "at no stated horizon" if effect_years is None else f"at {duration(effect_years)}"
        what = f"a {measure} measured {stated} cannot be applied to a risk at {duration(years)}"
        fix = "state effect_years, or turn it into a hazard ratio with relative_risk_to_hazard_ratio"
        raise AnalysisError(what, fix=fix)


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
