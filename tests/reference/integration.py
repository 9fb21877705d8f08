"""Integration of a trace over time, for models written out in tests.

Discount factor ``(1 + d)^-t`` with t in years. ``timing`` says when in a cycle a reward falls: at its start, its end,
or by the trapezoid rule on cycle boundaries (the half-cycle correction of the model).
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from econmodel.economics.validation import discount_factors
from econmodel.errors import AnalysisError

FloatArray = NDArray[np.float64]
Timing = Literal["start", "end", "trapezoid", "simpson"]


def accumulate(values: FloatArray, *, rate: float = 0.0, cycle_years: float = 1.0, timing: Timing = "trapezoid") -> FloatArray:
    """Sum a value per year, known at cycle boundaries, over time.

    Parameters
    ----------
    values : ndarray of shape (cycle + 1, ...)
        Value per year at each boundary (occupancy times a yearly reward).
    rate
        Discount rate a year.
    cycle_years
        Cycle length in years.
    timing
        Rule of integration.

    Raises
    ------
    AnalysisError
        Simpson's rule with an odd number of cycles.
    """
    times = np.asarray(cycle_years * np.arange(len(values)), dtype=np.float64)
    present = np.asarray(values, dtype=float) * discount_factors(rate, times).reshape(-1, *[1] * (np.ndim(values) - 1))
    if timing == "start":
        return np.asarray(present[:-1].sum(axis=0) * cycle_years)
    if timing == "end":
        return np.asarray(present[1:].sum(axis=0) * cycle_years)
    if timing == "trapezoid":
        return np.asarray((present.sum(axis=0) - (present[0] + present[-1]) / 2) * cycle_years)
    if len(values) % 2 == 0:
        what = f"Simpson's rule over {len(values) - 1} cycles: must be an even number"
        raise AnalysisError(what, fix="use the trapezoid, or another cycle length")
    return np.asarray((present[0] + present[-1] + 4 * present[1:-1:2].sum(axis=0) + 2 * present[2:-1:2].sum(axis=0)) * cycle_years / 3)
