"""Options appraisal: each option is the programme with that mix, doing nothing is nothing, and no option is praised for harm."""

from __future__ import annotations

from dataclasses import replace

import pytest

from econmodel.parameters.loading import demo_file, load_case
from econmodel.parameters.overrides import set_value
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.programme.options import DO_MINIMUM, DO_NOTHING, PROPOSAL, Appraisal, OptionRow, rank_by_cash
from econmodel.programme.report import ProgrammeResult, evaluate_programme
from econmodel.reporting.tables.programme import options_table


@pytest.fixture(scope="module")
def parameters() -> ParameterSet:
    return load_case(demo_file()).parameters


@pytest.fixture(scope="module")
def programme(parameters: ParameterSet) -> ProgrammeResult:
    return evaluate_programme(parameters, draws=20, seed=1)


@pytest.fixture(scope="module")
def found(programme: ProgrammeResult) -> Appraisal:
    assert programme.options is not None
    return programme.options


def row(found: Appraisal, key: str) -> OptionRow:
    return next(r for r in found.rows if r.key == key)


def test_doing_nothing_is_zero_and_the_proposal_is_the_programme(found: Appraisal, programme: ProgrammeResult) -> None:
    """Today's mix changes nothing; the last option is the budget itself, its chance of a loss that of the draws."""
    nothing = row(found, DO_NOTHING)
    figures = [nothing.npv_cash, nothing.npv_with_capacity, nothing.peak_cash, nothing.bleeds_averted, nothing.bleed_deaths_averted]
    assert figures == [0.0] * 5
    assert not any(nothing.npv_by_view.values())
    proposal = found.rows[-1]
    assert proposal.key == PROPOSAL
    assert proposal.npv_cash == programme.headline.npv_cash
    assert proposal.npv_by_view["block"] == pytest.approx(programme.views["block"].headline.npv_cash)
    assert proposal.probability_cash_loss == programme.probability_cash_loss
    assert len(found.rows) == 3 + len([k for k in programme.budget.inputs.current_mix if k]) + 3


@pytest.mark.parametrize("key", ["glue", DO_MINIMUM])
def test_an_option_is_a_programme_of_its_own(parameters: ParameterSet, found: Appraisal, key: str) -> None:
    """Proposed alone, an option gives the same money; usual care carries no coordinator, training, service contract nor ramp."""
    option = row(found, key)
    mix = tuple({"strategy": name, "share": share} for name, share in option.mix.items())
    case = replace(parameters, parameters=parameters.parameters | {"proposed_mix": replace(parameters["proposed_mix"], table=mix)})
    if key == DO_MINIMUM:
        assert option.mix == {"beta_blocker": 0.85, "watch": pytest.approx(0.15)}
        for name in ("c_coordinator", "c_training", "c_service_contract", "n_start_delay_months"):
            case = set_value(case, f"{name}=0")
        nobody = {"ramp": ({"quarter": 1, "share": 1.0},)}
        rows = replace(case["ramp"], table=tuple(dict(case["ramp"].table[0], share=1.0) for _ in nobody))
        case = replace(case, parameters=case.parameters | {"ramp": rows, "capital": replace(case["capital"], table=())})
    alone = evaluate_programme(case)
    assert option.npv_cash == pytest.approx(alone.headline.npv_cash, rel=1e-9)
    assert option.bleeds_averted == pytest.approx(alone.headline.bleeds_averted, rel=1e-9)
    assert option.npv_cash != pytest.approx(found.proposal.npv_cash)  # negative control


def made(key: str, cash: float, bleeds: float, deaths: float = 0.1, chance: float | None = 0.1) -> OptionRow:
    return OptionRow(key, key.upper(), {}, cash, cash, {}, chance, 0.0, 0.0, bleeds, deaths, 0.0, 0.0)


def test_standing_by_hand() -> None:
    """Nothing, 100 for 1 bleed, 300 for 2, 350 for 3: the second is beaten by a mixture; more deaths stand apart."""
    rows = rank_by_cash([made("a", 0, 0, 0), made("b", -100, 1), made("c", -300, 2), made("d", -350, 3), made("e", 50, 4, -0.5)])
    assert [r.standing for r in rows] == ["reference", "on_frontier", "extendedly_dominated", "on_frontier", "more_harm"]
    assert [r.cash_per_further_bleed for r in rows] == [None, 100, None, 125, None]
    assert rows[1].cash_per_bleed == 100
    assert rows[0].cash_per_bleed is None


@pytest.mark.parametrize(
    ("proposal", "words"),
    [
        (made("p", -200, 2), ["loses"]),
        (made("p", 10, 2, chance=0.4), ["above 25%"]),
        (made("p", 10, 0.5), ["another averts"]),
        (made("p", 500, 2, -1.0), ["more bleeds, or more deaths"]),
        (made("p", 30, 2), []),
    ],
)
def test_what_speaks_against_follows_the_numbers(proposal: OptionRow, words: list[str]) -> None:
    """Cash, chance and standing each speak; an option with more deaths is never one that nothing beats."""
    found = Appraisal(rank_by_cash([made("a", 0, 0, 0), made("b", 20, 1), proposal]), 5, "USD")
    assert len(found.reasons_against) == len(words)
    assert all(word in said for word, said in zip(words, found.reasons_against, strict=True))
    beaten = found.proposal.standing not in ("reference", "on_frontier")
    assert ("ranked behind" in found.order) == beaten
    assert (found.proposal in found.frontier) == (not beaten)
    assert beaten or proposal.bleed_deaths_averted >= 0


def test_the_table_holds_every_option(programme: ProgrammeResult, found: Appraisal) -> None:
    """One line an option, its harms beside its benefits, and the sentence with the order below."""
    (shown,) = options_table(programme)
    assert [line[0] for line in shown.rows] == [r.label for r in found.rows]
    assert found.sentence in (shown.note or "")
    assert "deaths of the procedure" in found.sentence
    assert "the proposal is" in found.order.lower()


def test_downside_rows_of_the_model_say_whether_they_help(programme: ProgrammeResult) -> None:
    """Fewer examinations of the untreated leave more income but take slots, here a block of them; complications never help."""
    rows, base = {row.key: row for row in programme.downside}, programme.headline.npv_cash
    usual, none = programme.headline.year_3_net_contribution, rows["no_usual_follow_up"].year_3_net_contribution
    assert rows["dense_usual_follow_up"].year_3_net_contribution < usual < none
    assert rows["no_usual_follow_up"].npv_cash < base
    helps = [row for row in rows.values() if row.said.endswith("(helps)")]
    assert {row.key for row in helps} == {row.key for row in rows.values() if row.npv_cash > base}
    assert rows["harms_doubled"].npv_cash < base
    assert rows["harms_doubled"].said == rows["harms_doubled"].label
    assert rows["low_attendance"].bleeds_averted < programme.headline.bleeds_averted
    assert rows["do_minimum"].bleeds_averted < programme.headline.bleeds_averted
