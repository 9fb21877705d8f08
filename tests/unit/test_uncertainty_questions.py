"""Answers at any point: settings, impossible points, and comparisons with something else than no prophylaxis."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from econmodel.economics.evaluate import evaluate
from econmodel.model.inputs import base_values
from econmodel.parameters.loading import load_case
from econmodel.uncertainty.deterministic import SETTINGS, Question, answer, answer_to, ask, one_way, outcome_of, varied
from econmodel.uncertainty.scenarios import scenario_table
from econmodel.uncertainty.thresholds import threshold, thresholds
from econmodel.uncertainty.two_way import SOURCES, two_way


@pytest.fixture(scope="module")
def question() -> Question:
    return ask(load_case().parameters, "coil_and_glue", "watch", "nmb")


def test_only_settings_are_read_from_the_case(question: Question) -> None:
    """Whatever is not a setting acts through the draws: moving it, and what follows it, there or in the case is the same."""
    p = question.parameters
    wrong = []
    highs = {n: x.range.high for n, x in p.numeric().items() if x.range and n not in (*SETTINGS, "seed", "draws")}
    answers = answer_to(question, [{name: high} for name, high in highs.items()])
    for (name, high), through_draws in zip(highs.items(), answers.tolist(), strict=True):
        case = p
        for moved, value in varied(question.parameters, [{name: high}]).items():
            case = case.with_value(moved, float(value[0])) if value[0] != p[moved].value else case
        in_case = float(answer(replace(question, parameters=case))[0])
        if not (np.isnan(through_draws) or through_draws == pytest.approx(in_case, rel=1e-9)):
            wrong.append(name)
    assert wrong == []


@pytest.mark.parametrize(("name", "value"), [("discount_costs", 0.05), ("start_age", 50.0), ("willingness_to_pay", 5e4)])
def test_a_setting_acts(question: Question, name: str, value: float) -> None:
    """A point that changes a setting is the case with that setting, and differs from the case."""
    found = answer_to(question, [{}, {name: value}, {name: value, "c_coil": 300.0}])
    changed = replace(question, parameters=question.parameters.with_value(name, value))
    assert found[1] == pytest.approx(answer(changed)[0])
    assert found[0] != found[1]
    assert found[1] != found[2]


def test_settings_stand_in_the_tornado(question: Question) -> None:
    """Discount rates, starting age and the threshold have bars like any input with a range."""
    assert {"discount_costs", "discount_outcomes", "start_age", "willingness_to_pay"} <= {r.name for r in one_way(question)}


def test_impossible_points_have_no_answer(question: Question) -> None:
    """An effect gone before it fades, or more intensive-care days than days of stay, leaves a gap; the rest stands."""
    found = answer_to(question, [{}, {"n_effect_none_years_endoscopic": 3.0}, {"n_icu_days": 60.0}, {"c_coil": 250.0}])
    assert np.isnan(found).tolist() == [False, True, True, False]
    stated = ask(load_case(sets=["effect_basis=intention_to_treat"]).parameters, "coil_and_glue", "watch", "nmb")
    grid = two_way(stated, "n_effect_full_years_endoscopic", "n_effect_none_years_endoscopic", points=5)
    assert [row["outcome"] is None for row in grid.rows()].count(True) > 0


def test_against_the_beta_blocker() -> None:
    """Every analysis runs where the comparator is usual care."""
    asked = ask(load_case().parameters, "glue", "beta_blocker")
    assert len(scenario_table(asked)) > 10
    assert one_way(asked)
    e = evaluate(load_case().parameters, yearly=False, by_group=False)
    assert answer(asked)[0] == pytest.approx(outcome_of(e, "cost", "glue", "beta_blocker")[0])


def test_thresholds_together_are_thresholds_alone(question: Question) -> None:
    """Closing in on several inputs at once gives each the root it has alone, and plugging back gives nil."""
    asked = replace(question, outcome="cost")
    names = ["r_late_rebleed", "p_first_bleed_year_1", "c_bleed_mean"]
    together = thresholds(asked, names)
    assert sum(len(t.crossings) for t in together) >= 2
    for name, found in zip(names, together, strict=True):
        assert found.crossings == pytest.approx(threshold(asked, name).crossings, rel=1e-9)
        for crossing in found.crossings:
            assert answer_to(asked, [{name: crossing}])[0] == pytest.approx(0.0, abs=1e-6)


def test_a_whole_number_crosses_at_a_whole_number() -> None:
    """Where an age decides, the sentence names the last age that helps; one on, the answer has turned."""
    case = load_case(sets=["p_first_bleed_year_1=0.26", "r_late_rebleed=0.34"]).parameters
    asked = ask(case, "coil_and_glue", "watch", "cost")
    answers = answer_to(asked, [{"start_age": float(age)} for age in range(45, 71)])
    found = threshold(asked, "start_age")
    if np.ptp(np.sign(answers)) == 0:
        assert found.crossings == ()
    else:
        (age,) = found.crossings
        assert age == round(age)
        assert answers[int(age) - 45] < 0
        assert "at most" in found.sentence or "at least" in found.sentence


def test_points_in_draws_equal_points_alone(question: Question) -> None:
    """A batch of points is the points one by one."""
    changes = [{"hr_glue": 0.2}, {"hr_glue": 0.9, "c_coil": 100.0}, {}]
    assert answer_to(question, changes) == pytest.approx([float(answer_to(question, [c])[0]) for c in changes], rel=1e-12)
    assert float(answer(question, base_values(question.parameters))[0]) == pytest.approx(float(answer(question)[0]))


def test_scenarios_of_another_folder(tmp_path: Path) -> None:
    """A user's own scenario file makes a row."""
    path = tmp_path / "cheap.toml"
    path.write_text(
        'title = "Cheap coils"\nrationale = "A test."\nbaseline = "base_case"\n\n[override.c_coil]\nvalue = 20\nreason = "A test."\n',
        encoding="utf-8",
    )
    rows = scenario_table(ask(load_case().parameters, "coil_and_glue", "watch"), [path])
    assert [r.key for r in rows] == ["base", "cheap"]
    assert rows[1].cost < rows[0].cost


def test_a_scenario_without_an_answer_says_why(tmp_path: Path) -> None:
    """A strategy without the course of a varix has no answer where the effect is a process; the other scenarios have theirs."""
    row = load_case().parameters.strategies["glue"]
    case = load_case(sets=["effect_basis=intention_to_treat"]).parameters
    bare = replace(row, p_obliteration="", r_recurrence="", r_lost="", p_retreat_accepted="")
    case = replace(case, strategies=case.strategies | {"glue": bare})
    rows = {r.key: r for r in scenario_table(ask(case, "glue", "watch"))}
    unanswered = {key for key, r in rows.items() if np.isnan(r.cost)}
    assert unanswered == {"high_recurrence", "low_attendance", "no_surveillance"}
    said = rows["low_attendance"].rationale
    assert said.startswith("No answer with this case's values: strategy glue: effect_basis = 'process' needs p_obliteration")


def test_rebleeding_by_source_counts_every_bleed() -> None:
    """Patients per bleed averted are 100 over bleeds averted per 100; the more the varix rebleeds, the fewer of them."""
    question = ask(load_case().parameters, "coil_and_glue", "watch")
    grid = two_way(replace(question, outcome="nnt_all"), *SOURCES, 3)
    changes = [{SOURCES[0]: float(x), SOURCES[1]: float(grid.y_values[0])} for x in grid.x_values]
    averted = answer_to(replace(question.held(), outcome="bleeds"), changes)
    np.testing.assert_allclose(grid.values[0], 100 / averted)
    assert (np.diff(grid.values, axis=1) < 0).all()
