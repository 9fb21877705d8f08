"""What alone turns the cash, and the volumes that pay: each is plugged back, on both sides."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from econmodel.model.inputs import base_values
from econmodel.parameters.loading import demo_file, load_case
from econmodel.parameters.overrides import set_values
from econmodel.programme.break_even import MOST, break_even, npv_at
from econmodel.programme.budget import Budget
from econmodel.programme.money_question import MoneyQuestion, ask_money
from econmodel.programme.planned import budget_of
from econmodel.programme.switching import Switching, find_switching, may_move


@pytest.fixture(scope="module")
def question() -> MoneyQuestion:
    """A programme that brings a little: paid nearly twice as much, with staff blocks soon needed."""
    dear = ["ratio_payment=1.9", "n_spare_sessions=5", "n_session_slots=200"]
    return ask_money(set_values(load_case(demo_file()).parameters, dear))


@pytest.fixture(scope="module")
def found(question: MoneyQuestion) -> Switching:
    return find_switching(question)


@pytest.fixture(scope="module")
def budget() -> Budget:
    """Blocks of 44 sessions so dear that the volumes that pay are cut by steps."""
    path = demo_file().with_name("demo_uk.toml")
    cut = ["ratio_payment=1.65", "n_spare_sessions=5", "c_session_block=30000", "n_session_slots=200"]
    case = ask_money(set_values(load_case(path).parameters, cut)).parameters
    return budget_of(case, base_values(case))


def test_each_value_turns_the_sign(question: MoneyQuestion, found: Switching) -> None:
    """A little to either side of each value the cash has another sign, with all else at base; within the range; nearest first."""
    assert found.brings
    assert len(found.rows) > 10
    held = question.held()
    changes = [{r.input: r.value + side * 1e-6 * (r.high - r.low)} for r in found.rows for side in (-1, 1)]
    below, above = held.answers(changes).reshape(-1, 2).T
    assert ((below >= 0) != (above >= 0)).all()
    assert all(r.low <= r.value <= r.high for r in found.rows)
    assert [r.distance for r in found.rows] == sorted(r.distance for r in found.rows)


def test_no_other_input_turns_it_at_an_end(question: MoneyQuestion, found: Switching) -> None:
    """Negative control: at both ends of what is not listed the sign stays, among inputs that may be varied alone."""
    listed = {r.input for r in found.rows}
    left = [p for p in question.varying() if p.name not in listed and may_move(p) and p.range]
    ends = question.held().answers([{p.name: x} for p in left for x in (p.range.low, p.range.high)])
    assert (ends[~np.isnan(ends)] >= 0).all()


def test_sentence_says_which_side(found: Switching) -> None:
    """What brings cash stays so while ...; what costs would break even if ...; nothing is said to be nothing."""
    first = found.rows[0]
    side = "below" if first.value > first.base else "above"
    assert found.sentence.startswith(f"It stays so only while each of: {first.label[0].lower()}")
    assert f" {side} " in found.sentence.split(";")[0]
    costs = replace(found, brings=False).sentence
    assert costs.startswith("It would break even if, alone: ")
    assert (" at least " if side == "below" else " at most ") in costs.split(";")[0]
    assert Switching((), brings=False).sentence == "No single input within its range changes this."


def test_volumes_that_pay_plug_back(budget: Budget) -> None:
    """Within each interval the cash is 0 or more, outside it is below; steps cut it in more than one piece."""
    volume = break_even(budget)
    assert len(volume.intervals_cash) > 1
    starts = np.linspace(0.0, MOST, 3001)[1:] * volume.steady_state
    inside = np.zeros_like(starts, dtype=bool)
    for low, high in volume.intervals_cash:
        inside |= (starts >= low) & (starts <= (np.inf if high is None else high))
    assert ((npv_at(budget, starts / volume.steady_state) >= -1e-9) == inside).all()
    for low, high in volume.intervals_cash:
        for edge, out in ((low, -1), (high, 1)):
            if edge:
                assert npv_at(budget, np.array([edge * (1 + out * 1e-6) / volume.steady_state]))[0] < 0
    assert "pays in cash at" in volume.volumes


def test_staff_time_counted_pays_at_more_volumes(budget: Budget) -> None:
    """At today's volume the interval with capacity holds exactly where that present value is 0 or more."""
    volume = break_even(budget)
    here = volume.steady_state
    for intervals, worth in ((volume.intervals_cash, budget.npv_cash), (volume.intervals_capacity, budget.npv_with_capacity)):
        assert any(low <= here <= (np.inf if high is None else high) for low, high in intervals) == (worth[0] >= 0)
    assert sum((high or 99) - low for low, high in volume.intervals_capacity) > sum(
        (high or 99) - low for low, high in volume.intervals_cash
    )
