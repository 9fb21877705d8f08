"""Untreated bleeding by time, and the fatality of a bleed, from what the evidence gives.

The level is the year-1 risk of one fixed mix of patients, the *reference mix*: a one-to-one view of the log rate of the
reference cell (Child A, above 10 mm, no red spot) that the synthesis of cohorts gives. The cell's rate is found from it,
later years follow as multiples, and a site's own mix then moves the result. Six-week mortality by class is moved by one
shift of its logits to its pooled figure, again over the reference mix. Everything works on arrays with the draw axis first.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from econmodel.errors import ModelError
from econmodel.evidence.untreated import relative_hazard
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


def newton_step(u: FloatArray, target: FloatArray, relative: FloatArray, shares: FloatArray) -> FloatArray:
    """Step of Newton's method towards ``sum(share * exp(-relative * u)) = exp(-target)``; the mix is the last axis."""
    alive = shares * np.exp(-relative * u)
    return (alive.sum(axis=-1) - np.exp(-target)) / (alive * relative).sum(axis=-1)  # type: ignore[no-any-return]


def first_month_fatality(six_week: FloatArray, p_early: FloatArray, or_rebleed: FloatArray) -> FloatArray:
    """Fatality ``f`` of the first month of a bleed that, with early rebleeds, gives the six-week mortality ``F``.

    ``F = f + (1 - f) e D`` with ``D = f' / (1 - (1 - f') e)`` and ``odds(f') = or_rebleed x odds(f)`` is a quadratic in
    f; its positive root lies in 0 to 1 whenever F does.
    """
    square = (1 - p_early) * (or_rebleed - 1)
    linear = (1 - p_early) + p_early * or_rebleed - six_week * (or_rebleed - 1 + p_early)
    constant = six_week * (1 - p_early)
    return 2 * constant / (linear + np.sqrt(linear * linear + 4 * square * constant))


def times_odds(p: FloatArray, odds_ratio: FloatArray) -> FloatArray:
    """Probability whose odds are ``odds_ratio`` times those of ``p``."""
    return odds_ratio * p / (1 - p + odds_ratio * p)


def shift_step(shift: FloatArray, p: FloatArray, share: FloatArray, pooled: FloatArray) -> FloatArray:
    """Newton's step to the shift of the logits of ``p`` at which their mean is ``pooled``; the classes are the last axis.

    On the logit of the mean, which is nearly straight in the shift: of one class alone the first step is the last.
    """
    moved = times_odds(p, np.exp(shift))
    mean, slope = (share * moved).sum(axis=-1), (share * moved * (1 - moved)).sum(axis=-1)
    return np.log(pooled * (1 - mean) / (mean * (1 - pooled))) * (mean * (1 - mean) / slope)  # type: ignore[no-any-return]


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
        what = "the untreated bleeding rate could not be solved from its year-1 risk"
        raise ModelError(what, fix="check p_first_bleed_year_1")
    return u


def first_bleed(
    p_year_1: FloatArray,
    course: FloatArray,
    relative: FloatArray,
    shares: FloatArray,
    decline: str,
    n_classes: int,
    *,
    strict: bool = False,
) -> FirstBleed:
    """Reference rate, and how the hazard changes with time.

    Parameters
    ----------
    p_year_1 : ndarray of shape (draw,)
        Year-1 risk of the reference mix, deaths censored.
    course : ndarray of shape (draw, 2)
        Rate of years 2 and 3, and of later years, relative to year 1; the later never above the earlier.
    relative : ndarray of shape (draw, group)
        Rates of the reference mix relative to the reference cell.
    shares : ndarray of shape (group,)
        The reference mix.
    decline
        ``time`` (steps at years 1 and 3), ``constant``, or ``frailty`` (constant for a person; susceptibility is
        gamma-distributed in ``n_classes`` classes of equal size, so that risks at 1 and at 5 years are those of ``time``).
    strict
        Refuse a decline that no susceptibility explains, as for a case's own values; draws keep the nearest.
    """
    n_draws = len(p_year_1)
    rate = solve_exposure(-np.log1p(-p_year_1)[:, None], relative, shares)[:, 0]
    later = np.stack([course[:, 0], course.min(axis=1)], axis=1)
    ones = np.ones((n_draws, 1))
    if decline == "constant":
        return FirstBleed(rate, np.ones((n_draws, len(TIME_STEPS))), ones)
    time = FirstBleed(rate, np.concatenate([ones, later], axis=1), ones)
    return _with_frailty(time, relative, shares, n_classes, strict=strict) if decline == "frailty" else time


def reference_hazard(first: FirstBleed, relative: FloatArray, shares: FloatArray) -> FloatArray:
    """Cumulative hazard of the reference mix at 1, 3 and 5 years: (draw, 3)."""
    exposure = first.rate[:, None] * np.cumsum(first.time_multipliers * np.diff(TARGET_YEARS, prepend=0.0), axis=1)
    cells, weights = _with_classes(relative, shares, first.frailty)
    return np.asarray(-np.log((weights[..., None] * np.exp(-cells[..., None] * exposure[:, None, :])).sum(axis=1)))


def _with_frailty(time: FirstBleed, relative: FloatArray, shares: FloatArray, n_classes: int, *, strict: bool) -> FirstBleed:
    """Solve susceptibility that explains the decline; none where the mix of groups alone explains it, or more, unless ``strict``."""
    hazard = reference_hazard(time, relative, shares)
    classes = gamma_classes(solve_frailty_variance(hazard, relative, shares, n_classes), n_classes)
    cells, weights = _with_classes(relative, shares, classes)
    rate = solve_exposure(hazard[:, :1], cells, weights)
    missed = np.abs((weights * np.exp(-cells * 5 * rate)).sum(axis=1) - np.exp(-hazard[:, 2]))
    if strict and (missed > 1e-6).any():
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


def shift_on_logit(by_class: FloatArray, weights: FloatArray, pooled: FloatArray) -> FloatArray:
    """Move probabilities by one shift of their logits so that their weighted mean is the pooled figure.

    Parameters
    ----------
    by_class : ndarray of shape (draw, class)
        Probabilities as stated; 0 and 1 stay what they are.
    weights : ndarray of shape (draw, class)
        Weights of the mean; any scale.
    pooled : ndarray of shape (draw,)

    Raises
    ------
    ModelError
        No shift meets the pooled figure: what the classes at 0 and 1 hold already lies beyond it.
    """
    share = weights / weights.sum(axis=1, keepdims=True)
    certain, possible = (share * (by_class >= 1)).sum(axis=1), (share * (by_class > 0)).sum(axis=1)
    if ((pooled <= certain) | (pooled >= possible)).any():
        what = "the probabilities by class cannot be moved to the pooled figure: it must lie strictly between 0 and 1, as they do"
        raise ModelError(what, fix="give each class a value between 0 and 1, and the pooled figure too")
    low, high = np.full(len(pooled), -40.0), np.full(len(pooled), 40.0)
    shift = np.zeros(len(pooled))
    for _ in range(200):
        with np.errstate(divide="ignore", invalid="ignore"):
            step = shift_step(shift[:, None], by_class, share, pooled)
        low, high = np.where(step > 0, shift, low), np.where(step > 0, high, shift)
        after = np.where((shift + step > low) & (shift + step < high), shift + step, (low + high) / 2)
        moved, shift = np.abs(after - shift).max(), after
        if moved <= 1e-14:
            break
    return times_odds(by_class, np.exp(shift)[:, None])


def acute_fatality(six_week: FloatArray, or_rebleed: FloatArray, p_early: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Fatality of the first month of a bleed and of a rebleed, from six-week mortality that already holds early rebleeds.

    Parameters
    ----------
    six_week : ndarray of shape (draw, class)
        From 0 to 1.
    or_rebleed, p_early : ndarray of shape (draw,)
        Odds ratio of death in a rebleed; early rebleeding, below 1.

    Returns
    -------
    f, f_rebleed : ndarray of shape (draw, class)
        See :func:`first_month_fatality`.

    Raises
    ------
    ModelError
        A probability leaves 0 to 1.
    """
    if (six_week < 0).any() or (six_week > 1).any() or (p_early >= 1).any():
        what = f"six-week mortality {six_week.max():.4g} must lie in 0 to 1, and early rebleeding {p_early.max():.4g} below 1"
        raise ModelError(what, fix="lower p_death_six_weeks, its Child class values or p_early_rebleed")
    f = first_month_fatality(six_week, p_early[:, None], or_rebleed[:, None])
    return f, times_odds(f, or_rebleed[:, None])
