"""Patients reconstructed from a digitised curve: the round trip on simulated patients (Guyot 2012)."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from econmodel.evidence.reconstruction import reconstruct

FloatArray = NDArray[np.float64]
GRID = np.arange(0.0, 60.5, 0.5)
PRINTED = (0.0, 12.0, 24.0, 36.0, 48.0)


def simulate(seed: int) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Time and event of 200 patients: exponential, mean 60 months, followed for 12 to 72."""
    rng = np.random.default_rng(seed)
    event, end = rng.exponential(60, 200), rng.uniform(12, 72, 200)
    return np.minimum(event, end), event <= end


def kaplan_meier(time: FloatArray, event: NDArray[np.bool_]) -> FloatArray:
    """Plain product-limit estimate on the grid."""
    days = np.sort(time[event])
    steps = np.cumprod([1 - 1 / (time >= day).sum() for day in days])
    return np.array([1.0 if day < days[0] else steps[np.searchsorted(days, day, side="right") - 1] for day in GRID])


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("total", [True, False])
def test_round_trip(seed: int, *, total: bool) -> None:
    """Curve to three digits and five numbers at risk: events within 3%, the curve within a point, numbers at risk met."""
    time, event = simulate(seed)
    survival = kaplan_meier(time, event).round(3)
    at_risk = {int(2 * t): float((time >= t).sum()) for t in PRINTED}
    seen = int((event & (time <= GRID[-1])).sum())
    found = reconstruct(GRID, survival, at_risk, seen if total else None)
    assert found.events.sum() == pytest.approx(seen, rel=0.03)
    assert np.abs(found.survival() - survival).max() < 0.01
    assert [found.at_risk[i] for i in at_risk] == list(at_risk.values())
    assert found.events.sum() + found.censored.sum() <= 200


def test_without_numbers_at_risk_events_are_overcounted() -> None:
    """Negative control: taken as followed to the end, the same curve holds far more events."""
    time, event = simulate(0)
    found = reconstruct(GRID, kaplan_meier(time, event).round(3), {0: 200.0})
    assert found.events.sum() > 1.2 * (event & (time <= GRID[-1])).sum()
