"""NNT has no finite mean under a probabilistic analysis (reference case from own computation).

Two risks p0 ~ Beta(8, 8), p1 ~ Beta(4, 12): P(ARR < 0) = 0.064068 and 1 / E[ARR] = 4.000; the mean of 1/ARR wanders
without settling. Common practice, no source.
"""

from __future__ import annotations

import numpy as np
import pytest

from econmodel.parameters.distributions import fit
from econmodel.uncertainty.probabilistic import nnt_block, summarise


def draws(n: int, seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return fit({"family": "beta", "a": 8.0, "b": 8.0}, 0.5).draw(rng, n) - fit(
        {"family": "beta", "a": 4.0, "b": 12.0}, 0.25).draw(rng, n)


def test_one_over_the_mean_reduction() -> None:
    """1 / mean(ARR) is 4.0, and the chance of harm 6.4 %."""
    arr = draws(400_000, 1)
    assert nnt_block(arr)["value"] == pytest.approx(4.0, abs=0.01)
    assert (arr < 0).mean() == pytest.approx(0.064068, abs=0.0015)


def test_mean_of_nnt_does_not_settle() -> None:
    """Negative control: block means of 1/ARR differ by far more than those of ARR."""
    arr = draws(3_000, 2).reshape(3, 1_000)
    wander = np.ptp((1 / arr).mean(axis=1))
    assert wander > 20 * np.ptp(arr.mean(axis=1))


def test_monte_carlo_error_falls_with_the_root_of_draws() -> None:
    """Standard error of a mean is sd / sqrt(n)."""
    arr = draws(10_000, 3)
    assert summarise(arr)["se"] == pytest.approx(arr.std(ddof=1) / 100.0)
