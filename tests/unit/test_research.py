"""Research on a case: orderings, what a study elsewhere can tell, whom it reaches, and its best size."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from econmodel.economics.evaluate import evaluate
from econmodel.errors import AnalysisError
from econmodel.parameters.loading import Case
from econmodel.parameters.sampling import Sampler, sample, stream
from econmodel.parameters.structures import fix_structure
from econmodel.parameters.trials import find_trial, read_trial
from econmodel.reporting.charts.figures import draw_figure
from econmodel.reporting.charts.research import research_figures, study_shown
from econmodel.reporting.tables.research import research_section, research_sentences
from econmodel.uncertainty import research as module
from econmodel.uncertainty.information import appraise, choose_knowing
from econmodel.uncertainty.probabilistic import Psa, run_psa
from econmodel.uncertainty.research import (
    Research,
    Watched,
    cost_of,
    elsewhere,
    event_chances,
    find_research,
    group_of,
    play,
    trial_arms,
)
from econmodel.uncertainty.trial_value import LOCAL, NATIONAL, Cost, Played, Reach, past_power, simulate, value_trial
from econmodel.wording import lower
from econmodel.workflow import plan_research, research_of, run_research

DRAWS = 1500
TRIAL = "coil_and_glue_v_beta_blocker"
PATIENTS = {LOCAL: 12.0, NATIONAL: 2000.0}


@pytest.fixture(scope="module")
def plain(base):
    """Structure fixed: at so few draws what the settings hold would drown what is asked here."""
    return fix_structure(base, ["base"])


@pytest.fixture(scope="module")
def psa(vary) -> Psa:
    """By intention to treat, where a study of this size is worth its cost; as a process few are."""
    base, kept = fix_structure(vary(effect_basis="intention_to_treat"), ["base"]), ("watch", "beta_blocker", "coil_and_glue")
    return run_psa(replace(base, strategies={key: base.strategies[key] for key in kept}), DRAWS, seed=3)


@pytest.fixture(scope="module")
def trial(plain):
    return read_trial(find_trial(TRIAL), plain)


@pytest.fixture(scope="module")
def found(psa, trial) -> Research:
    return find_research(psa, [trial, read_trial(find_trial("registry_untreated"), psa.parameters)], PATIENTS)


def valued(psa, trial, sizes=()):
    """Value one study on draws, and nothing else."""
    values, benefit = sample(psa.parameters, psa.draws, seed=psa.seed), np.ascontiguousarray(psa.net_benefit(psa.threshold))
    reach = Reach(PATIENTS, 1.0, 10.0, 0.03)
    played = play(trial, Watched(psa, values, [trial]), benefit, psa.keys)
    return value_trial(played, reach, cost_of(psa.parameters, trial), psa.seed, sizes)


def test_orderings(found):
    """No value is above that of everything; a study's rises with its size within noise, and stays below that of its inputs."""
    everything = found.everything.value
    assert all(row.worth.value <= everything for row in (*found.inputs, *found.groups))
    for study in found.trials:
        worths = [size.worth for size in study.sizes]
        assert all(w.value <= everything for w in worths)
        assert all(w.value >= -2 * w.se for w in worths)
        assert all(a.value <= b.value + 2 * np.hypot(a.se, b.se) for a, b in pairwise(worths))
    largest = found.trials[0].sizes[-1].worth.value
    assert largest > found.trials[0].sizes[0].worth.value
    assert found.everything_at[0] >= 0
    assert found.groups[0].worth.value >= found.groups[-1].worth.value


def test_every_input_has_one_group(plain):
    """Every input drawn in the base case belongs to a named group, once."""
    names = Sampler(plain, 1).columns
    programme = {"share_fundal_varices", "share_high_risk", "share_suitable", "share_accepting", "share_sessions_displacing"}
    others = {name for name in names if group_of(name) == module.OTHERS}
    assert others <= programme | {"share_bed_refill", "r_protection_lost", "hr_incomplete_vs_complete"}


def test_no_patient_tells_nothing(psa, trial):
    """A study in which no end is seen is worth exactly 0 and changes no choice."""
    lost = replace(trial, dropout=0.999)
    at = valued(psa, lost, [50]).sizes[0]
    assert (at.worth.value, at.worth.changes) == (0.0, 0.0)
    assert at.gains[NATIONAL].net == pytest.approx(-at.cost[0] - at.lost)


def test_net_value_is_value_less_costs(found):
    """Net value: discounted patients after the report x value, less cost and what the arms forgo; a country beside a hospital."""
    study = found.trials[0]
    for size in study.sizes:
        factor = found.reach.starts(NATIONAL, size.years_to_report)
        gain = size.gains[NATIONAL]
        assert gain.value == pytest.approx(factor * size.worth.value)
        assert gain.net == pytest.approx(gain.value - size.cost[0] - size.lost)
        assert gain.net_low < gain.net < gain.net_high
        assert size.gains[LOCAL].value == pytest.approx(gain.value * 12 / 2000)
    best = study.best[NATIONAL]
    assert best.net == max(0.0, *(size.gains[NATIONAL].net for size in study.sizes))
    assert best.low <= best.size <= best.high
    assert set(found.trials[1].best) == {LOCAL}


def test_the_same_seed_gives_the_same_answer_with_any_block(psa, trial, found, monkeypatch):
    """Blocks of another size change nothing, to the bit; another seed of the draws does."""
    monkeypatch.setattr(module, "BLOCK", 97)
    assert valued(psa, trial) == found.trials[0]
    assert valued(run_psa(psa.parameters, DRAWS, seed=4, block=100), trial, [50]).sizes[0].worth != found.trials[0].at(50).worth


def test_chances_are_those_of_the_model(psa, trial):
    """Risk at the end of follow-up is what a run of the case gives there, draw by draw."""
    values = sample(psa.parameters, 20, seed=3)
    arms = trial_arms(psa.parameters, trial)
    chances = event_chances(arms, values, trial.follow_up_years)
    e = evaluate(arms, values, by_group=False)
    assert e.keys == ("coil_and_glue", "beta_blocker")
    np.testing.assert_allclose(chances["first_bleeds"], e.count("first_bleeds", 3)[:, :, 0], atol=1e-11)
    dead = sum(e.count(f"deaths_{cause}", 3) for cause in ("bleed", "procedure", "other"))
    np.testing.assert_allclose(chances["deaths"], dead[:, :, 0], atol=1e-11)


def test_a_study_elsewhere_cannot_tell_the_own_level(psa, trial):
    """Elsewhere the level deviates on its own: it follows the mean, not the own deviation; effects stay the same draws."""
    values = sample(psa.parameters, 4000, seed=3)
    there = elsewhere(psa.parameters, values, stream(1, "x"))
    assert np.corrcoef(there["log_rate_site"], values["log_rate_site"])[0, 1] == pytest.approx(0, abs=0.05)
    assert np.corrcoef(there["log_rate_reference"], values["log_rate_mean"])[0, 1] > 0.3
    np.testing.assert_array_equal(np.sort(there["log_rate_site"]), np.sort(values["log_rate_site"]))
    shift = there["log_rate_site"] - values["log_rate_site"]
    np.testing.assert_allclose(there["log_rate_reference"], values["log_rate_reference"] + shift, atol=1e-6)
    np.testing.assert_array_equal(there["hr_beta_blocker"], values["hr_beta_blocker"])
    assert np.corrcoef(there["p_first_bleed_year_1"], there["log_rate_reference"])[0, 1] > 0.8
    typed = replace(psa.parameters, parameters=psa.parameters.parameters | {n: _fixed(psa.parameters[n]) for n in module.LEVEL})
    np.testing.assert_array_equal(elsewhere(typed, values, stream(1, "x"))["log_rate_site"], values["log_rate_site"])


def _fixed(p):
    from econmodel.parameters.distributions import fixed

    return replace(p, distribution=fixed(float(p.value), "known"), derive=None, follows_draws=False)


def test_a_small_study_against_its_exact_value():
    """One arm, 20 patients, a risk under Beta(4, 12): the value of the study is the exact sum (140.737), through the whole chain."""
    rng = np.random.default_rng(6)
    risk = rng.beta(4, 12, 40_000)
    benefit = np.stack([np.zeros(risk.size), 10_000 * (0.5 - risk) - 2000], axis=1)
    study = replace(_registry(), sizes=(20,), dropout=0.0)
    chances = {"first_bleeds": risk[:, None]}
    played = Played(study, ("a", "b"), ("watch",), benefit, chances, {"first_bleeds": np.array([0.25])}, np.zeros(1))
    reach = Reach({LOCAL: 10.0}, 1.0, 10.0, 0.0)
    at = value_trial(played, reach, Cost((100.0, 50.0, 200.0), (1.0, 0.5, 2.0)), 1).sizes[0]
    assert abs(at.worth.value - 140.737183) < 3 * at.worth.se
    assert at.worth.se < 6
    assert at.cost == (120.0, 60.0, 240.0)
    assert at.gains[LOCAL].net == pytest.approx(10 * (10 - study.years_to_report(20)) * at.worth.value - 120)
    blind = [choose_knowing(benefit, data) for data in simulate(study, {"first_bleeds": rng.permutation(risk)[:, None]}, [20], 1)]
    assert appraise(benefit, blind, 1)[0].value < 20  # negative control: data of other draws tell nothing


def _registry():
    from econmodel.parameters import load_case

    return read_trial(find_trial("registry_untreated"), load_case().parameters)


def test_follow_up_compared_is_a_choice_of_its_own(psa):
    """Protocols of one strategy: the options are the arms, the effect a process; more visits, fewer bleeds in every draw."""
    study = replace(read_trial(find_trial("surveillance_6_v_12_monthly"), psa.parameters), sizes=(50,))
    few = run_psa(psa.parameters, 60, seed=3)
    watched = Watched(few, sample(few.parameters, 60, seed=3), [study])
    played = play(study, watched, np.zeros((60, 3)), few.keys)
    assert played.options == ("eus_6_monthly", "eus_yearly")
    assert played.benefit.shape == (60, 2)
    assert trial_arms(psa.parameters, study).text("effect_basis") == "process"
    often, seldom = played.chances["first_bleeds"].mean(axis=0)
    assert often < seldom


def test_power_of_a_small_trial(trial):
    """16 an arm, 25% against 50%: power 0.18; 66 an arm would have had 80%; equal risks need no size."""
    past = read_trial(find_trial("coil_and_glue_v_direct_glue"), _base()).past
    power, needed = past_power(past)
    assert (round(power, 2), needed) == (0.18, 66)
    assert past_power(replace(past, events=(4, 4)))[1] is None


def _base():
    from econmodel.parameters import load_case

    return load_case().parameters


def test_power_and_assurance_rise_with_size(found):
    """Power at the base case rises with size, assurance too and less steeply; a registry has neither."""
    sizes = found.trials[0].sizes
    assert all(a.power < b.power for a, b in pairwise(sizes))
    assert all(a.assurance < b.assurance for a, b in pairwise(sizes))
    assert found.trials[1].sizes[0].power is None
    assert found.trials[1].needed is None


def test_sentences_tell_the_whole(found):
    """What doubt costs, where it sits, the study worth most with size, cost, report and chance, and what to mistrust."""
    text = " ".join(research_sentences(found))
    where = "Most would be saved" if any(row.worth.counts for row in found.groups) else "No group of inputs"
    for part in ("per patient on average", "a year for the", where, "changes the choice", "report after", "an arm"):
        assert part in text
    section = research_section(found)
    captions = [block.caption for block in section.blocks if hasattr(block, "caption")]
    assert all("USD" in caption and "options" in caption for caption in captions)
    assert found.to_json()["a_year"] == pytest.approx({LOCAL: 12 * found.everything.value, NATIONAL: 2000 * found.shared.value})


def test_a_country_cannot_settle_the_own_deviation(found):
    """What settings share is worth less than everything here, and more than any group of inputs but the level."""
    assert found.shared.value < found.everything.value
    level = group_of("log_rate_mean")
    assert all(found.shared.value > row.worth.value - 2 * row.worth.se for row in found.groups if row.name != level)


def test_a_case_that_drops_a_strategy_leaves_its_studies_out(plain):
    """Studies that ship and do not fit are left out and named; asked for by name they are refused."""
    kept = {key: row for key, row in plain.strategies.items() if key not in ("coil", "glue")}
    case = Case("own", "Own", "own.toml", replace(plain, strategies=kept))
    plan = plan_research(case, pair=("coil_and_glue", "watch"), sizes=(20,))
    assert len(plan.trials) == 3
    assert len(plan.left_out) == 3
    assert set(plan.patients) == {LOCAL}
    with pytest.raises(ValueError, match="no strategy 'coil'"):
        plan_research(case, ["coil_v_coil_and_glue"])
    research = run_research(replace(plan, trials=plan.trials[-2:-1]), run_psa(case.parameters, 200, seed=1))
    assert tuple(research.options) == ("coil_and_glue", "watch")
    assert any("Left out" in sentence for sentence in research_sentences(research))
    with pytest.raises(AnalysisError, match="compared with itself"):
        plan_research(case, pair=("watch", "watch"))
    with pytest.raises(AnalysisError, match="give both"):
        plan_research(case, pair=("watch",))


def test_the_report_says_why_nothing_is_worked_out(plain, psa):
    """A cohort that has bled has no section, and a plan is refused; too few draws are said in the section's place."""
    start = replace(plain["cohort_start"], value="bleeding")
    bled = Case("own", "Own", "own.toml", replace(plain, parameters=plain.parameters | {"cohort_start": start}))
    assert research_of(bled, psa) == ""
    with pytest.raises(AnalysisError, match="have not bled"):
        plan_research(bled)
    case = Case("own", "Own", "own.toml", psa.parameters)
    assert "at least 100" in research_of(case, run_psa(psa.parameters, 20, seed=1))


def test_the_picture_of_a_study_tells_all_of_itself(found):
    """Worth with its error and net value over its cost, by size, under a title with study, choice, money and hospital."""
    shown, (spec,) = study_shown(found), research_figures(found, "Own").values()
    assert [(row["size"], row["saved_per_patient"]) for row in spec.rows] == [(at.size, at.worth.value) for at in shown.sizes]
    assert all(row["net_low_this_hospital"] <= row["net_this_hospital"] <= row["net_high_this_hospital"] for row in spec.rows)
    drawing = draw_figure(spec)
    for told in (lower(shown.trial.title)[:30], "10 years", found.price_year, "Own", "Saved per patient", "Net value"):
        assert told in " ".join(re.findall(r"<!-- (.*?) -->", drawing)), told
    assert research_figures(replace(found, trials=()), "Own") == {}
