"""Inputs that act under one choice of a setting alone: they move nothing under another, and say so wherever they are met."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from econmodel.economics.evaluate import Evaluation, evaluate
from econmodel.errors import AnalysisError, ParameterError
from econmodel.parameters import load_case
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.rules import check
from econmodel.parameters.second_look import second_look
from econmodel.reporting.form.questions import questions
from econmodel.reporting.tables.provenance import provenance_rows
from econmodel.uncertainty.deterministic import ask, needed_input, one_way
from econmodel.uncertainty.two_way import default_pair, two_way

BASE = load_case().parameters
CONDITIONED = [p.name for p in BASE.parameters.values() if p.acts_where]
ELSEWHERE = {
    "effect_basis": ("process", "intention_to_treat"),
    "rebleed_by_time": ("constant", "step"),
    "hazard_decline": ("time", "frailty"),
    "child_course": ("fixed", "worsening"),
}
OTHER_VALUE = {"effect_clock": "last_course", "rebleed_by_time": "step", "n_frailty_classes": 3.0, "n_trial_months": 12.0}


def case(name: str, *, acts: bool) -> ParameterSet:
    """The base case over twelve years, with settings under which an input acts, or one by one does not."""
    p = BASE
    settings = dict(p[name].acts_where)
    if not acts:
        first = next(iter(settings))
        settings[first] = next(choice for choice in ELSEWHERE[first] if choice != settings[first])
    values: dict[str, str | float] = {"horizon_years": 12.0, **settings}
    return replace(p, parameters=p.parameters | {n: replace(p[n], value=v) for n, v in values.items()})


def moved(parameters: ParameterSet, name: str) -> ParameterSet:
    """The same with the input at the other end of its range."""
    p = parameters[name]
    far = OTHER_VALUE.get(name) or (p.range.low if p.range and p.range.low != p.value else p.range.high if p.range else 0.0)
    return replace(parameters, parameters=parameters.parameters | {name: replace(p, value=far)})


def outcomes(e: Evaluation) -> np.ndarray:
    return np.concatenate([e.cost()[0].ravel(), e.bleeds()[0].ravel(), e.qalys()[0].ravel()])


@pytest.mark.parametrize("name", CONDITIONED)
def test_an_input_acts_where_it_says_and_nowhere_else(name: str) -> None:
    """Under another choice results are the same to the bit; under the one named they move."""
    idle, acting = (case(name, acts=acts) for acts in (False, True))
    assert idle.idle(name)
    assert not acting.idle(name)
    np.testing.assert_array_equal(outcomes(evaluate(idle)), outcomes(evaluate(moved(idle, name))))
    if name not in ("n_effect_fade_years_endoscopic", "n_effect_none_years_drug"):  # its end follows it; no range to move in
        assert np.abs(outcomes(evaluate(acting)) - outcomes(evaluate(moved(acting, name)))).max() > 1e-9


def test_an_idle_input_is_told_where_it_is_set_listed_swept_and_asked() -> None:
    """One sentence each: on setting it, in the table of inputs, on sweeping it; the form leaves it out and says so."""
    name = "share_retreat_later"
    found = load_case(None, (), [f"{name}=0.5", "effect_basis=process", "horizon_years=5"]).parameters
    (sentence,) = (s for s in second_look(found) if s.startswith(name))
    assert "has no effect here: it acts where effect_basis is intention_to_treat, and that is process" in sentence
    assert {r["name"] for r in provenance_rows(found) if r["idle"]} == {n for n in CONDITIONED if found.idle(n)}
    question = ask(found, "coil_and_glue", "watch")
    with pytest.raises(AnalysisError, match="has no effect here"):
        needed_input(question.parameters, name)
    assert not {row.name for row in one_way(question)} & {n for n in CONDITIONED if found.idle(n)}
    assert two_way(question, *default_pair(found), points=2).values.shape == (2, 2)
    assert name not in {asked.question.name for rows in questions(found).values() for asked in rows}
    assert "“what makes a treatment work, and stop working” is “intention to treat”" in found.left_out()


def test_a_setting_that_is_none_is_refused() -> None:
    """An input that would act under a choice no setting has."""
    p = BASE
    wrong = replace(p["r_recurrence"], acts_where={"effect_basis": "proces"})
    with pytest.raises(ParameterError, match="r_recurrence: acts_where effect_basis = 'proces'"):
        check(replace(p, parameters=p.parameters | {"r_recurrence": wrong}))
