"""Calibrating the untreated risk to what was observed, and following cohorts from any state."""

from __future__ import annotations

import pytest

from econmodel.errors import AnalysisError
from econmodel.model.calibration import calibrate_untreated, follow, gastric_risk
from econmodel.model.inputs import resolve
from econmodel.parameters.loading import load_case


@pytest.mark.parametrize(("risk", "months", "scale"), [(0.45, 26, "actuarial"), (0.351, 35, "crude"), (0.367, 6, "crude")])
def test_calibrated_arm_reproduces_the_observed_risk(risk: float, months: int, scale: str) -> None:
    """The untreated arm of a calibrated model has the observed risk at the observed month."""
    parameters = calibrate_untreated(load_case().parameters, risk, months, scale=scale)
    inputs = resolve(parameters)
    assert gastric_risk(inputs, months, scale)[0, 0] == pytest.approx(risk, abs=1e-9)
    assert gastric_risk(inputs, months + 1, scale)[0, 0] != pytest.approx(risk, abs=1e-4)


def test_impossible_risk_is_refused() -> None:
    """A crude risk that competing death forbids cannot be calibrated to."""
    with pytest.raises(AnalysisError, match="cannot be met"):
        calibrate_untreated(load_case().parameters, 0.9999, 12)


def test_follow_keeps_everyone() -> None:
    """Whatever the start, states sum to one at every month."""
    occupancy, moved = follow(resolve(load_case().parameters), 30, "bleeding")
    assert occupancy.sum(axis=1) == pytest.approx(1.0, abs=1e-12)
    assert moved[0].max() == 0


def test_follow_up_past_the_horizon_is_refused() -> None:
    """Months beyond the horizon are refused."""
    with pytest.raises(AnalysisError, match="horizon"):
        follow(resolve(load_case().parameters), 12 * 41)
