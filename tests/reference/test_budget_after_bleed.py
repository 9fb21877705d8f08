"""The budget of a programme for patients who have bled: costs and bleeds of the case itself, told in the words of rebleeds."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from independent_budget import recompute

from econmodel.economics.evaluate import evaluate
from econmodel.errors import AnalysisError
from econmodel.parameters.loading import load_case
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.programme.after_bleed import NOT_COUNTED, profiles_of
from econmodel.programme.intake import programme_activity
from econmodel.programme.money.rows import Row
from econmodel.programme.options import DO_NOTHING
from econmodel.programme.planned import prices_of
from econmodel.programme.report import ProgrammeResult, evaluate_programme

FILE = Path(__file__).parent / "data" / "after_a_bleed.toml"
YEARS, PATIENTS = 5, 40.0
MIXES = """
[override.current_mix]
table = [{ strategy = "beta_blocker", share = 0.5 }, { strategy = "glue", share = 0.5 }]
reason = "invented"
[override.proposed_mix]
table = [{ strategy = "coil_and_glue", share = 0.7 }, { strategy = "transvenous", share = 0.3 }]
reason = "invented"
[board]
patients_last_year = 40
bleeds_last_year = 15
"""


@pytest.fixture(scope="module")
def parameters(tmp_path_factory: pytest.TempPathFactory) -> ParameterSet:
    mixes = tmp_path_factory.mktemp("bled") / "mixes.toml"
    mixes.write_text('title = "Mixes"\nrationale = "Invented."\ndate = 2026-11-27\n' + MIXES, encoding="utf-8")
    sets = ["horizon_years=8", "cohort_start=post_bleed", "discount_costs=0", "share_high_risk=0.1", "comparator=beta_blocker"]
    return load_case(None, [FILE, mixes], sets).parameters


@pytest.fixture(scope="module")
def found(parameters: ParameterSet) -> ProgrammeResult:
    return evaluate_programme(parameters, draws=24, seed=1, turning=False)


def test_activity_and_prices_cost_what_the_case_costs(parameters: ParameterSet) -> None:
    """Names change together: per patient over five years the programme's activity at its prices is the case's own full cost."""
    e, base = evaluate(parameters, yearly=False, by_group=False), profiles_of(parameters, YEARS)
    prices = prices_of(parameters, {n: np.array([p]) for n, p in ((n, parameters.number(n)) for n in parameters.numeric())})
    where = [base.activities.index(name) for name in prices.activities]
    cost = base.counts[0].sum(axis=1)[:, where] @ prices.full_cost[0]
    assert cost == pytest.approx(e.cost(years=YEARS)[0, :, 0], rel=1e-9)
    sessions = dict(zip(base.strategies, base.counts[0].sum(axis=1)[:, base.activities.index("sessions")], strict=True))
    assert sessions["beta_blocker"] == 0 < sessions["glue"]
    assert sessions["glue"] == pytest.approx(e.count("secondary_glue", YEARS)[0, e.index("glue"), 0], rel=1e-12)


def test_a_closed_cohort_is_so_many_times_the_model(parameters: ParameterSet, found: ProgrammeResult) -> None:
    """Forty who start in the first month avert forty times the case's own rebleeds of one, by mix."""
    e, inputs = evaluate(parameters, yearly=False, by_group=False), found.budget.inputs
    starts = np.zeros((1, inputs.n_months))
    starts[0, 0] = PATIENTS
    activity = programme_activity(inputs, profiles_of(parameters, YEARS), starts)
    rebleeds = dict(zip(e.keys, e.count("rebleeds", YEARS)[0, :, 0], strict=True))
    current, proposed = (sum(s * rebleeds[k] for k, s in mix.items()) for mix in (inputs.current_mix, inputs.proposed_mix))
    assert -activity.total(activity.change, "first_bleeds", "rebleeds").sum() == pytest.approx(PATIENTS * (current - proposed))
    assert current > proposed


def test_slots_limit_who_starts_and_nothing_is_averted_by_doing_nothing(found: ProgrammeResult) -> None:
    """Sessions after a bleed take slots; today's mix is zero; a rebleed does not take anybody off the list, a death does."""
    assert found.options is not None
    nothing = found.options.rows[0]
    assert (nothing.key, nothing.npv_cash, nothing.bleeds_averted) == (DO_NOTHING, 0.0, 0.0)
    assert found.budget.totals[Row.SESSIONS][0] > 0
    assert found.budget.memo.session_slots.sum() > 0
    assert np.isfinite(found.budget.intake.capacity[:, -1]).all()
    waiting = found.budget.intake
    assert 0 < waiting.lost_waiting.sum() < waiting.bleeds_waiting.sum()


def test_the_words_are_those_of_rebleeds_and_harms_are_unknown(parameters: ParameterSet, found: ProgrammeResult) -> None:
    """No first bleed is told of, harms are null and said not to be counted, and no row of the downside moves nothing."""
    document = json.loads(json.dumps(found.contract(), allow_nan=False))
    proposal = document["options"]["proposal"]
    assert proposal["procedure_deaths"] is None
    assert set(proposal["harms"].values()) == {None}
    assert found.decision is not None
    assert NOT_COUNTED in found.decision.sentence
    assert NOT_COUNTED in found.sentences
    assert set(document["luck"]["seen"]) == {"rebleeds", "deaths_bleed", "sessions"}
    assert "bled from them, alive after six weeks" in [step.step for step in found.funnel]
    assert all(row.npv_cash_change for row in found.downside)
    reality = found.reality
    assert reality is not None
    assert "rebleeds in a year" in reality.text
    year = evaluate(parameters, yearly=False, by_group=False).count("rebleeds", 1)[0, :, 0]
    assert reality.predicted == pytest.approx(40 * (0.5 * year[0] + 0.5 * year[1]))


def test_the_money_is_reckoned_again_from_the_contract(found: ProgrammeResult) -> None:
    """Cash and bleeds averted, month by month, from the inputs of the document alone."""
    document = json.loads(json.dumps(found.contract(), allow_nan=False))
    rows, _, _ = recompute(document["inputs"], document["inputs"]["proposed_mix"])
    for name in (Row.STARTS, Row.NET_CASH, Row.BLEEDS_AVERTED, Row.BED_DAYS):
        assert rows[name] == pytest.approx([month[name] for month in document["months"]], rel=1e-9, abs=1e-9)


def test_luck_agrees_with_the_plan(found: ProgrammeResult) -> None:
    """Whole patients avert on average what the plan expects: within four standard errors at the base values."""
    assert found.luck is not None
    row = next(row for row in found.luck.rows if row.doubt == "luck").bleeds_averted
    assert row.mean is not None
    assert row.low is not None
    assert row.high is not None
    error = (row.high - row.low) / 3.92 / np.sqrt(found.luck.draws)
    assert abs(row.mean - found.headline.bleeds_averted) < 4 * error
    activity = found.budget.activity
    planned = float(activity.total(activity.proposed, "sessions").sum())
    assert found.luck.seen["sessions"].mean == pytest.approx(planned, rel=0.3)


def test_what_no_programme_takes_up_is_refused(parameters: ParameterSet) -> None:
    """Patients at their bleed, and a funnel of patients never bled."""
    with pytest.raises(AnalysisError, match="takes up patients who have survived their bleed") as refused:
        evaluate_programme(load_case(None, [FILE]).parameters)
    assert "cohort_start = post_bleed" in str(refused.value)
    plain = replace(parameters["share_high_risk"], changed_by="")
    with pytest.raises(AnalysisError, match="is the share of patients never bled"):
        evaluate_programme(replace(parameters, parameters=parameters.parameters | {"share_high_risk": plain}))
