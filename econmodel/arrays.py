"""Arithmetic on numbers, arrays and anything that brings its own operators; roots of many functions at once."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def choose(condition: Any, yes: Callable[[], Any], no: Callable[[], Any]) -> Any:
    """Give one of two, of which only the one needed is worked out where the condition is plainly true or false.

    Parameters
    ----------
    condition
        True or false; or an array, or a formula of the live workbook, which chooses element by element.
    yes, no
        What to give; None stands for a figure that does not exist.

    Examples
    --------
    >>> choose(2 > 0, lambda: 1 / 2, lambda: None)
    0.5
    """
    if isinstance(condition, bool | np.bool_):
        return yes() if condition else no()
    return np.where(condition, yes(), no())


def known(value: float | None) -> float | None:
    """Give a number, or None for what does not apply and is NaN, as a document holds it.

    Examples
    --------
    >>> known(0.2), known(float("nan"))
    (0.2, None)
    """
    return None if value is None or value != value else value


def bracketed_roots(
    function: Callable[[FloatArray], FloatArray], low: FloatArray, high: FloatArray, *, steps: int = 60, tolerance: float = 1e-14
) -> FloatArray:
    """Find a root of each element's function, monotone or continuous, between two points where its sign differs.

    Parameters
    ----------
    function
        Evaluates every element at once; each element depends on its own point only.
    low, high : ndarray
        Ends of each bracket, of opposite sign. Where the signs agree the end nearer to 0 is returned.
    steps
        Most evaluations after the two ends.
    tolerance
        Width of a bracket, relative to the first, at which it is closed.

    Returns
    -------
    ndarray
        As ``low``.

    Notes
    -----
    False position with the Illinois halving of a stale end, and a bisection wherever the bracket has not halved in
    three steps, so convergence never falls behind bisection by more than a factor of three.

    Examples
    --------
    >>> bracketed_roots(lambda x: x**2 - np.array([2.0, 9.0]), np.zeros(2), np.full(2, 5.0)).round(9)
    array([1.41421356, 3.        ])
    """
    a, b = low.astype(float), high.astype(float)
    fa, fb = function(a), function(b)
    width, checkpoint, side = np.abs(b - a), np.abs(b - a), np.zeros(a.shape)
    closed = np.sign(fa) * np.sign(fb) > 0
    nearest = np.where(np.abs(fa) < np.abs(fb), a, b)
    wa, wb = fa.copy(), fb.copy()
    for step in range(steps):
        with np.errstate(invalid="ignore", divide="ignore"):
            x = (a * wb - b * wa) / (wb - wa)
        slow = (step % 3 == 2) & (np.abs(b - a) > checkpoint / 2)
        x = np.where(slow | ~np.isfinite(x) | (x <= np.minimum(a, b)) | (x >= np.maximum(a, b)), (a + b) / 2, x)
        if step % 3 == 2:
            checkpoint = np.abs(b - a)
        fx = function(x)
        left = np.sign(fx) == np.sign(fa)
        wb = np.where(left, np.where(side > 0, wb / 2, fb), fx)
        wa = np.where(left, fx, np.where(side < 0, wa / 2, fa))
        side = np.where(left, 1.0, -1.0)
        a, fa = np.where(left, x, a), np.where(left, fx, fa)
        b, fb = np.where(left, b, x), np.where(left, fb, fx)
        done = (np.abs(b - a) <= tolerance * width) | (fa == 0) | (fb == 0) | closed
        if done.all():
            break
    return np.where(closed, nearest, np.where(np.abs(fa) < np.abs(fb), a, b))
