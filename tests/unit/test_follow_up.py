"""Following cohorts from any state."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from econmodel.errors import AnalysisError
from econmodel.model.endpoints import risk_by
from econmodel.model.follow_up import follow, patients_who_bled
from econmodel.model.inputs import resolve
from econmodel.parameters.loading import load_case


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
    found = risk_by(inputs, "rebleed", "kaplan_meier", [12, 60], "post_bleed")
    np.testing.assert_allclose(found, -np.expm1(-rate[:, :, None] * np.array([1, 5])), atol=1e-12)
    acute = (inputs.shares * inputs.p_death_bleed[:, inputs.child_of_cell]).sum()
    np.testing.assert_allclose(risk_by(inputs, "death", "competing", [1], "bleeding"), acute, atol=1e-12)
    assert (risk_by(inputs, "rebleed", "competing", [60], "bleeding")[..., 0] < found[..., 1]).all()
