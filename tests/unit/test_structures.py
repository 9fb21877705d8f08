"""Settings with weights: drawn with a stream of their own, draws of one structure together, levels that belong to a choice."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from econmodel.errors import EconModelError, ParameterError
from econmodel.parameters.distributions import Distribution
from econmodel.parameters.loading import load_case
from econmodel.parameters.sampling import Sampler, sample
from econmodel.parameters.structures import Structures, choose, fix_structure, vary_only, weighted
from econmodel.uncertainty.probabilistic import run_psa
from econmodel.uncertainty.risk import as_good_as

CASE = load_case().parameters
WEIGHTS = {
    "child_course": {"fixed": 0.8, "worsening": 0.2},
    "hazard_decline": {"time": 0.6, "constant": 0.2, "frailty": 0.2},
    "effect_basis": {"process": 0.7, "intention_to_treat": 0.3},
    "untreated_cohorts": {"all": 0.7, "fundal": 0.3},
    "six_week_level": {"pooled": 0.7, "lower": 0.3},
    "drug_benefit": {"none": 0.7, "some": 0.3},
    "years_excess_after_bleed": {"lifelong": 0.5, "five_years": 0.3, "one_year": 0.2},
    "rebleed_by_time": {"constant": 0.7, "step": 0.3},
}
LEVELS = {
    ("all", "time"): (-1.94770838, 0.31123650, 0.68236564),
    ("all", "constant"): (-2.00307464, 0.33481892, 0.74549261),
    ("fundal", "time"): (-1.65716209, 0.32249697, 0.57279616),
    ("fundal", "constant"): (-1.67014548, 0.32793650, 0.58492091),
}


def test_the_weights_are_those_judged() -> None:
    """Each weighted setting ships with these weights, its basis said to be a judgement, and its value among them."""
    assert weighted(CASE) == WEIGHTS
    for name in WEIGHTS:
        assert CASE[name].distribution.reason.startswith("judgement"), name
        assert CASE[name].status == "assumption", name


@pytest.mark.parametrize(
    ("apart", "draws", "alike"), [(0.1, 100, True), (0.3, 100, False), (0.015, 20_000, True), (0.03, 20_000, False)]
)
def test_what_draws_do_not_tell_apart_is_as_good(apart: float, draws: int, alike: bool) -> None:
    """Within 1.96 standard errors of the mean difference, or 2% of its standard deviation, whichever is more."""
    assert as_good_as(apart + np.tile([1.0, -1.0], draws // 2)) is alike


def test_choices_come_as_often_as_weighed() -> None:
    """Shares of the draws are the weights, within four standard errors, and independent of each other."""
    drawn = sample(CASE, 20_000, seed=3)
    flags = []
    for name, weights in WEIGHTS.items():
        for place, weight in enumerate(weights.values()):
            assert (drawn[name] == place).mean() == pytest.approx(weight, abs=4 * np.sqrt(weight * (1 - weight) / 20_000)), name
        flags.append(drawn[name] == 0)
    assert np.abs(np.corrcoef(flags) - np.eye(len(flags))).max() < 4 / np.sqrt(20_000)


@pytest.mark.parametrize(("cohorts", "hazard"), LEVELS)
def test_the_untreated_level_belongs_to_the_choice(cohorts: str, hazard: str) -> None:
    """One standard normal for mean and for site, scaled by the level of cohorts and course."""
    mean, se, tau = LEVELS[cohorts, hazard]
    under = choose(CASE, {"hazard_decline": hazard})
    plain, forced = (next(Sampler(under, 4, forced={"untreated_cohorts": c}).blocks(500, 500)) for c in ("all", cohorts))
    mu0, se0, tau0 = LEVELS["all", hazard]
    assert forced["log_rate_mean"] == pytest.approx(mean + se * (plain["log_rate_mean"] - mu0) / se0, abs=1e-6)
    assert forced["log_rate_site"] == pytest.approx(tau * plain["log_rate_site"] / tau0, abs=1e-6)


def test_inputs_pick_by_their_setting() -> None:
    """The other level of six-week mortality and the drug's benefit hold in the draws of their choice, and in no other."""
    drawn = sample(CASE, 4_000, seed=5)
    lower, some = drawn["six_week_level"] == 1, drawn["drug_benefit"] == 1
    assert drawn["p_death_six_weeks"][~lower].mean() == pytest.approx(0.13, abs=0.002)
    assert drawn["p_death_six_weeks"][lower].mean() == pytest.approx(0.103, abs=0.002)
    assert (drawn["hr_excess_death_beta_blocker"][~some] == 1).all()
    assert drawn["hr_excess_death_beta_blocker"][some] == pytest.approx(1 - drawn["share_drug_spares_deaths"][some])
    assert drawn["share_drug_spares_deaths"].mean() == pytest.approx(0.10, abs=0.004)


def test_a_draw_keeps_its_place_in_another_structure() -> None:
    """Forcing a choice moves what the choice acts on, at the same quantile, and nothing else."""
    free, forced = (next(Sampler(CASE, 6, forced=f).blocks(300, 300)) for f in ({}, {"six_week_level": "lower"}))
    moved = {name for name in free if not np.array_equal(free[name], forced[name])}
    assert moved == {"six_week_level", "p_death_six_weeks"}
    pooled = free["six_week_level"] == 0
    assert np.array_equal(free["p_death_six_weeks"][~pooled], forced["p_death_six_weeks"][~pooled])
    order = np.argsort(free["p_death_six_weeks"][pooled])
    assert (np.diff(forced["p_death_six_weeks"][pooled][order]) >= 0).all()


def test_results_are_those_of_any_grouping() -> None:
    """Draws in blocks of 7 or together, with whomever they are evaluated: the same inputs, and outcomes to the last digits."""
    together, apart = run_psa(CASE, 60, seed=2), run_psa(CASE, 60, seed=2, block=7)
    for name in together.outcomes:
        assert np.allclose(together.outcomes[name], apart.outcomes[name], rtol=1e-11, atol=1e-12), name
    for name in together.inputs:
        assert np.array_equal(together.inputs[name], apart.inputs[name]), name
    one = choose(CASE, {"effect_basis": "process", "untreated_cohorts": "fundal", "six_week_level": "lower", "drug_benefit": "some"})
    forced = run_psa(CASE, 40, seed=2, forced={name: one.text(name) for name in WEIGHTS})
    values = next(Sampler(CASE, 2, forced={name: one.text(name) for name in WEIGHTS}).blocks(40, 40))
    (part,) = Structures(CASE).parts(values)
    assert part.parameters.text("effect_basis") == "process"
    assert np.ptp(forced.inputs["effect_basis"]) == 0


def test_structure_can_be_fixed() -> None:
    """``base`` leaves no setting to draw, ``KEY=CHOICE`` one fewer; what is derived follows."""
    assert weighted(fix_structure(CASE, ["base"])) == {}
    one = fix_structure(CASE, ["six_week_level=lower"])
    assert set(weighted(one)) == set(WEIGHTS) - {"six_week_level"}
    assert one.number("p_death_six_weeks") == pytest.approx(0.103)
    both = fix_structure(CASE, ["base", "untreated_cohorts=fundal"])
    assert weighted(both) == {}
    assert both.number("log_rate_mean") == pytest.approx(-1.65716209, abs=1e-6)


@pytest.mark.parametrize("text", ["effect=process", "effect_basis=none", "effect_basis", "discount_costs=0.1"])
def test_an_unknown_structure_is_refused(text: str) -> None:
    """A setting without weights, or a choice it has not, is named with the option."""
    with pytest.raises(ParameterError) as fault:
        fix_structure(CASE, [text])
    assert fault.value.where == f"--structure {text}"
    assert text.split("=")[0] in fault.value.what


def test_only_some_inputs_vary() -> None:
    """All others stand still; an input that follows others names them instead."""
    drawn = sample(vary_only(CASE, ["hr_glue", "effect_basis"]), 50, seed=1)
    assert {name for name, x in drawn.items() if np.ptp(x) > 0 and name in CASE.parameters and not CASE[name].follows_draws} == {
        "hr_glue",
        "effect_basis",
    }
    with pytest.raises(ParameterError, match="it follows log_rate_reference"):
        vary_only(CASE, ["p_first_bleed_year_1"])
    with pytest.raises(ParameterError, match="no input that is drawn"):
        vary_only(CASE, ["discount_costs"])


@pytest.mark.parametrize(
    ("weights", "said"),
    [
        ("{ process = 0.7, intention_to_treat = 0.4 }", "sum to 1.1"),
        ("{ process = 0.7, intention = 0.3 }", "intention: must be among"),
        ("{ process = 1.2, intention_to_treat = -0.2 }", "shares from 0 to 1"),
        ("{ intention_to_treat = 1 }", "must have one for its value"),
        ('"process"', "shares from 0 to 1"),
    ],
)
def test_weights_must_be_of_its_choices_and_sum_to_one(weights: str, said: str, tmp_path: Path) -> None:
    """One message with the setting, the rule, file and line."""
    path = tmp_path / "weights.toml"
    path.write_text(
        'title = "Weights"\nrationale = "A test."\n\n[override.effect_basis]\n'
        f'distribution = {{ family = "categorical", weights = {weights}, basis = "a test" }}\nreason = "A test."\n'
    )
    with pytest.raises(EconModelError) as fault:
        load_case(path)
    assert said in str(fault.value)
    assert "effect_basis" in str(fault.value)
    assert "weights.toml, line 4" in str(fault.value)


def test_a_setting_that_is_set_is_fixed(tmp_path: Path) -> None:
    """A choice typed by a site, or with --set, carries no weights any more, even the one it had."""
    for value in ("process", "intention_to_treat"):
        assert "effect_basis" not in weighted(load_case(sets=[f"effect_basis={value}"]).parameters)


def test_a_site_s_own_level_is_no_choice_s() -> None:
    """An input that was set does not follow a setting: its draws are the same under each choice."""
    own = load_case(sets=["p_death_six_weeks=0.2"]).parameters
    pooled, lower = (next(Sampler(own, 1, forced={"six_week_level": c}).blocks(20, 20)) for c in ("pooled", "lower"))
    assert np.array_equal(pooled["p_death_six_weeks"], lower["p_death_six_weeks"])


def test_a_fixed_setting_is_not_drawn() -> None:
    """Negative control: with all weight on one choice the draws are those of that structure."""
    one = replace(CASE["effect_basis"], distribution=Distribution("categorical", {"process": 0.0, "intention_to_treat": 1.0}, "x"))
    psa = run_psa(replace(CASE, parameters=CASE.parameters | {"effect_basis": one}), 30, seed=1)
    fixed = run_psa(fix_structure(CASE, ["effect_basis=intention_to_treat"]), 30, seed=1)
    assert np.array_equal(psa.outcomes["cost"], fixed.outcomes["cost"])
