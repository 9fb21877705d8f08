"""One-way, two-way, thresholds, scenarios and Sobol indices of one comparison."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from econmodel.errors import AnalysisError, ParameterError
from econmodel.package import params_folder
from econmodel.parameters.loading import load_case
from econmodel.uncertainty import global_sensitivity
from econmodel.uncertainty.deterministic import Question, answer, ask, one_way, varied
from econmodel.uncertainty.scenarios import scenario_table
from econmodel.uncertainty.thresholds import threshold
from econmodel.uncertainty.two_way import default_pair, two_way, two_way_sentence
from econmodel.wording import money


@pytest.fixture(scope="module")
def question() -> Question:
    return ask(load_case().parameters, "coil_and_glue", "watch")


def test_one_way_ends_are_evaluations(question: Question) -> None:
    """Each bar's end is the outcome with that input alone changed; the widest comes first."""
    rows = one_way(question)
    swings = [r.swing for r in rows]
    assert swings == sorted(swings, reverse=True)
    top = rows[0]
    assert answer(question, varied(question.parameters, [{top.name: top.low_value}]))[0] == pytest.approx(top.outcome_at_low, rel=1e-9)
    assert top.base == pytest.approx(float(answer(question)[0]))


def test_inputs_without_effect_are_left_out(question: Question) -> None:
    """An input the comparison does not use makes no bar."""
    assert "hr_transvenous" not in {r.name for r in one_way(question)}


def test_threshold_is_verified_by_plugging_back(question: Question) -> None:
    """At the break-even value net cost is nil."""
    found = threshold(question, "p_first_bleed_year_1")
    assert len(found.crossings) == 1
    assert answer(question, varied(question.parameters, [{found.name: found.crossings[0]}]))[0] == pytest.approx(0.0, abs=1e-4)
    assert "saves over 5 years while" in found.sentence
    assert "above" in found.sentence


def test_no_threshold_in_range_is_an_answer(question: Question) -> None:
    """A range that never breaks even says so."""
    found = threshold(question, "c_coil")
    assert found.crossings == ()
    assert "saves over 5 years at no value of full cost: one coil in its range, so there is no threshold" in found.sentence
    ends = [answer(question, varied(question.parameters, [{"c_coil": end}]))[0] for end in (55.0, 400.0)]
    assert f"{money(ends[0], 'USD')} at 55 USD/coil, {money(ends[1], 'USD')} at 400" in found.sentence


def test_every_request_gets_a_sentence(question: Question) -> None:
    """An input that moves nothing is said to; an NNT never crosses 0; a map tells its span; amounts are in full."""
    assert "has no effect on net cost per patient" in threshold(question, "hr_transvenous").sentence
    counted = replace(question, outcome="nnt")
    assert "an NNT does not cross 0" in threshold(counted, "hr_glue").sentence
    assert threshold(counted, "hr_glue").crossings == ()
    assert re.search(r"above 2\d,\d{3} USD/event, base 18,850", threshold(question, "c_bleed_mean").sentence)
    grid = two_way(question, *default_pair(question.parameters), points=3)
    said = two_way_sentence(question, grid)
    assert money(float(grid.values.max()), "USD") in said
    assert said.endswith("over that time it saves on one side of the break-even line on the map.")
    assert "%" not in said


def test_two_way_grid_and_break_even(question: Question) -> None:
    """The grid holds evaluations, and its break-even points lie between signs."""
    grid = two_way(question, *default_pair(question.parameters), points=7)
    corner = answer(question, varied(question.parameters, [{grid.x: grid.x_values[0], grid.y: grid.y_values[-1]}]))[0]
    assert grid.values[-1, 0] == pytest.approx(corner, rel=1e-9)
    assert grid.break_even()
    for x, y in grid.break_even():
        assert grid.x_values[0] <= x <= grid.x_values[-1]
        assert y in grid.y_values


def test_scenarios_cover_every_file(question: Question) -> None:
    """Every scenario file is a row after the case itself, with an answer; coil ratios of 1 avert fewer bleeds."""
    rows = {r.key: r for r in scenario_table(question)}
    assert set(rows) == {"base", *(p.stem for p in (params_folder() / "scenarios").glob("*.toml"))}
    assert rows["coil_ratios_one"].bleeds < rows["base"].bleeds
    assert not [r.rationale for r in rows.values() if np.isnan(r.cost)]


@pytest.mark.parametrize(
    ("make", "match"),
    [
        (lambda p: ask(p, "coil_and_glue", "watch", "euros"), "outcome 'euros'"),
        (lambda p: ask(p, "coil_an_glue", "watch"), "strategy 'coil_an_glue'"),
        (lambda p: ask(p, "watch", "watch"), "itself"),
        (lambda p: two_way(ask(p, "glue", "watch"), "hr_glue", "hr_glue"), "two different"),
        (lambda p: threshold(ask(p, "glue", "watch"), "seed"), "no declared range"),
    ],
)
def test_bad_questions_are_refused(make: object, match: str) -> None:
    """An impossible question is one clear error."""
    with pytest.raises((AnalysisError, ParameterError), match=match):
        make(load_case().parameters)  # type: ignore[operator]


def test_sobol_indices_of_a_known_additive_function(question: Question, monkeypatch: pytest.MonkeyPatch) -> None:
    """For y = 3 u1 + u2 of independent uniforms the indices are 0.9 and 0.1 (common practice, no source)."""
    names = ["p_rescue", "p_icu_bleed"]
    grid = np.linspace(1e-6, 1 - 1e-6, 4001)
    at = [question.parameters[n].distribution.ppf(grid) for n in names]

    def additive(_: Question, values: dict[str, np.ndarray]) -> np.ndarray:
        u = [np.interp(values[n], quantiles, grid) for n, quantiles in zip(names, at, strict=True)]
        return 3 * u[0] + u[1]

    monkeypatch.setattr(global_sensitivity, "answer", additive)
    rows = {r.name: r for r in global_sensitivity.sobol_indices(question, seed=1, points=512, names=names)}
    assert rows["p_rescue"].first_order == pytest.approx(0.9, abs=0.02)
    assert rows["p_icu_bleed"].total == pytest.approx(0.1, abs=0.02)
