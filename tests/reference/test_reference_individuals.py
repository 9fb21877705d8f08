"""Patients simulated one by one agree with the cohort within three standard errors on every outcome.

Common practice, no source (reviewer test: microsimulation of the same matrix within 3 standard errors of the cohort).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from econmodel.economics.evaluate import Evaluation, evaluate
from econmodel.model.individuals import SimulatedPatients, simulate_patients, standard_error
from econmodel.model.inputs import resolve
from econmodel.model.structure import NEVER_BLED
from econmodel.parameters.loading import load_case

EVENTS = {
    "first_bleeds": ("gastric_bleed", "other_bleed"),
    "rebleeds": ("early_rebleed", "late_rebleed"),
    "deaths_bleed": ("bleed_death",),
    "deaths_procedure": ("procedure_death",),
    "deaths_other": ("other_death",),
    "transplants": ("transplant",),
}


PROCESS_EVENTS = EVENTS | {
    "rebleeds": ("early_rebleed", "gastric_rebleed", "other_rebleed"),
    "rebleeds_gastric": ("gastric_rebleed",),
    "rebleeds_other": ("other_rebleed",),
    "retreatments": ("retreat",),
}


@pytest.fixture(scope="module", params=["effect_basis=intention_to_treat", "effect_basis=process", "child_course=worsening"])
def cohort(request: pytest.FixtureRequest) -> Evaluation:
    return evaluate(load_case(None, (), ["effect_basis=process", request.param]).parameters, yearly=False, by_group=False)


@pytest.fixture(scope="module", params=["watch", "coil_and_glue"])
def pair(request: pytest.FixtureRequest, cohort: Evaluation) -> tuple[str, SimulatedPatients]:
    patients = simulate_patients(resolve(cohort.parameters), request.param, 20_000, rng=np.random.default_rng(8))
    return request.param, patients


def test_events_agree(cohort: Evaluation, pair: tuple[str, SimulatedPatients]) -> None:
    """Mean events per patient match the cohort's expectation."""
    key, patients = pair
    for name, kinds in (PROCESS_EVENTS if cohort.inputs.course else EVENTS).items():
        mean, error = patients.mean(*kinds)
        expected = float(cohort.count(name)[0, cohort.index(key), 0])
        assert abs(mean - expected) <= 3 * error + 1e-12, name


def test_visits_and_sessions_agree(cohort: Evaluation, pair: tuple[str, SimulatedPatients]) -> None:
    """Who is seen at visits, in the states where visits count, and sessions."""
    key, patients = pair
    counted = ("at_risk", "protected", "patent") if cohort.inputs.course else NEVER_BLED
    columns = [i for family in counted for i in cohort.inputs.structure.family(family)]
    kind = cohort.parameters.strategies[key].surveillance.visit
    seen = patients.visits[:, columns].sum(axis=1)
    expected = float(cohort.count(kind)[0, cohort.index(key), 0])
    assert abs(seen.mean() - expected) <= 3 * standard_error(seen) + 1e-12
    sessions = float(cohort.count("sessions")[0, cohort.index(key), 0])
    assert abs(patients.months_in_course.mean() - sessions) <= 3 * standard_error(patients.months_in_course) + 1e-12


def test_time_alive_agrees(cohort: Evaluation, pair: tuple[str, SimulatedPatients]) -> None:
    """Life-years by trapezoid match: a death counts half its month."""
    key, patients = pair
    years = (patients.months_alive + np.where(patients.months_alive < 12 * cohort.horizon, 0.5, 0.0)) / 12
    expected = float(cohort.life_years(discounted=False)[0, cohort.index(key), 0])
    assert abs(years.mean() - expected) <= 3 * standard_error(years)


@pytest.mark.parametrize("basis", ["intention_to_treat", "process"])
def test_a_cohort_that_has_bled_agrees(basis: str) -> None:
    """From the bleed on: rebleeds by source, deaths, transplants and time alive match; nobody bleeds first, is treated or is seen."""
    after = Path(__file__).parent / "data" / "after_a_bleed.toml"
    cohort = evaluate(load_case(None, [after], [f"effect_basis={basis}"]).parameters, yearly=False, by_group=False)
    patients = simulate_patients(cohort.inputs, "coil_and_glue", 20_000, rng=np.random.default_rng(11))
    events = dict(PROCESS_EVENTS if cohort.inputs.course else EVENTS)
    for name in ("first_bleeds", "deaths_procedure", *({"retreatments"} & events.keys())):
        assert patients.mean(*events.pop(name))[0] == 0
    for name, kinds in events.items():
        mean, error = patients.mean(*kinds)
        assert abs(mean - float(cohort.count(name)[0, cohort.index("coil_and_glue"), 0])) <= 3 * error, name
    years = (patients.months_alive + np.where(patients.months_alive < 12 * cohort.horizon, 0.5, 0.0)) / 12
    expected = float(cohort.life_years(discounted=False)[0, cohort.index("coil_and_glue"), 0])
    assert abs(years.mean() - expected) <= 3 * standard_error(years)
    assert patients.months_in_course.max() == 0
    assert all(cohort.count(name).max() == 0 for name in ("sessions", "courses", "surveillance_eus", "clinic_visit"))


def test_another_strategy_disagrees(cohort: Evaluation, pair: tuple[str, SimulatedPatients]) -> None:
    """Negative control: the patients of one strategy are not those of the other."""
    key, patients = pair
    other = "watch" if key == "coil_and_glue" else "coil_and_glue"
    mean, error = patients.mean("gastric_bleed", "other_bleed")
    assert abs(mean - float(cohort.count("first_bleeds")[0, cohort.index(other), 0])) > 3 * error
