"""Options appraisal: each option is the programme with that mix, doing nothing is nothing, and no option is praised for harm."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from econmodel.economics.evaluate import evaluate
from econmodel.model.inputs import base_values
from econmodel.parameters.loading import demo_file, load_case
from econmodel.parameters.overrides import set_value
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.programme.decision import APPROVE, BY_AUTHOR, NOT_NOW, NOTHING, STAGES, decide
from econmodel.programme.money.rows import Row
from econmodel.programme.options import BEHIND, DO_MINIMUM, DO_NOTHING, PROPOSAL, Appraisal, OptionRow, rank_by_cash
from econmodel.programme.planned import budget_of, in_the_mix, prices_of
from econmodel.programme.reconciliation import later_cash
from econmodel.programme.report import ProgrammeResult, evaluate_programme
from econmodel.programme.staged import Staged, stage
from econmodel.reporting.tables.programme import options_table, options_value_table
from econmodel.wording import lower


@pytest.fixture(scope="module")
def parameters() -> ParameterSet:
    return load_case(demo_file()).parameters


@pytest.fixture(scope="module")
def programme(parameters: ParameterSet) -> ProgrammeResult:
    return evaluate_programme(parameters, draws=20, seed=1, turning=False)


@pytest.fixture(scope="module")
def found(programme: ProgrammeResult) -> Appraisal:
    assert programme.options is not None
    return programme.options


def row(found: Appraisal, key: str) -> OptionRow:
    return next(r for r in found.rows if r.key == key)


def test_doing_nothing_is_zero_and_the_proposal_is_the_programme(found: Appraisal, programme: ProgrammeResult) -> None:
    """Today's mix changes nothing; the last option is the budget itself, its chances of a loss those of the programme."""
    nothing = row(found, DO_NOTHING)
    figures = [nothing.npv_cash, nothing.npv_with_capacity, nothing.peak_cash, nothing.bleeds_averted, nothing.bleed_deaths_averted]
    assert figures == [0.0] * 5
    assert not any(nothing.npv_by_view.values())
    proposal = found.rows[-1]
    assert proposal.key == PROPOSAL
    assert proposal.npv_cash == programme.headline.npv_cash
    assert proposal.npv_by_view["block"] == pytest.approx(programme.views["block"].headline.npv_cash)
    assert programme.luck
    assert proposal.p_cash_loss == {row.doubt: row.probability_cash_loss for row in programme.luck.rows}
    assert proposal.p_cash_loss["parameters"] == programme.probability_cash_loss
    assert all(set(row.p_cash_loss) == {"parameters", "luck", "both"} for row in found.rows)
    assert set(nothing.p_cash_loss.values()) == {0.0}
    assert len(found.rows) == 3 + len([k for k in programme.budget.inputs.current_mix if k]) + 3


@pytest.mark.parametrize("key", ["glue", DO_MINIMUM])
def test_an_option_is_a_programme_of_its_own(parameters: ParameterSet, found: Appraisal, key: str) -> None:
    """Proposed alone, an option gives the same money; usual care carries no coordinator, training, service contract nor ramp."""
    option = row(found, key)
    mix = tuple({"strategy": name, "share": share} for name, share in option.mix.items())
    case = replace(parameters, parameters=parameters.parameters | {"proposed_mix": replace(parameters["proposed_mix"], table=mix)})
    alone = evaluate_programme(case, turning=False)
    assert option.npv_cash == pytest.approx(alone.headline.npv_cash, rel=1e-9)
    assert option.bleeds_averted == pytest.approx(alone.headline.bleeds_averted, rel=1e-9)
    if key == DO_MINIMUM:
        assert option.mix == {"beta_blocker": 0.85, "watch": pytest.approx(0.15)}
        assert [alone.totals[row] for row in (Row.FIXED_COST, Row.CAPITAL)] == [0.0, 0.0]
        assert alone.budget.intake.starts[0, 0] > 0
    assert option.npv_cash != pytest.approx(found.proposal.npv_cash)  # negative control


def made(key: str, cash: float, bleeds: float, deaths: float = 0.1, chance: float | None = 0.1) -> OptionRow:
    nothing = {"npv_by_view": {}, "peak_cash": min(cash, 0.0), "payback_years": None, "irr": None, "recurrent_cash": 0.0}
    health = {
        "bleeds_averted": bleeds,
        "bleed_deaths_averted": deaths,
        "procedure_deaths": 0.0,
        "harms": {"embolism": 0.0, "ulcer_bleed": 0.0},
    }
    rest = {"qalys": 0.5, "full_cost": 1000.0, "slots": ({"endoscopy": 1.0},), "waiting": 0.0}
    return OptionRow(
        key, key.upper(), {}, cash, cash, p_cash_loss={} if chance is None else {"both": chance}, **nothing, **health, **rest
    )


def test_standing_by_hand() -> None:
    """Nothing, 100 for 1 bleed, 300 for 2, 350 for 3: the second is beaten by a mixture; more deaths stand apart."""
    rows = rank_by_cash([made("a", 0, 0, 0), made("b", -100, 1), made("c", -300, 2), made("d", -350, 3), made("e", 50, 4, -0.5)])
    assert [r.standing for r in rows] == ["reference", "on_frontier", "extendedly_dominated", "on_frontier", "more_harm"]
    assert [r.cash_per_further_bleed for r in rows] == [None, 100, None, 125, None]
    assert rows[1].cash_per_bleed == 100
    assert rows[0].cash_per_bleed is None


def test_what_does_the_same_stands_alike() -> None:
    """A proposal of one strategy for all is not ranked behind that strategy, and is named once, as the proposal."""
    found = Appraisal(rank_by_cash([made("a", 0, 0, 0), made("b", -100, 1), made("p", -100, 1), made("c", -150, 1)]), 5, "USD")
    assert [r.standing for r in found.rows] == ["reference", "on_frontier", "on_frontier", "dominated"]
    assert [r.cash_per_further_bleed for r in found.rows] == [None, 100, 100, None]
    assert [r.key for r in found.frontier] == ["a", "p"]


STORIES = {"demo": NOT_NOW, "demo_uk": STAGES, "demo_block": NOT_NOW, "demo_hub": NOT_NOW}


@pytest.mark.parametrize("hospital", STORIES)
def test_the_fictional_hospitals_are_asked_what_their_stories_say(programme: ProgrammeResult, hospital: str) -> None:
    """What is named or asked for is never ranked behind, loses more than its board would pay, or harms."""
    case = load_case(demo_file().with_name(f"{hospital}.toml"))
    few = 5 if case.parameters.board else 0
    result = programme if hospital == "demo" else evaluate_programme(case.parameters, draws=few, turning=False)
    assert result.options
    assert result.decision
    decision, proposal = result.decision, result.options.proposal
    assert decision.asked == STORIES[hospital]
    behind = [row.label for row in result.options.rows if row.standing in BEHIND]
    step = re.search(r"A first step to weigh: (.+?), [\d.]+ bleeds", decision.sentence)
    assert step is None or step[1] not in map(lower, behind)
    assert not [label for label in behind[:-1] if lower(label) in decision.order.split(". ")[0].split(": ")[1].split(", ")]
    assert (proposal.standing in BEHIND) == ("ranked behind" in decision.order)
    assert all(row.p_cash_loss == proposal.p_cash_loss for row in result.options.rows if row.mix == proposal.mix)
    if decision.asked == STAGES:
        assert proposal.cash_per_further_bleed is not None
        assert proposal.cash_per_further_bleed <= case.parameters.board["cash_per_bleed_acceptable"]


@pytest.mark.parametrize(
    ("proposal", "words"),
    [
        (made("p", -200, 2), ["loses"]),
        (made("p", 10, 2, chance=0.4), ["above 25%"]),
        (made("p", 10, 0.5), ["B averts 1.0 bleeds and brings $20"]),
        (made("p", 500, 2, -1.0), ["more bleeds, or more deaths"]),
        (made("p", 30, 2), []),
    ],
)
def test_what_speaks_against_follows_the_numbers(proposal: OptionRow, words: list[str]) -> None:
    """Cash, chance and standing each speak; an option with more deaths is never one that nothing beats."""
    found = Appraisal(rank_by_cash([made("a", 0, 0, 0), made("b", 20, 1), proposal]), 5, "USD")
    decision = decide(found, {}, proposal.probability_cash_loss, None)
    assert len(decision.why) == len(words)
    assert all(word in said for word, said in zip(words, decision.why, strict=True))
    assert decision.asked == (NOT_NOW if words else APPROVE)
    beaten = found.proposal.standing not in ("reference", "on_frontier")
    assert ("ranked behind" in decision.order) == beaten
    assert (found.proposal in found.frontier) == (not beaten)
    assert beaten or proposal.bleed_deaths_averted >= 0


STAGED = Staged(outlay=-50.0, stop_number=4, npv_full=-200.0, npv_staged=-150.0, probability_stopping=0.2)


@pytest.mark.parametrize(
    ("proposal", "board", "asked"),
    [
        (made("p", -200, 2), {"cash_per_bleed_acceptable": 250}, STAGES),
        (made("p", -200, 2), {"cash_per_bleed_acceptable": 200}, NOT_NOW),
        (made("p", 10, 0.5), {"cash_per_bleed_acceptable": 250}, NOT_NOW),
        (made("p", 10, 0.5, chance=0.4), {"cash_per_bleed_acceptable": 0, "why_this_option": "It is here."}, STAGES),
        (made("p", 500, 2, -1.0), {"cash_per_bleed_acceptable": 250, "why_this_option": "It is here."}, NOT_NOW),
        (made("p", 30, 2), {"decision_asked": "author"}, BY_AUTHOR),
        (made("p", 900, -2), {"decision_asked": "author"}, NOTHING),
    ],
)
def test_stages_need_a_price_of_a_bleed_and_a_standing(proposal: OptionRow, board: dict[str, Any], asked: str) -> None:
    """A further bleed costs 220 (from 20 gained on 1 to 200 lost on 2); what is ranked behind needs its reason, harm has none."""
    found = Appraisal(rank_by_cash([made("a", 0, 0, 0), made("b", 20, 1), proposal]), 5, "USD")
    decision = decide(found, board, proposal.probability_cash_loss, STAGED)
    assert decision.asked == asked
    if asked == STAGES:
        assert "4 or more first bleeds in those treated by month 24" in decision.text
        assert "in stages" not in decide(found, board, proposal.probability_cash_loss, None).text  # negative control


def test_a_first_step_loses_no_cash_is_not_beaten_and_can_be_done() -> None:
    """Of options that avert less, one on the frontier that brings cash is named; what loses, is beaten or cannot be taken is not."""
    rows = [made("a", 0, 0, 0), made("b", 5, 2), made("c", 9, 1.5, -0.5), made("p", -300, 4)]
    assert "A first step to weigh: B, 2.0 bleeds averted, brings $5." in decided(rows)
    assert "first step" not in decided([rows[0], made("b", -5, 2), *rows[2:]])
    assert "first step" not in decided([rows[0], rows[2], rows[3]])
    assert "first step" not in decided([rows[0], replace(rows[1], unable=0.15), rows[3]])


def decided(rows: list[OptionRow]) -> str:
    return decide(Appraisal(rank_by_cash(rows), 5, "USD"), {}, None, None).sentence


def test_the_table_holds_every_option(programme: ProgrammeResult, found: Appraisal) -> None:
    """One line an option, its harms beside its benefits, and the sentence with the order below."""
    (shown,) = options_table(programme)
    assert [line[0] for line in shown.rows] == [r.label for r in found.rows]
    decision = programme.decision
    assert decision
    assert decision.sentence in (shown.note or "")
    assert "the procedure causes" in decision.sentence
    assert "the proposal is" in decision.order.lower()
    assert row(found, "beta_blocker").unable == pytest.approx(0.15)
    assert row(found, "beta_blocker").blocked_by == ("ability",)
    assert not row(found, DO_MINIMUM).blocked_by


def test_downside_rows_of_the_model_say_whether_they_help(programme: ProgrammeResult) -> None:
    """Fewer examinations of the untreated leave more income but take slots, here a block of them; complications never help."""
    rows, base = {row.key: row for row in programme.downside}, programme.headline.npv_cash
    usual, none = programme.headline.year_3_net_contribution, rows["no_usual_follow_up"].year_3_net_contribution
    assert rows["dense_usual_follow_up"].year_3_net_contribution < usual < none
    assert rows["no_usual_follow_up"].npv_cash < base
    helps = [row for row in rows.values() if row.said.endswith("(helps cash)")]
    assert {row.key for row in helps} == {row.key for row in rows.values() if row.npv_cash > base}
    assert rows["harms_doubled"].npv_cash < base
    assert rows["harms_doubled"].said == rows["harms_doubled"].label
    assert rows["low_attendance"].bleeds_averted < programme.headline.bleeds_averted
    assert rows["do_minimum"].bleeds_averted < programme.headline.bleeds_averted


def test_the_number_to_stop_at_by_hand() -> None:
    """Four draws see 0, 1, 2, 3 bleeds and going on is worth 9, 4, -2, -5: it stops at 2; where all gain, at none."""

    def budget(cash: list[float]) -> Any:
        value = np.array(cash)
        return SimpleNamespace(npv_cash=value, totals={Row.BLEEDS_AVERTED: 0.0 * value}, flows=np.tile([[-3.0, -4.0, 8.0]], (4, 1)))

    seen, nothing = np.arange(4.0), budget([0.0] * 4)
    found = stage(budget([9.0, 4.0, -2.0, -5.0]), nothing, seen, 100.0)
    assert (found.stop_number, found.probability_stopping, found.outlay) == (2, 0.5, -7.0)
    assert (found.npv_full, found.npv_staged) == (1.5, 3.25)
    assert stage(budget([9.0, 4.0, 2.0, 5.0]), nothing, seen, 100.0).stop_number is None
    assert stage(budget([-9.0, -4.0, -2.0, -5.0]), nothing, seen, 100.0).stop_number == 0


def test_own_options_board_texts_and_last_years_count(tmp_path: Path) -> None:
    """An option of the site's own is appraised as the mix alone; last year's count stands beside a year of today's mix."""
    file = tmp_path / "own.toml"
    file.write_text(
        'title = "Own"\nrationale = "Test."\n[board]\npatients_last_year = 20\nbleeds_last_year = 9\ncash_per_bleed_acceptable = 1e6\n'
        'why_this_option = "It is here."\n[option.half]\nlabel = "Half"\nmix = { glue = 0.5, watch = 0.5 }\n'
    )
    case = load_case(demo_file(), [file])
    found = evaluate_programme(case.parameters, draws=5, seed=1, turning=False)
    assert found.options
    assert found.decision
    assert row(found.options, "half").mix == {"glue": 0.5, "watch": 0.5}
    risk = evaluate(case.parameters).count("first_bleeds", 1)[0, :, 0]
    keys = list(case.parameters.strategies)
    year = sum(share * risk[keys.index(key)] for key, share in found.budget.inputs.current_mix.items())
    assert found.reality
    assert found.reality.predicted == pytest.approx(20 * year)
    assert ("outside" in found.reality.text) == (9 > found.reality.high)
    assert found.decision.asked == STAGES
    assert found.decision.staged
    assert found.decision.staged.npv_full == pytest.approx(found.uncertainty.spread.npv_cash.mean if found.uncertainty else None)


def test_from_full_cost_to_cash_the_steps_add(programme: ProgrammeResult, found: Appraisal) -> None:
    """Each total is the one before and its change; the last is the cash, the third the contribution of the budget."""
    steps = programme.reconciliation
    assert [step.total for step in steps] == pytest.approx(np.cumsum([step.change for step in steps]))
    assert steps[-1].total == pytest.approx(found.proposal.npv_cash)
    assert steps[2].total == pytest.approx(programme.totals[Row.NET_CONTRIBUTION])


def test_cash_after_the_budget_is_that_of_a_longer_one(parameters: ParameterSet, programme: ProgrammeResult) -> None:
    """Years 6 to 10 of a budget of ten years, which itself leaves none to tell."""
    longer = in_the_mix(set_value(parameters, "n_budget_years=10"))
    values = base_values(longer)
    whole = budget_of(longer, values)
    assert programme.later_cash == pytest.approx(float(whole.years[Row.NET_CASH][0, 6:].sum()))
    assert later_cash(longer, whole.inputs, prices_of(longer, values)) is None


def test_value_of_options_is_starts_times_a_lifetime(parameters: ParameterSet, programme: ProgrammeResult, found: Appraisal) -> None:
    """QALYs and full cost of coil and glue for all: starts times its lifetime less today's mix; the table prints them."""
    e, option = evaluate(parameters), row(found, "coil_and_glue")
    keys = list(parameters.strategies)
    mix = programme.budget.inputs.current_mix
    gained = {name: values[0, keys.index("coil_and_glue"), 0] for name, values in (("q", e.qalys()), ("c", e.cost()))}
    today = {
        name: sum(s * values[0, keys.index(k), 0] for k, s in mix.items()) for name, values in (("q", e.qalys()), ("c", e.cost()))
    }
    assert option.qalys == pytest.approx(sum(option.starts) * (gained["q"] - today["q"]))
    assert option.full_cost == pytest.approx(sum(option.starts) * (gained["c"] - today["c"]))
    (shown,) = options_value_table(programme)
    assert shown.rows[0][1] == "0.0"
