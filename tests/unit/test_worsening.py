"""Child-Pugh class that worsens: the untreated curve met again, closed forms, and what must hold whatever the inputs."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from econmodel.economics.evaluate import evaluate
from econmodel.errors import AnalysisError
from econmodel.model.disease import run_disease
from econmodel.model.endpoints import risk_by
from econmodel.model.follow_up import follow, without_competing
from econmodel.model.inputs import ModelInputs, resolve
from econmodel.parameters import load_case
from econmodel.parameters.sampling import sample
from econmodel.reporting.workbook.book import check_size
from econmodel.uncertainty.probabilistic import kept_outcomes

BASES = ("process", "intention_to_treat")
STAYS = {"r_child_a_to_b": 0.0, "r_child_b_to_c": 0.0}


def survival(inputs: ModelInputs) -> np.ndarray:
    """Share alive by month and strategy, of twenty years."""
    occupancy, _ = follow(inputs, 240)
    return 1.0 - occupancy[:, inputs.structure.index["dead"], 0]


def bled(inputs: ModelInputs, months: int) -> np.ndarray:
    """Share with a gastric bleed by some month, nobody dying, without prophylaxis: (draw,)."""
    return risk_by(inputs, "first_gastric_bleed", "kaplan_meier", [months])[:, 0, 0]


@pytest.mark.parametrize("decline", ["time", "constant", "frailty"])
def test_the_reference_mix_bleeds_as_observed(vary, decline):
    """Untreated, nobody dying: as many have bled at 1, 3 and 5 years as with a fixed class, in every draw, and not between."""
    fixed, worse = (vary(hazard_decline=decline, child_course=choice) for choice in ("fixed", "worsening"))
    draws = sample(fixed, 40, seed=3)
    a, b = (resolve(case, draws) for case in (fixed, worse))
    for months in (12, 36, 60):
        found, aim = (bled(inputs, months) for inputs in (b, a))
        np.testing.assert_allclose(found, aim, rtol=1e-9)
    between = [bled(inputs, 24) for inputs in (a, b)]
    assert np.abs(between[0] - between[1]).max() > 1e-6
    unsolved = replace(b, r_first_bleed=a.r_first_bleed, first_bleed_time=a.first_bleed_time)
    more = bled(unsolved, 60) - bled(a, 60)
    assert (np.sign(more) == np.sign(draws["b_child"])).all()
    assert np.median(more) > 0.01


@pytest.mark.parametrize("basis", BASES)
def test_a_class_that_never_worsens_is_fixed(vary, basis):
    """Rates of 0: every outcome of every strategy is that of a fixed class; with the rates as they are none is."""
    fixed, still, worse = (
        kept_outcomes(evaluate(vary(effect_basis=basis, **changes)))
        for changes in ({}, {"child_course": "worsening", **STAYS}, {"child_course": "worsening"})
    )
    for name, outcome in fixed.items():
        np.testing.assert_allclose(still[name], outcome, rtol=1e-9, atol=1e-12, err_msg=name)
    assert (worse["life_years"] < fixed["life_years"] - 0.1).all()


@pytest.mark.parametrize("basis", BASES)
def test_shares_of_classes(vary, one_group, basis):
    """Without events a month keeps 1 - p of a class, whatever happens to varix, follow-up and course: shares in closed form."""
    case = vary(effect_basis=basis, child_course="worsening", case_mix=one_group, r_child_a_to_b=0.3, r_child_b_to_c=0.7)
    quiet = without_competing(replace(resolve(case), r_first_bleed=np.zeros(1)))
    trace = run_disease(quiet, (0,) * 5, monthly=True, keep_trace=True).trace
    a, b = 1 - np.exp(-0.3 / 12), 1 - np.exp(-0.7 / 12)
    n = np.arange(61)[:, None]
    share_a, share_b = (1 - a) ** n, a * ((1 - a) ** n - (1 - b) ** n) / (b - a)
    for child, expected in enumerate((share_a, share_b, 1 - share_a - share_b)):
        held = [i for i, state in enumerate(quiet.structure.states) if state.child == child]
        found = trace[:, held].sum(axis=1)
        np.testing.assert_allclose(found, np.broadcast_to(expected, found.shape), atol=1e-12)


@pytest.mark.parametrize("basis", BASES)
def test_more_worsening_never_fewer_deaths(vary, basis):
    """Untreated rate held and nobody transplanted: faster worsening never lets more live, in any month under any strategy."""
    at = replace(resolve(vary(effect_basis=basis, child_course="worsening")), r_transplant=np.zeros((1, 3)))
    runs = [survival(replace(at, r_worsens=at.r_worsens * times)) for times in (0.0, 0.5, 1.0, 3.0)]
    for slower, faster in pairwise(runs):
        assert (faster <= slower + 1e-12).all()
        assert (faster[-1] < slower[-1] - 0.01).all()


def test_classes_alike_make_worsening_nothing(vary):
    """Negative control: if classes bleed, die and are transplanted alike, it does not matter which one a patient is in."""
    alike = {f"r_excess_death_child_{c}": 0.05 for c in "abc"} | {f"r_transplant_child_{c}": 0.01 for c in "abc"}
    alike |= {f"p_death_six_weeks_child_{c}": 0.1 for c in "abc"} | {"b_child": 0.0, "effect_basis": "process"}
    fixed, worse = (survival(resolve(vary(child_course=choice, **alike))) for choice in ("fixed", "worsening"))
    np.testing.assert_allclose(worse, fixed, rtol=1e-9)


def test_the_trial_is_that_of_a_fixed_class(vary):
    """Effects are calibrated on the curve that was observed, which both readings share."""
    fixed, worse = (resolve(vary(effect_basis="process", child_course=choice)).course for choice in ("fixed", "worsening"))
    np.testing.assert_array_equal(worse.hr_obliterated, fixed.hr_obliterated)


def test_after_a_bleed_the_class_goes_on(vary):
    """From a bleed on, fewer live where the class worsens; none worsen in the month of the bleed."""
    cases = (resolve(vary(child_course=choice)) for choice in ("fixed", "worsening"))
    fixed, worse = (1 - risk_by(inputs, "death", "crude", [1, 2, 60], "bleeding") for inputs in cases)
    np.testing.assert_allclose(worse[..., :2], fixed[..., :2], rtol=1e-3)
    assert (worse[..., 2] < fixed[..., 2] - 0.02).all()


def test_the_live_workbook_refuses_it():
    """In one sentence."""
    with pytest.raises(AnalysisError, match="child_course = 'worsening': the live workbook has no sheets"):
        check_size(load_case(None, (), ["child_course=worsening"]))
