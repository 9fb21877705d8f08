"""Calibrating the untreated risk to what was observed, and following cohorts from any state."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from econmodel.errors import AnalysisError
from econmodel.model.calibration import after_bleed, calibrate_untreated, follow, gastric_risk, patients_who_bled
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


def test_patients_who_bled_are_sicker() -> None:
    """Child classes of the reference mix at its untreated bleeds of the first year; source: worked out beforehand, four digits."""
    inputs = patients_who_bled(load_case().parameters)
    found = [inputs.shares[0, inputs.child_of_cell == step].sum() for step in range(3)]
    np.testing.assert_allclose(found, (0.4985, 0.3909, 0.1107), atol=5e-5)


@pytest.mark.parametrize("basis", ["intention_to_treat", "process"])
def test_first_rebleed_in_closed_form(basis: str) -> None:
    """Nobody dying and no early rebleed: ``1 - exp(-r t)`` from six weeks on; survival has every death; death competing, fewer."""
    parameters = load_case(None, (), [f"effect_basis={basis}"]).parameters
    inputs = replace(patients_who_bled(parameters), p_early_rebleed=np.zeros(1))
    rate = (
        inputs.strategies.r_late_rebleed if inputs.course is None else inputs.course.r_gastric_rebleed + inputs.course.r_other_rebleed
    )
    found = after_bleed(inputs, 60, start="post_bleed", scale="actuarial")
    np.testing.assert_allclose(found.first_rebleed[[0, 12, 60]], -np.expm1(-rate * np.array([0, 1, 5])[:, None, None]), atol=1e-12)
    crude = after_bleed(inputs, 60)
    np.testing.assert_allclose(
        crude.survival[1], (inputs.shares * (1 - inputs.p_death_bleed[:, inputs.child_of_cell])).sum(), atol=1e-12
    )
    np.testing.assert_allclose(crude.survival, after_bleed(inputs, 60, scale="actuarial").survival)
    assert (crude.first_rebleed[60] < found.first_rebleed[60]).all()
