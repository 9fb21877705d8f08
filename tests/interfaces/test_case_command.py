"""The main job on every shipped scenario, and on local values a scenario cannot answer."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from econmodel.errors import ModelError
from econmodel.interfaces.case_command import evaluate_case, report_tables, vary_inputs
from econmodel.interfaces.common import load
from econmodel.parameters.loading import params_folder

RISING = ["hr_first_bleed_years_2_3=1.3", "hr_first_bleed_from_year_4=1.3"]
SCENARIOS = sorted((params_folder() / "scenarios").glob("*.toml"))


@pytest.mark.parametrize("path", SCENARIOS, ids=lambda path: path.stem)
def test_every_scenario_answers_every_analysis(path: Path) -> None:
    """A scenario as the case itself: results, programme with its downside, draws, inputs one at a time, other scenarios."""
    case = load(None, [path], draws=10)
    _, document, found = evaluate_case(case)
    _, document = vary_inputs(case, found, document, quiet=True)
    tables = report_tables(case)
    assert document["uncertainty"]["draws"] == 10
    assert len(document["programme"]["downside"]) == 15
    rows = {row["key"]: row for row in tables["scenarios"]["rows"]}
    assert set(rows) == {"base", *(p.stem for p in SCENARIOS)}
    assert rows["base"]["cost"] is not None
    assert {row["key"] for row in tables["scenarios"]["rows"] if row["cost"] is None} <= {"frailty"}
    assert len(tables["one_way"]["rows"]) > 40


def test_scenario_without_an_answer_stays_in_the_table() -> None:
    """Where the local rate rises, loss of the susceptible cannot explain it: the row says so, the case stands."""
    case = load(None, sets=RISING, draws=0)
    evaluate_case(case)
    rows = {row["key"]: row for row in report_tables(case)["scenarios"]["rows"]}
    assert rows["frailty"]["cost"] is None
    assert "susceptibility cannot explain" in rows["frailty"]["rationale"]
    assert math.isfinite(rows["base"]["cost"])
    with pytest.raises(ModelError, match="susceptibility"):
        evaluate_case(load(None, sets=[*RISING, "hazard_decline=frailty"], draws=0))
