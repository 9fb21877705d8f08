"""The programme's money asked at any point: each answer is the budget of that case, and no complication ever brings cash."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from econmodel.errors import AnalysisError
from econmodel.model.inputs import base_values
from econmodel.parameters.loading import demo_file, load_case
from econmodel.parameters.overrides import set_values
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.schema import Surveillance
from econmodel.programme.money_question import (
    MONEY_OUTCOMES,
    MoneyQuestion,
    ask_money,
    money_outcome,
    money_pairs,
    money_scenarios,
    usual_interval,
)
from econmodel.programme.planned import budget_of
from econmodel.uncertainty.deterministic import USUAL_INTERVAL, one_way
from econmodel.uncertainty.scenarios import scenario_files
from econmodel.uncertainty.thresholds import threshold
from econmodel.uncertainty.two_way import two_way

CHANGES = [
    {},
    {"share_cash_bleeds": 0.7},
    {"ratio_volume": 1.5, "ratio_payment": 1.2},
    {"payment_surveillance_eus": 3000.0},
    {"p_first_bleed_year_1": 0.3},
    {"n_start_delay_months": 9.0},
    {"n_budget_years": 7.0},
    {"n_budget_years": 7.0, "hr_glue": 0.4},
    {"start_age": 50.0},
    {USUAL_INTERVAL: 24.0},
]


@pytest.fixture(scope="module")
def question() -> MoneyQuestion:
    return ask_money(load_case(demo_file()).parameters)


def changed(parameters: ParameterSet, change: dict[str, float]) -> ParameterSet:
    """The case with a change made by hand."""
    for name, value in change.items():
        if name != USUAL_INTERVAL:
            parameters = parameters.with_value(name, value)
            continue
        looked = {
            k: row if row.session else replace(row, surveillance=Surveillance((), int(value)))
            for k, row in parameters.strategies.items()
            for k, row in parameters.strategies.items()
        }
        parameters = replace(parameters, strategies=looked)
    return parameters


@pytest.mark.parametrize("outcome", MONEY_OUTCOMES)
def test_each_answer_is_the_budget_of_that_case(question: MoneyQuestion, outcome: str) -> None:
    """Asked together, by whatever way, each is what a run of its own gives; and the changes differ."""
    found = replace(question, outcome=outcome).answers(CHANGES)
    cases = [changed(question.parameters, change) for change in CHANGES]
    alone = [float(money_outcome(budget_of(case, base_values(case)), outcome)[0]) for case in cases]
    assert found == pytest.approx(alone, rel=1e-9)
    if outcome == "npv_cash":
        assert len({round(x) for x in alone}) == len(CHANGES)


def test_a_change_that_the_model_refuses_leaves_the_others(question: MoneyQuestion) -> None:
    """No first bleed is likelier than certain, and fees need a cost: not a number, and the rest stays."""
    found = question.answers([{"share_cash_bleeds": 0.7}, {"share_physician_employed": 1.0}, {"share_cash_bleeds": 0.2}])
    assert np.isnan(found).tolist() == [False, True, False]
    assert found[0] > found[2]


def test_no_complication_brings_cash(question: MoneyQuestion) -> None:
    """Likelier complications never raise the present value in cash while they are not paid; paid above their cost they may."""
    names = sorted({name for row in question.parameters.strategies.values() for name in row.complications.values()})
    high = [{name: min(3 * question.parameters.number(name), 0.9)} for name in names]
    base, *worse = question.answers([{}, *high])
    assert max(worse) < base
    dear = set_values(question.parameters, ["share_harms_paid=1", "payment_fever=90000"])
    base, paid = replace(question, parameters=dear).answers([{}, {"p_fever": 0.9}])
    assert paid > base


def test_every_finance_input_takes_part(question: MoneyQuestion) -> None:
    """Prices, programme inputs, the follow-up of the untreated: all move the tornado; the widest come first."""
    rows = one_way(question)
    names = {row.name for row in rows}
    assert {"ratio_volume", "ratio_payment", "ratio_cost", "share_cash_bleeds", "share_bed_refill", "discount_finance"} <= names
    assert {"c_coordinator", "r_escalator_pay", "n_settlement_days", USUAL_INTERVAL, "n_start_delay_months"} <= names
    swings = [row.swing for row in rows if np.isfinite(row.swing)]
    assert swings == sorted(swings, reverse=True)
    assert "share_occupancy" not in names  # it turns bed-days into beds, and moves no cash


def test_pays_back_from_the_value_found(question: MoneyQuestion) -> None:
    """Where a payment is dear enough the programme pays back; just there payback turns from never to a number."""
    wide = question.parameters.parameters["ratio_payment"]
    ranged = replace(wide, range=replace(wide.range, high=3.0)) if wide.range else wide
    asked = replace(
        question, parameters=replace(question.parameters, parameters=question.parameters.parameters | {"ratio_payment": ranged})
    )
    found = threshold(replace(asked, outcome="payback"), "ratio_payment")
    assert len(found.crossings) == 1
    assert "pays back within 5 years while" in found.sentence
    step = 1e-6
    answers = replace(asked, outcome="payback").answers([{"ratio_payment": found.crossings[0] + side * step} for side in (-1, 1)])
    assert np.isinf(answers).tolist() == [True, False]
    turn = threshold(asked, "ratio_payment").crossings[0]
    assert asked.answers([{"ratio_payment": turn}])[0] == pytest.approx(0.0, abs=1e-4)


def test_maps_and_scenarios(question: MoneyQuestion) -> None:
    """Each map's corner is an answer; the last is of the examinations; every scenario is a row, the case first."""
    pairs = money_pairs(question.parameters)
    assert pairs[-1] == ("payment_surveillance_eus", USUAL_INTERVAL)
    for x, y in pairs:
        grid = two_way(question, x, y, points=2)
        corner = question.answers([{x: float(grid.x_values[-1]), y: float(grid.y_values[0])}])[0]
        assert grid.values[0, -1] == pytest.approx(corner, rel=1e-9)
    paths = [path for path in scenario_files() if path.stem in ("no_usual_endoscopy", "coil_ratios_one")]
    base, *rows = money_scenarios(question, paths)
    assert base.npv_cash == pytest.approx(question.answers([{}])[0])
    assert [row.key for row in rows] == [path.stem for path in paths]
    assert all(row.npv_cash != base.npv_cash for row in rows)


def test_bad_questions_of_money_are_refused(question: MoneyQuestion) -> None:
    """An unknown outcome is one clear error; where nobody is examined there is no interval to vary."""
    with pytest.raises(AnalysisError, match="outcome 'npv'"):
        ask_money(question.parameters, "npv")
    none = {k: replace(row, surveillance=Surveillance()) for k, row in question.parameters.strategies.items()}
    assert usual_interval(replace(question.parameters, strategies=none)) is None
