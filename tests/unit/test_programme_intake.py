"""Intake: funnel, backlog, ramp, slots, waiting, absence and stop."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from econmodel.errors import AnalysisError
from econmodel.model.inputs import base_values
from econmodel.parameters.loading import load_base_case
from econmodel.programme.inputs import ProgrammeInputs, read_inputs
from econmodel.programme.intake import demand_by_month, funnel_steps, plan_intake, ramp_by_month, slots_per_start
from econmodel.programme.places import PLACES


@dataclass(frozen=True)
class Profiles:
    """Activity per start, made up."""

    activities: tuple[str, ...]
    strategies: tuple[str, ...]
    counts: np.ndarray


def profiles(first_bleeds: float = 0.0, sessions: float = 2.0) -> Profiles:
    """Two sessions in a start's first year; ``first_bleeds`` a month under current care."""
    counts = np.zeros((1, 2, 60, 2))
    counts[0, 0, :12, 0] = first_bleeds
    counts[0, 1, 0, 1] = sessions
    return Profiles(("first_bleeds", "session_direct"), ("watch", "glue"), counts)


@pytest.fixture(scope="module")
def base() -> ProgrammeInputs:
    parameters = load_base_case("us")
    return read_inputs(parameters, base_values(parameters)).changed(
        n_endoscoped=0.0,
        n_referred_in=12.0,
        n_treated_elsewhere=0.0,
        r_growth=0.0,
        n_backlog=0.0,
        n_start_delay_months=0,
        n_session_slots=24.0,
        ramp=(1.0,),
        current_mix={"watch": 1.0},
        proposed_mix={"glue": 1.0},
    )


def test_funnel_ends_at_the_eligible() -> None:
    """The funnel's last step is the eligible a year."""
    parameters = load_base_case("us")
    inputs = read_inputs(parameters, base_values(parameters))
    assert funnel_steps(inputs)[-1].patients_per_year == pytest.approx(inputs.eligible_per_year[0])


def test_growth_is_by_year_and_backlog_even_over_its_quarters(base: ProgrammeInputs) -> None:
    """12 a year growing by 10%, and 6 known patients over two quarters."""
    demand = demand_by_month(base.changed(r_growth=0.1, n_backlog=6.0, n_backlog_quarters=2))[0]
    np.testing.assert_allclose(demand[:6], 2.0)
    np.testing.assert_allclose(demand[6:12], 1.0)
    np.testing.assert_allclose(demand[12:24], 1.1)


def test_ramp_delay_absence_and_stop(base: ProgrammeInputs) -> None:
    """Nothing during the delay; quarters counted from the first patient; the last share stays; gaps are zero."""
    ramp = ramp_by_month(
        base.changed(n_start_delay_months=2, ramp=(0.25, 0.5, 1.0), n_absence_start_month=13, n_absence_months=6, n_stop_month=24)
    )
    np.testing.assert_allclose(ramp[:12], [0, 0, 0.25, 0.25, 0.25, 0.5, 0.5, 0.5, 1, 1, 1, 1])
    np.testing.assert_allclose(ramp[12:18], 0.0)
    np.testing.assert_allclose(ramp[18:24], 1.0)
    np.testing.assert_allclose(ramp[24:], 0.0)


def test_slots_limit_starts_and_the_rest_wait(base: ProgrammeInputs) -> None:
    """12 slots at 2 sessions a start let 6 of 12 start; waiting grows by half a patient a month."""
    intake = plan_intake(base.changed(n_session_slots=12.0), profiles())
    np.testing.assert_allclose(intake.starts[0, :12], 0.5)
    assert intake.waiting[0, 11] == pytest.approx(6.0)


def test_who_waits_bleeds_at_current_rates(base: ProgrammeInputs) -> None:
    """With 2% a month bleeding under current care, a delay loses patients to bleeds and nobody is lost untold."""
    intake = plan_intake(base.changed(n_start_delay_months=12, n_session_slots=1000.0), profiles(0.02))
    assert intake.bleeds_waiting[0].sum() > 0
    risk = 1 - (1 - 12 * 0.02) ** (1 / 12)
    by_hand = 0.0
    for _ in range(12):
        by_hand = by_hand * (1 - risk) + 1.0
    assert intake.waiting[0, 11] == pytest.approx(by_hand)
    lost = intake.demand.sum() - intake.starts.sum() - intake.waiting[0, -1]
    assert intake.lost_waiting.sum() == pytest.approx(lost)


def test_no_limit_where_a_start_needs_no_session(base: ProgrammeInputs) -> None:
    """A drug programme is not held up by slots, only by its delay."""
    intake = plan_intake(base.changed(n_session_slots=0.0, n_start_delay_months=1), profiles(sessions=0.0))
    np.testing.assert_allclose(intake.starts[0, :3], [0.0, 2.0, 1.0])


def test_nobody_starts_or_waits_after_a_stop(base: ProgrammeInputs) -> None:
    """A stopped programme takes no more patients and keeps no list."""
    intake = plan_intake(base.changed(n_stop_month=12, n_session_slots=12.0), profiles())
    assert intake.starts[0, 12:].sum() == 0
    assert intake.waiting[0, 12:].sum() == 0


def test_slots_per_start_are_of_the_first_year_and_the_place(base: ProgrammeInputs) -> None:
    """Both sessions fall in the first twelve months, and in endoscopy."""
    assert slots_per_start(profiles(), base.proposed_mix, PLACES["endoscopy"])[0] == 2.0
    assert slots_per_start(profiles(), base.proposed_mix, PLACES["radiology"])[0] == 0.0


def test_the_place_with_the_fewest_slots_limits_starts(base: ProgrammeInputs) -> None:
    """Two endoscopic sessions and one in radiology a start: 24 slots of each serve 1 a month, 6 in radiology half of one."""
    both = profiles()
    counts = np.concatenate([both.counts, both.counts[..., 1:] / 2], axis=-1)
    mixed = Profiles((*both.activities, "session_transvenous"), both.strategies, counts)
    np.testing.assert_allclose(plan_intake(base.changed(n_radiology_slots=24.0), mixed).starts, 1.0)
    np.testing.assert_allclose(plan_intake(base.changed(n_radiology_slots=6.0), mixed).starts, 0.5)
    assert np.isinf(plan_intake(base, profiles(sessions=0.0)).capacity).all()


def test_unknown_strategy_is_named(base: ProgrammeInputs) -> None:
    """A mix that names a strategy the model lacks is refused."""
    with pytest.raises(AnalysisError, match="'sponge'"):
        plan_intake(base.changed(proposed_mix={"sponge": 1.0}), profiles())


def test_profiles_that_are_not_per_patient_are_refused(base: ProgrammeInputs) -> None:
    """A first-year risk of 1 or more is refused, not cut."""
    with pytest.raises(AnalysisError, match="must be below 1"):
        plan_intake(base, profiles(0.2))
