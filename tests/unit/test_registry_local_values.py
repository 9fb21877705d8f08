"""Inputs a registry replaces: which, from what, with which distribution, and that the model takes them."""

import math
from dataclasses import replace

import numpy as np
import pytest
from registry_tables import analyse

from econmodel.evidence.registry import BaseCase, BetaPrior, base_case_from
from econmodel.evidence.registry.outputs import override_text
from econmodel.evidence.registry.settings import shipped_strategies
from econmodel.evidence.registry.untreated_site import posterior_by_grid, relative_rates
from econmodel.evidence.untreated import Coefficients
from econmodel.parameters.loading import load_base_case

WATCH = {"child": "A", "size_mm": "12", "red_spot": "no", "birth_year": "1960", "sex": "F", "bleed_source": ""}
BLED = {"bled": "yes", "bleed_date": "2020-07-15", "bleed_source": "gastric"}
COURSE = WATCH | {"strategy": "coil_and_glue", "session_date": "2020-02-01", "coils": "2", "glue_ml": "1.5", "complication": "none"}


def values(folder, *rows, **changes):
    """Local values by name."""
    return {v.name: v for v in analyse(folder, *rows, **changes).values}


CELL = ({"share": 1.0, "child": "A", "size_step": 2, "red_spot": 0},)
BELIEF = BaseCase(log_rate=(-1.94770838, 0.74999402), coefficients=Coefficients(0.5, 0.7, 0.6), case_mix=CELL)


def test_first_bleed_joins_the_base_case(tmp_path):
    """One bleed in 2.498 first years of the reference cell: the posterior of the log rate, by grid."""
    found = values(tmp_path, WATCH | BLED, WATCH, WATCH, base=BELIEF)
    [(mean, sd)] = posterior_by_grid(BELIEF.log_rate, (1, 2 + 182 / 365.25), [])
    first = found["log_rate_reference"]
    assert first.value == pytest.approx(mean)
    assert (first.distribution["family"], first.distribution["se"]) == ("normal", pytest.approx(sd))
    assert first.range[0] < first.value < first.range[1]
    assert ": 1/3 untreated" in first.note
    assert "counts as 2 bleeds; yours are 1" in first.note
    # Negative controls: other bleeds, other value; no belief, no value.
    assert values(tmp_path, WATCH, WATCH, base=BELIEF)["log_rate_reference"].value < mean - 0.1
    assert "log_rate_reference" not in values(tmp_path, WATCH | BLED, WATCH, WATCH)


def test_a_registry_far_from_the_cohorts_is_warned_of(tmp_path):
    """Six of six bleeding within half a year lies above what the cohorts predict of any setting."""
    assert "above the 95% interval" in values(tmp_path, *[WATCH | BLED] * 6, base=BELIEF)["log_rate_reference"].note


def test_a_registry_without_bleeds_may_lie_below(tmp_path):
    """Nobody bled in sixty first years of the reference cell: below; in three, the cohorts allow it."""
    assert "below the 95% interval" in values(tmp_path, *[WATCH] * 60, base=BELIEF)["log_rate_reference"].note
    assert "95% interval that" not in values(tmp_path, *[WATCH] * 3, base=BELIEF)["log_rate_reference"].note


def test_later_years_update_their_multipliers(tmp_path):
    """Bleeds of years 2-3 raise that multiplier, held against an independent grid; and tell a little of the log rate."""
    later = {"bled": "yes", "bleed_date": "2021-07-15", "bleed_source": "gastric"}
    base = replace(BELIEF, log_multipliers={"hr_first_bleed_years_2_3": (0.0, 0.27), "hr_first_bleed_from_year_4": (-0.9, 0.43)})
    found = values(tmp_path, *[WATCH | later] * 4, WATCH, base=base)
    first, years = 5.0, (4 * (547 - 365.25) + 731 - 365.25) / 365.25
    x, g = np.meshgrid(np.linspace(-7, 3, 801), np.linspace(-2, 2, 801), indexing="ij")
    weight = np.exp(-0.5 * ((x + 1.94770838) / 0.74999402) ** 2 - 0.5 * (g / 0.27) ** 2 - first * np.exp(x))
    weight *= np.exp(4 * (x + g) - years * np.exp(x + g))
    assert found["log_rate_reference"].value == pytest.approx(np.average(x, weights=weight), abs=1e-4)
    multiplier = found["hr_first_bleed_years_2_3"]
    assert math.log(multiplier.value) == pytest.approx(np.average(g, weights=weight), abs=1e-4)
    assert multiplier.value > 1.05
    assert "counts as 14 bleeds; yours are 4" in multiplier.note
    assert "hr_first_bleed_from_year_4" not in found  # nobody was followed so long


def test_the_prior_may_weigh_less(tmp_path):
    """A weight of a quarter doubles the prior's spread and is said; without data of its own nothing else moves."""
    half = values(tmp_path, WATCH | BLED, WATCH, WATCH, base=replace(BELIEF, prior_weight=0.25))["log_rate_reference"]
    assert half.value == pytest.approx(posterior_by_grid((-1.94770838, 2 * 0.74999402), (1, 2 + 182 / 365.25), [])[0][0])
    assert "counts as 0.4 bleeds" in half.note


SHIPPED = base_case_from(load_base_case())


def test_like_with_like(tmp_path):
    """Closure, sessions and fever of one arm move those of its kind of session, by odds or ratio; direct glue stays."""
    own = [COURSE | {"coils": str(n % 3 + 1)} for n in range(8)]
    found = values(tmp_path, *own, base=SHIPPED)
    ratio = found["n_coils_coil_and_glue"].value / SHIPPED.values["n_coils_coil_and_glue"]
    moved = found["n_coils_coil"]
    assert moved.value == pytest.approx(SHIPPED.values["n_coils_coil"] * ratio)
    assert (moved.moved, moved.distribution) == (True, {})

    def odds(p):
        return p / (1 - p)

    share = odds(found["p_sepsis_coil_and_glue"].value) / odds(SHIPPED.values["p_sepsis_coil_and_glue"])
    assert odds(found["p_sepsis_eus_glue"].value) == pytest.approx(odds(SHIPPED.values["p_sepsis_eus_glue"]) * share)
    assert not {"p_sepsis_glue", "p_embolism_glue", "n_glue_ml_glue"} & set(found)
    # Not shared: only what is the site's own, and a sentence for each comparison that stands half local.
    result = analyse(tmp_path, *own, base=SHIPPED, shared=False)
    assert not any(v.moved for v in result.values)
    assert any(note.startswith("half local, coils a session: n_coils_coil_and_glue") for note in result.notes)


def test_several_local_arms_weigh_by_events(tmp_path):
    """Two arms of the site: the mean of their log ratios, weighted by courses; a moved arm is derived in the override."""
    rows = [COURSE | {"coils": str(n % 2 + 2)} for n in range(12)]
    rows += [COURSE | {"strategy": "coil", "glue_ml": "", "coils": str(n % 2 + 1), "complication": ""} for n in range(6)]
    both = analyse(tmp_path, *rows, base=SHIPPED)
    found = {v.name: v for v in both.values}
    assert not found["n_coils_coil"].moved
    sponge = replace(shipped_strategies()["coil"], key="sponge", coils="n_coils_sponge", complications={})
    base = replace(SHIPPED, values={**SHIPPED.values, "n_coils_sponge": 3.0}, known=None)
    third = {v.name: v for v in analyse(tmp_path, *rows, base=base, strategies={**shipped_strategies(), "sponge": sponge}).values}
    logs = [math.log(found[n].value / SHIPPED.values[n]) for n in ("n_coils_coil", "n_coils_coil_and_glue")]
    assert third["n_coils_sponge"].value == pytest.approx(3.0 * math.exp((6 * logs[0] + 12 * logs[1]) / 18))
    text = override_text(both)
    assert 'status = "derived"' in text


def test_untreated_only(tmp_path):
    """A single-arm registry gives no untreated risk and no effect of treatment."""
    names = set(values(tmp_path, *[COURSE] * 8, base=BELIEF))
    assert "log_rate_reference" not in names
    assert not any(n.startswith("hr_") for n in names)


def test_other_bleeds_need_their_source(tmp_path):
    """The rate of other bleeds needs every source recorded."""
    other = BLED | {"bleed_source": "oesophageal"}
    found = values(tmp_path, WATCH | other, WATCH)["r_other_bleed"]
    assert found.value == pytest.approx(1.5 / ((182 + 731) / 365.25))
    assert "r_other_bleed" not in values(tmp_path, WATCH | BLED | {"bleed_source": ""}, WATCH)


def test_late_rebleeding_needs_follow_up_after_a_bleed(tmp_path):
    """Time counts from six weeks after the bleed to the second bleed or the end."""
    again = WATCH | BLED | {"rebleed_date": "2021-07-15"}
    found = values(tmp_path, again, WATCH | BLED)["r_late_rebleed"]
    years = (365 - 42 + 549 - 42) / 365.25
    assert found.value == pytest.approx(1.5 / years)
    assert "1/2" in found.note
    assert "r_late_rebleed" not in values(tmp_path, WATCH | BLED, WATCH)


def test_rebleeding_from_rows(tmp_path):
    """A second dated bleed on another row is a rebleed; within six weeks it is an early one and leaves no late time."""
    two = [COURSE | BLED | {"id": "P1"}, COURSE | BLED | {"id": "P1", "session_date": "2020-09-01", "bleed_date": "2021-07-15"}]
    assert "1/1" in values(tmp_path, *two)["r_late_rebleed"].note
    early = [two[0], two[1] | {"bleed_date": "2020-08-01"}]
    assert "r_late_rebleed" not in values(tmp_path, *early)


def test_case_mix(tmp_path):
    """Shares of the groups fully recorded, with a Dirichlet of their number; they sum to 1."""
    rows = [
        WATCH,
        WATCH,
        WATCH,
        WATCH | {"child": "C", "red_spot": "yes"},
        WATCH | {"size_mm": "7"},
        WATCH | {"child": ""},
        WATCH | {"child": "B"},
    ]
    mix = values(tmp_path, *rows)["case_mix"]
    assert mix.distribution == {"family": "dirichlet", "n": 6.0}
    assert math.fsum(r["share"] for r in mix.table) == pytest.approx(1.0, abs=1e-12)
    assert {(r["child"], r["size_step"], r["red_spot"]): r["share"] for r in mix.table} == {
        ("A", 2, 0): 0.5,
        ("A", 1, 0): 1 / 6,
        ("B", 2, 0): 1 / 6,
        ("C", 2, 1): 1 / 6,
    }
    assert "6/7" in mix.note


def test_age_and_sex(tmp_path):
    """Whole years of age at the start; the share of women with half an event added, so that it is never 0 or 1."""
    found = values(tmp_path, *[WATCH | {"birth_year": str(y)} for y in (1950, 1955, 1960, 1961, 1970)])
    assert found["start_age"].value == 61.0
    assert found["share_female"].value == pytest.approx(5.5 / 6)


def test_too_few_replace_nothing(tmp_path):
    """Below the minimum a mean, share or mix stays the base case's; the minimum is a setting."""
    names = set(values(tmp_path, *[COURSE] * 4))
    assert names == set()
    assert "n_coils_coil_and_glue" in values(tmp_path, *[COURSE] * 4, minimum=4)


def test_devices_per_session(tmp_path):
    """Coils and millilitres per session of the courses that used them, with the standard error of the mean."""
    found = values(tmp_path, *[COURSE | {"coils": str(n)} for n in (1, 2, 2, 3, 2)])
    coils = found["n_coils_coil_and_glue"]
    assert (coils.value, coils.distribution["se"]) == (2.0, pytest.approx(math.sqrt(0.5 / 5)))
    assert found["n_glue_ml_coil_and_glue"].distribution["family"] == "fixed"
    assert "n_sessions_coil_and_glue" not in found


def test_sessions_per_course(tmp_path):
    """Sessions of first courses; where all had one, half of one is added and said."""
    second = {"session_date": "2020-03-01"}
    rows = [COURSE | {"id": f"P{n}"} for n in range(1, 6)]
    found = values(tmp_path, *rows, rows[0] | second)["n_sessions_coil_and_glue"]
    assert (found.value, found.distribution["shift"]) == (pytest.approx(1.2), 1.0)
    assert found.distribution["se"] == pytest.approx(0.2)
    late = values(tmp_path, *rows, rows[0] | {"session_date": "2021-03-01"})["n_sessions_coil_and_glue"]
    assert late.value == pytest.approx(1.1)
    assert "None had a second session" in late.note


def test_complications_are_never_zero(tmp_path):
    """0/5 courses: Jeffreys' half event, or the base case's belief; unrecorded courses do not count."""
    found = values(tmp_path, *[COURSE] * 5, COURSE | {"complication": ""})
    assert found["p_embolism_coil_and_glue"].value == pytest.approx(0.5 / 6)
    belief = BaseCase(probabilities={"p_embolism_coil_and_glue": BetaPrior(2.0, 498.0)})
    assert values(tmp_path, *[COURSE] * 5, base=belief)["p_embolism_coil_and_glue"].value == pytest.approx(2 / 505)


def test_a_strategy_of_the_case_gives_its_own_inputs(tmp_path):
    """Values bear the names of the inputs that the case's rows name; courses of strategies that share one are pooled."""
    shipped = shipped_strategies()
    row = shipped["coil_and_glue"]
    risks = {"embolism": row.complications["embolism"], "sepsis": "p_sepsis_sponge"}
    sponge = replace(row, key="sponge", label="Sponge", coils="n_coils_sponge", glue_ml="", complications=risks)
    courses = [COURSE] * 5 + [COURSE | {"strategy": "Sponge", "glue_ml": ""}] * 6
    found = values(tmp_path, *courses, strategies={**shipped, "sponge": sponge})
    assert found["n_coils_sponge"].value == found["n_coils_coil_and_glue"].value == 2.0
    assert "0/11 courses" in found["p_embolism_coil_and_glue"].note
    assert "0/6 courses" in found["p_sepsis_sponge"].note
    assert "p_embolism_sponge" not in found


def test_only_known_inputs(tmp_path):
    """An override names no input the model lacks."""
    assert set(values(tmp_path, *[COURSE] * 5, base=BaseCase(known=frozenset({"start_age"})))) == {"start_age"}


def test_relative_rates(tmp_path):
    """Child B patients bleed exp(b) times as fast as the reference cell; unknown groups as fast as the case mix."""
    assert relative_rates(analyse(tmp_path, WATCH | {"child": "B"}).followup, BELIEF).mean() == pytest.approx(math.exp(0.5))
    assert relative_rates(analyse(tmp_path, WATCH | {"child": ""}).followup, BELIEF).mean() == 1.0
    mixed = replace(BELIEF, case_mix=({**CELL[0], "share": 0.5}, {**CELL[0], "share": 0.5, "red_spot": 1}))
    assert relative_rates(analyse(tmp_path, WATCH | {"child": ""}).followup, mixed).mean() == pytest.approx((1 + math.exp(0.6)) / 2)


def test_the_hospitals_groups_stand(tmp_path):
    """Groups bear the names of the site's case mix where it has them; patients of unknown group are taken to be like it."""
    groups = ({"name": "Worse A", "share": 1.0, "child": "A", "size_step": 2, "red_spot": 1},)
    red = WATCH | {"red_spot": "yes"}
    found = analyse(tmp_path, *[red] * 3, *[WATCH] * 3, groups=groups)
    assert {r["group"] for r in found.rows} == {"all", "Worse A", "Child A, above 10 mm"}
    assert {row["name"] for v in found.values if v.name == "case_mix" for row in v.table} == {"Worse A", "Child A, above 10 mm"}
    parameters = load_base_case()
    mix = replace(parameters["case_mix"], table=groups)
    site = replace(parameters, parameters=parameters.parameters | {"case_mix": mix})
    assert base_case_from(parameters, None, site).case_mix == groups
    assert base_case_from(parameters).case_mix == parameters.rows("reference_mix")


def test_beliefs_of_the_base_case():
    """The shipped inputs give priors with their own means; the log rate is that of a setting not yet seen."""
    parameters = load_base_case()
    base = base_case_from(parameters, {1: 0.2})
    for name in ("r_other_bleed", "r_late_rebleed"):
        assert base.rates[name].mean == pytest.approx(parameters.number(name))
    assert base.log_rate == pytest.approx((-1.94770838, 0.74999402), abs=1e-7)
    prior = base.probabilities["p_embolism_glue"]
    assert prior.a / (prior.a + prior.b) == pytest.approx(parameters.number("p_embolism_glue"))
    assert base.untreated_risk == {1: 0.2}
