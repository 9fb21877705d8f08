"""The live workbook as a file: what it refuses, what is a formula and what never is, names, states and moves."""

from __future__ import annotations

import re
import zipfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from workbook_reading import begun_at, read_results

from econmodel.economics.evaluate import evaluate
from econmodel.errors import AnalysisError, DataError
from econmodel.package import params_folder
from econmodel.parameters.loading import Case, demo_file, load_case
from econmodel.reporting.workbook import build_workbook
from econmodel.reporting.workbook.formula import quoted
from econmodel.reporting.workbook.writer import LONGEST_TEXT, clean, letters

HOSTILE = """
title = "=HYPERLINK(\\"http://example.org\\",\\"open me\\")"
rationale = "A title that looks like a formula."
[override.start_age]
value = 96
reason = "+1+cmd|' /C calc'!A0"
status = "local"
[override.case_mix]
table = [{ name = "@SUM(1,1)", share = 1.0, child = "B", size_step = 2, red_spot = 1 }]
reason = "=1+1"
status = "local"
[override.current_mix]
table = [{ strategy = "watch", share = 1.0 }]
reason = "=1+1"
[override.proposed_mix]
table = [{ strategy = "glue", share = 1.0 }]
reason = "=1+1"
[strategy."my \\"odd\\" key & co."]
label = "=2+2"
starts_in = "protected"
hr_gastric = ["hr_beta_blocker"]
effect_full_years = "n_effect_full_years_drug"
effect_none_years = "n_effect_none_years_drug"
r_stop = "r_stop"
r_stop_later = "r_stop_later"
r_stop_trial = "r_stop_trial"
evidence_note = "-3+3"
[strategy.beta_blocker]
drop = true
[strategy.coil]
drop = true
[strategy.coil_and_glue]
drop = true
[strategy.eus_glue]
drop = true
[strategy.transvenous]
drop = true
"""


def build(case: Case, path: Path, *strategies: str) -> Any:
    from openpyxl import load_workbook

    return load_workbook(build_workbook(case, evaluate(case.parameters), path, strategies))


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """Build a small case whose every text tries to be a formula, for five years from age 95 on."""
    folder = tmp_path_factory.mktemp("hostile")
    (folder / "site.toml").write_text(HOSTILE, encoding="utf-8")
    case = load_case(folder / "site.toml")
    return build(begun_at(case, 95.0), folder / "hostile.xlsx", *case.parameters.strategies)


def cells(workbook: Any, kind: str) -> list[Any]:
    return [cell for page in workbook for row in page.iter_rows() for cell in row if cell.data_type == kind]


def test_text_from_users_never_becomes_a_formula(hostile: Any) -> None:
    """Titles, labels, reasons and group names stay text, and stay so when edited (quote prefix)."""
    shown = {str(cell.value): cell for cell in cells(hostile, "s") if str(cell.value).startswith(("=", "+", "-", "@"))}
    for text in ('=HYPERLINK("http://example.org","open me")', "=2+2", "@SUM(1,1)"):
        assert text in shown
        assert shown[text].quotePrefix
    formulas = [str(cell.value) for cell in cells(hostile, "f")]
    for part in ("HYPERLINK", "cmd|", "=2+2", "@SUM", "-3+3", "=1+1"):
        assert not [formula for formula in formulas if part in formula]


def test_user_keys_enter_formulas_only_as_quoted_text(hostile: Any) -> None:
    """A strategy key with quotes is doubled inside formulas, and gives its sheets a plain name."""
    formulas = [str(cell.value) for cell in cells(hostile, "f") if "odd" in str(cell.value)]
    outside = [f for f in formulas if "odd" in re.sub(r'"(?:[^"]|"")*"', "", f).replace("my__odd__key", "")]
    assert formulas
    assert outside == []
    assert [page.title for page in hostile if page.title.startswith("Trace_")][-1] == "Trace_3_my__odd__key___co_"


def test_every_formula_refers_to_sheets_and_names_that_exist(hostile: Any) -> None:
    """No formula points at a missing sheet, an error, another file or a macro."""
    sheets, names = {page.title for page in hostile}, set(hostile.defined_names)
    functions = {
        "ABS",
        "AND",
        "CHOOSE",
        "COUNT",
        "COUNTIF",
        "EXP",
        "IF",
        "INDEX",
        "INT",
        "ISNUMBER",
        "ISTEXT",
        "LEFT",
        "LN",
        "MATCH",
        "MAX",
        "MIN",
        "MOD",
        "NA",
        "OR",
        "SQRT",
        "SUM",
        "SUMPRODUCT",
        "TEXT",
    }
    for cell in cells(hostile, "f"):
        bare = re.sub(r'"(?:[^"]|"")*"', "", str(cell.value))
        assert set(re.findall(r"([A-Za-z_][A-Za-z0-9_]*)!", bare)) <= sheets, bare
        assert set(re.findall(r"([A-Z]+)\(", bare)) <= functions, bare
        words = set(re.findall(r"(?<![!$A-Za-z0-9_.])([a-z][a-z0-9_]*)(?![!(A-Za-z0-9_])", bare))
        assert words <= names, (bare, words - names)


def test_inputs_are_named_cells_with_value_unit_status_and_source(hostile: Any) -> None:
    """Each input has a defined name on its value; unit, status and source stand in the same row."""
    assert hostile.defined_names["p_rescue"].attr_text.startswith("Inputs!$C$")
    row = int(hostile.defined_names["p_rescue"].attr_text.rsplit("$", 1)[1])
    page = hostile["Inputs"]
    values = [page.cell(row, column).value for column in (2, 3, 4, 9, 12)]
    assert values[:3] == ["p_rescue", 0.08, "probability"]
    assert values[4] == "yes"
    assert page.cell(row, 10).value


def test_inputs_that_move_nothing_here_say_so(hostile: Any) -> None:
    """Settings of the probabilistic analysis and of other structures are marked as not used in the file."""
    used = {row[1]: row[11] for row in hostile["Inputs"].iter_rows(min_row=5, values_only=True) if row[1]}
    assert used["draws"] == used["n_effect_full_years_endoscopic"] == used["r_late_rebleed"] == "no"
    assert used["r_late_rebleed_gastric"] == used["discount_costs"] == used["share_female"] == "yes"


def test_a_drug_without_retreatment_has_no_course_in_its_trace(hostile: Any) -> None:
    """States that a strategy cannot reach are left out of its trace."""
    headers = [cell.value for cell in hostile["Trace_3_my__odd__key___co_"][7]]
    assert "Prophylactically treated" in headers
    assert "Prophylaxis under way" not in headers
    assert "Prophylaxis under way" in [cell.value for cell in hostile["Trace_glue"][7]]


def test_demo_says_invented_on_every_sheet(tmp_path: Path) -> None:
    """The demo hospital's workbook carries the mark in every title and footer."""
    workbook = build(begun_at(load_case(demo_file()), 95.0), tmp_path / "demo.xlsx")
    for page in workbook:
        assert "invented data" in str(page["A1"].value)
        assert "INVENTED DATA" in page.oddFooter.left.text
        assert page.freeze_panes


def test_lead_usual_care_and_none_by_default_and_more_when_asked(tmp_path: Path) -> None:
    """The file holds the lead strategy, usual care and no prophylaxis; others are added by key, an unknown key is told."""
    case = begun_at(load_case(demo_file()), 95.0)
    own = [page.title for page in build(case, tmp_path / "own.xlsx") if page.title.startswith("Trace_")]
    assert own == ["Trace_watch", "Trace_beta_blocker", "Trace_coil_and_glue"]
    more = [page.title for page in build(case, tmp_path / "more.xlsx", "glue") if page.title.startswith("Trace_")]
    assert more == ["Trace_watch", "Trace_beta_blocker", "Trace_glue", "Trace_coil_and_glue"]
    with pytest.raises(AnalysisError, match="strategy 'glu'") as fault:
        build(case, tmp_path / "no.xlsx", "glu")
    assert "glue" in fault.value.fix


@pytest.mark.parametrize(
    ("scenario", "name"),
    [
        ("retreatment_restarts_effect", "effect_clock"),
        ("frailty", "hazard_decline"),
        ("excess_after_bleed_one_year", "years_excess_after_bleed"),
    ],
)
def test_a_structure_is_fixed_in_its_file(tmp_path: Path, scenario: str, name: str) -> None:
    """The input that decides what the file is made of is grey and takes no other value; its stored checks hold."""
    case = begun_at(load_case(overrides=[params_folder() / "scenarios" / f"{scenario}.toml"], sets=["horizon_years=3"]), 90.0)
    book = build(case, tmp_path / "structure.xlsx")
    assert read_results(tmp_path / "structure.xlsx")["failed_checks"] == []
    page = book["Inputs"]
    row = next(cells for cells in page.iter_rows(min_row=5) if cells[1].value == name)
    assert row[2].protection.locked
    assert f'={{}}="{row[2].value}"'.format(row[2].coordinate)[1:] in row[5].value


def test_figures_held_from_the_program_are_told(tmp_path: Path) -> None:
    """Inputs behind what only the program can solve are marked, and a check fails when one of them is changed."""
    case = begun_at(load_case(overrides=[params_folder() / "scenarios" / "frailty.toml"], sets=["horizon_years=3"]), 95.0)
    book = build(case, tmp_path / "frailty.xlsx")
    marks = {row[1]: row[11] for row in book["Inputs"].iter_rows(min_row=5, values_only=True) if row[1]}
    assert marks["p_first_bleed_year_1"] == marks["n_frailty_classes"] == "held"
    labels = {str(row[0]): str(row[1]) for row in book["Checks"].iter_rows(min_row=6, values_only=True)}
    check = next(text for label, text in labels.items() if label.startswith("Inputs changed that figures solved"))
    row = next(cells[0].row for cells in book["Inputs"].iter_rows(min_row=5) if cells[1].value == "p_first_bleed_year_1")
    assert f"Inputs!$F${row}" in check


def test_too_many_groups_are_refused(tmp_path: Path) -> None:
    """More groups than a formula can hold is an error, not a broken file."""
    case = load_case()
    rows = tuple({"name": f"g{i}", "share": 1 / 50, "child": "A", "size_step": 2, "red_spot": 0} for i in range(50))
    mix = replace(case.parameters["case_mix"], table=rows)
    crowded = replace(case, parameters=replace(case.parameters, parameters=case.parameters.parameters | {"case_mix": mix}))
    with pytest.raises(AnalysisError, match="50 patient groups"):
        build_workbook(crowded, evaluate(load_case().parameters), tmp_path / "w.xlsx")


def test_a_folder_in_the_way_is_named(tmp_path: Path) -> None:
    """Writing onto a folder is one clear message."""
    case = load_case(demo_file(), sets=["horizon_years=1"])
    with pytest.raises(AnalysisError, match="is a folder"):
        build_workbook(case, evaluate(case.parameters), tmp_path)


def test_reading_results_before_any_program_worked_them_out_is_refused(hostile: Any, tmp_path: Path) -> None:
    """A file fresh from the model holds formulas only."""
    path = tmp_path / "fresh.xlsx"
    hostile.save(path)
    with pytest.raises(DataError, match="no results yet"):
        read_results(path)


def test_small_parts() -> None:
    """Column letters, quoting and cleaning."""
    assert [letters(n) for n in (1, 26, 27, 702, 703)] == ["A", "Z", "AA", "ZZ", "AAA"]
    assert quoted('a"b') == '"a""b"'
    assert clean("a\x00b") == "a\ufffdb"
    assert clean("x" * (LONGEST_TEXT + 5)).endswith("(cut)")


def test_a_shared_formula_moves_no_row_of_another_sheet(tmp_path: Path) -> None:
    """Excel shares no formula with a reference to another sheet that moves from row to row; those that are shared are many."""
    case = begun_at(load_case(demo_file(), sets=["effect_basis=process"]), 85.0)
    build_workbook(case, evaluate(case.parameters), tmp_path / "shared.xlsx")
    with zipfile.ZipFile(tmp_path / "shared.xlsx") as file:
        pages = [file.read(name).decode() for name in file.namelist() if name.startswith("xl/worksheets/")]
    shared = [formula for page in pages for formula in re.findall(r'<f t="shared" ref="[^"]+" si="\d+">([^<]+)</f>', page)]
    assert len(shared) > 500
    assert [formula for formula in shared if re.search(r"!\$?[A-Z]+\d", formula)] == []
    assert any(re.search(r"!\$[A-Z]+\$\d", formula) for formula in shared)


def test_a_class_that_worsens_is_refused(tmp_path: Path) -> None:
    """The sheets do not split states by class: one sentence says so."""
    case = load_case(demo_file(), sets=["effect_basis=process", "child_course=worsening"])
    with pytest.raises(AnalysisError, match="child_course = 'worsening': the live workbook has no sheets for it"):
        build_workbook(case, evaluate(case.parameters), tmp_path / "no.xlsx")
