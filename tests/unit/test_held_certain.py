"""Nothing that decides is held certain: the rule on what ships, and that the rule can fail."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import cache

import pytest

from econmodel.package import params_folder
from econmodel.parameters import ParameterSet, load_case
from econmodel.parameters.distributions import fixed
from econmodel.parameters.structures import choose
from econmodel.uncertainty.held_certain import Held, held_certain, spread_of
from econmodel.uncertainty.probabilistic import run_psa

CASES = ("demo", "demo_uk")
DRAWS = 500


def case(name: str = "demo", *sets: str) -> ParameterSet:
    return load_case(params_folder() / "hospitals" / f"{name}.toml", sets=sets).parameters


@cache
def spread(name: str = "demo") -> Mapping[str, float]:
    return spread_of(run_psa(case(name), DRAWS, seed=1))


def hold(parameters: ParameterSet, name: str) -> ParameterSet:
    """Take an input's distribution away."""
    p = parameters[name]
    held = replace(p, distribution=fixed(float(p.value or 0.0), "planted"), spread=None)
    return replace(parameters, parameters=parameters.parameters | {name: held})


def numbers(found: tuple[Held, ...]) -> list[str]:
    return [row.name for row in found if not row.choice]


@pytest.mark.parametrize("name", CASES)
def test_no_shipped_input_that_decides_is_held_certain(name: str) -> None:
    """Give what is named here a distribution, and params/CHANGES.md a line."""
    assert numbers(held_certain(case(name), spread(name))) == []


@pytest.mark.parametrize("planted", ["r_late_rebleed_gastric", "n_trial_months", "r_recurrence", "hr_death_after_bleed"])
def test_an_input_that_decides_is_named_once_it_is_held(planted: str) -> None:
    """Negative control, by comparator and at both ends of the range."""
    row = held_certain(hold(case(), planted), spread())[0]
    found = next(row for row in held_certain(hold(case(), planted), spread()) if row.name == planted)
    assert row.share >= found.share > 0.02
    assert list(found.benefit) == ["beta_blocker", "watch"]
    assert all(len(at) == 2 for at in found.benefit.values())


def test_what_a_site_typed_is_exempt() -> None:
    """A value of the site's own is the site's to doubt."""
    assert numbers(held_certain(hold(case("demo", "r_late_rebleed_gastric=0.2"), "r_late_rebleed_gastric"), spread())) == []


def test_what_acts_under_another_choice_counts_by_its_weight() -> None:
    """The years of effect act under intention to treat alone: named while that is drawn, not once the process is certain."""
    held = hold(case(), "n_effect_full_years_endoscopic")
    assert numbers(held_certain(held, spread())) == ["n_effect_full_years_endoscopic"]
    assert numbers(held_certain(choose(held, {"effect_basis": "process"}), spread())) == []


def test_choices_without_weights_are_told() -> None:
    """Each with the lead's net benefit under every choice, unless the site made it."""
    weighed = {"years_excess_after_bleed": "lifelong", "rebleed_by_time": "constant"}
    assert not weighed.keys() & {row.name for row in held_certain(case(), spread())}
    found = {row.name: row for row in held_certain(choose(case(), weighed), spread()) if row.choice}
    assert found.keys() >= weighed.keys()
    assert not found.keys() & {"effect_basis", "perspective", "child_course", "cohort_start"}
    row = found["years_excess_after_bleed"]
    assert row.benefit["watch"].keys() == {"lifelong", "five years", "one year"}
    assert "one year" in row.sentence
    assert "no prophylaxis" in row.sentence
    assert "years_excess_after_bleed" not in [
        row.name for row in held_certain(case("demo", "years_excess_after_bleed=one_year"), spread())
    ]
