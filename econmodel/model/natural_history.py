"""Solve the untreated bleeding rate and the six-week fatality from the pooled figures of the evidence.

The evidence gives cumulative risks of a mixed population. The reference cell's rate (Child A, >10 mm, no red spot)
and its course over the years are found so that the evidence mix reproduces those risks; a site's own mix then moves
the result. Everything works on arrays with the draw axis first.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from econmodel.errors import ModelError
from econmodel.records import record

FloatArray = NDArray[np.float64]
TARGET_YEARS = (1.0, 3.0, 5.0)
TIME_STEPS = (0, 1, 3)


@record
class FirstBleed:
    """Untreated gastric bleeding: reference rate (draw,), multipliers by time (draw, step), frailty (draw, class)."""

    rate: FloatArray
    time_multipliers: FloatArray
    frailty: FloatArray


def relative_hazards(
    child: FloatArray, size_step: FloatArray, red_spot: FloatArray, b_child: FloatArray, b_size: FloatArray, b_red: FloatArray
) -> FloatArray:
    """Hazard of each group relative to the reference cell: (draw, group).

    ``exp(b_child * step + b_size * (size_step - 2) + b_red * red_spot)``, Kim 1997, Hepatology 25:307.
    """
    return relative_hazard(child, size_step, red_spot, b_child[:, None], b_size[:, None], b_red[:, None])


def relative_hazard(
    child: FloatArray, size_step: FloatArray, red_spot: FloatArray, b_child: FloatArray, b_size: FloatArray, b_red: FloatArray
) -> FloatArray:
    """Hazard relative to the reference cell, of whatever shape its arguments have together."""
    return np.exp(b_child * child + b_size * (size_step - 2) + b_red * red_spot)


def pooled_hazard(p_year_1: FloatArray, hr_years_2_3: FloatArray, hr_from_year_4: FloatArray) -> FloatArray:
    """Cumulative hazard of the evidence mix at 1, 3 and 5 years: (draw, 3)."""
    return np.stack(pooled_hazards(p_year_1, hr_years_2_3, hr_from_year_4), axis=1)


def pooled_hazards(p_year_1: FloatArray, hr_years_2_3: FloatArray, hr_from_year_4: FloatArray) -> tuple[FloatArray, ...]:
    """Cumulative hazard at 1, at 3 and at 5 years."""
    year_1 = -np.log1p(-p_year_1)
    year_3 = year_1 * (1 + 2 * hr_years_2_3)
    return year_1, year_3, year_3 + 2 * hr_from_year_4 * year_1


def newton_step(u: FloatArray, target: FloatArray, relative: FloatArray, shares: FloatArray) -> FloatArray:
    """Step of Newton's method towards ``sum(share * exp(-relative * u)) = exp(-target)``; the mix is the last axis."""
    alive = shares * np.exp(-relative * u)
    return (alive.sum(axis=-1) - np.exp(-target)) / (alive * relative).sum(axis=-1)  # type: ignore[no-any-return]


def first_month_fatality(six_week: FloatArray, p_early: FloatArray, rr_rebleed: FloatArray) -> FloatArray:
    """Fatality ``f`` of the first month of a bleed that, with later rebleeds, gives the six-week mortality ``F``."""
    return six_week * (1 - p_early) / ((1 - p_early) + p_early * rr_rebleed * (1 - six_week))


def solve_exposure(target: FloatArray, relative: FloatArray, shares: FloatArray) -> FloatArray:
    """Find u so that ``sum(share * exp(-relative * u)) = exp(-target)``.

    Parameters
    ----------
    target : ndarray of shape (draw, k)
    relative : ndarray of shape (draw, group)
    shares : ndarray of shape (draw, group) or (group,)

    Returns
    -------
    ndarray of shape (draw, k)

    Notes
    -----
    Newton's method from 0: the left side is convex and falling, so the steps approach the root from below.
    """
    u = np.zeros_like(target)
    weights = np.broadcast_to(shares, relative.shape)[:, None, :]
    for _ in range(100):
        step = newton_step(u[:, :, None], target, relative[:, None, :], weights)
        u = np.asarray(u + step)
        if np.abs(step).max() <= 1e-15 * max(1.0, float(np.abs(u).max())):
            return u
    if np.abs(step).max() > 1e-12:
        what = "the untreated bleeding rate could not be solved from the pooled risks"
        raise ModelError(what, fix="check p_first_bleed_year_1 and the hazard ratios of later years")
    return u


def solve_first_bleed(hazard: FloatArray, relative: FloatArray, shares: FloatArray, decline: str, n_classes: int) -> FirstBleed:
    """Solve the reference rate and how the hazard declines.

    Parameters
    ----------
    hazard : ndarray of shape (draw, 3)
        Cumulative hazard of the evidence mix at 1, 3 and 5 years.
    relative, shares
        The evidence mix.
    decline
        ``time`` (steps at years 1 and 3), ``constant``, or ``frailty`` (constant for a person; susceptibility is
        gamma-distributed in ``n_classes`` classes of equal size, matched at 1 and 5 years).
    """
    n_draws = len(hazard)
    ones = np.ones((n_draws, 1))
    if decline == "frailty":
        return _solve_frailty(hazard, relative, shares, n_classes)
    u = solve_exposure(hazard, relative, shares)
    rate = u[:, 0]
    if decline == "constant":
        return FirstBleed(rate, np.ones((n_draws, len(TIME_STEPS))), ones)
    yearly = np.diff(u, axis=1) / np.diff(TARGET_YEARS)
    later = np.divide(yearly, rate[:, None], out=np.ones_like(yearly), where=rate[:, None] > 0)
    return FirstBleed(rate, np.concatenate([ones, later], axis=1), ones)


def _solve_frailty(hazard: FloatArray, relative: FloatArray, shares: FloatArray, n_classes: int) -> FirstBleed:
    """Solve susceptibility that explains the decline.

    Among many draws, the few whose risk falls less than the mix of groups alone explains keep the least variance.
    """
    classes = gamma_classes(solve_frailty_variance(hazard, relative, shares, n_classes), n_classes)
    cells, weights = _with_classes(relative, shares, classes)
    rate = solve_exposure(hazard[:, :1], cells, weights)
    missed = np.abs((weights * np.exp(-cells * 5 * rate)).sum(axis=1) - np.exp(-hazard[:, 2]))
    if len(hazard) == 1 and missed[0] > 1e-6:
        what = "susceptibility cannot explain how the untreated bleeding rate changes: it falls too little, or too much"
        raise ModelError(what, fix='use hazard_decline = "time", or lower the hazard ratios of later years')
    return FirstBleed(rate[:, 0], np.ones((len(hazard), len(TIME_STEPS))), classes)


def _with_classes(relative: FloatArray, shares: FloatArray, classes: FloatArray) -> tuple[FloatArray, FloatArray]:
    cells = relative[:, :, None] * classes[:, None, :]
    weights = np.broadcast_to(np.broadcast_to(shares, relative.shape)[:, :, None] / classes.shape[1], cells.shape)
    return cells.reshape(len(relative), -1), weights.reshape(len(relative), -1)


def gamma_classes(variance: FloatArray, n_classes: int) -> FloatArray:
    """Class means of a gamma with mean 1 cut into classes of equal probability: (draw, class)."""
    from scipy import special

    shape = 1.0 / variance[:, None]
    edges = special.gammaincinv(shape, np.linspace(0, 1, n_classes + 1)[None, :])
    below = special.gammainc(shape + 1, edges)
    below[:, -1] = 1.0
    return np.asarray(n_classes * np.diff(below, axis=1))


def solve_frailty_variance(hazard: FloatArray, relative: FloatArray, shares: FloatArray, n_classes: int) -> FloatArray:
    """Variance of susceptibility at which risk at 1 and at 5 years are both met: (draw,), by bisection on its log."""
    low, high = np.full(len(hazard), np.log(1e-4)), np.full(len(hazard), np.log(50.0))
    for _ in range(45):
        middle = (low + high) / 2
        cells, weights = _with_classes(relative, shares, gamma_classes(np.exp(middle), n_classes))
        rate = solve_exposure(hazard[:, :1], cells, weights)
        at_five = (weights * np.exp(-cells * 5 * rate)).sum(axis=1)
        too_frail = at_five > np.exp(-hazard[:, 2])
        high, low = np.where(too_frail, middle, high), np.where(too_frail, low, middle)
    return np.asarray(np.exp((low + high) / 2))


def solve_acute_fatality(
    six_week: FloatArray, rr_rebleed: FloatArray, p_early: FloatArray, *, sampled: bool = False
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Fatality ``f`` of the first month of a bleed, from six-week mortality that already holds early rebleeds.

    Solves ``F = f + (1 - f) e D`` with ``D = rr f / (1 - (1 - rr f) e)``, which is linear in ``f``.

    Parameters
    ----------
    six_week : ndarray of shape (draw, class)
    rr_rebleed, p_early : ndarray of shape (draw,)
    sampled
        Whether these are draws: one that makes a bleed more than certainly fatal is then held at certain, and
        counted; outside a probabilistic analysis it is an error.

    Returns
    -------
    f : ndarray of shape (draw, class)
    held : ndarray of shape (draw,)
        Draws held at the ceiling.

    Raises
    ------
    ModelError
        A probability leaves 0 to 1.
    """
    e, rr = p_early[:, None], rr_rebleed[:, None]
    f = first_month_fatality(six_week, e, rr)
    impossible = (six_week > 1) | (rr * f > 1) | (f < 0) | (e >= 1)
    if impossible.any() and not sampled:
        what = (
            f"six-week mortality {six_week.max():.4g} and its rebleed multiple {(rr * f).max():.4g}: "
            f"must lie in 0 to 1, and early rebleeding {e.max():.4g} below 1"
        )
        fix = "lower p_death_six_weeks, its Child class values, rr_death_rebleed or p_early_rebleed"
        raise ModelError(what, fix=fix)
    return np.where(impossible, np.minimum(1.0, 1.0 / rr), f), np.asarray(impossible.any(axis=1))
