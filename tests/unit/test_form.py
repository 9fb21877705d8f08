"""The data-collection form: what it asks, what can be typed, how a filled one is read, and what is refused."""

from __future__ import annotations

import json
import zipfile
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from econmodel.economics.evaluate import evaluate
from econmodel.errors import DataError, EconModelError, ParameterError
from econmodel.interfaces.common import load
from econmodel.package import params_folder
from econmodel.parameters import form_cells as at
from econmodel.parameters.catalogue import NOT_IN_EVERY_LIST
from econmodel.parameters.form_asides import on_start
from econmodel.parameters.form_cells import LARGEST_FILE, Formula, open_form, read_cell, read_text
from econmodel.parameters.form_reading import check_unanswered, present_value, read_form
from econmodel.parameters.loading import demo_file, load_base_case, load_case
from econmodel.programme.inputs import input_kinds
from econmodel.reporting.form import build_form
from econmodel.reporting.form.questions import AFTER_A_YEAR, COURSE, SHEETS, TABLES, questions
from econmodel.workflow import first_asked

OF_THE_LIST = {"currency", "price_list", "price_year"}
# Payer terms, fixed costs of a site's own and loans are rows of its file; the rest are what-ifs.
STRESSES = {"ratio_volume", "ratio_payment", "ratio_cost"}
NOT_ASKED = (
    OF_THE_LIST
    | STRESSES
    | {"payer_terms", "fixed_costs", "loans", "paths", "n_absence_start_month", "n_absence_months", "n_stop_month", "share_harms_paid"}
)


@pytest.fixture(scope="module")
def blank(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return build_form(load_case(demo_file()), tmp_path_factory.mktemp("form") / "blank.xlsx")


def find(workbook: Any, shown: str) -> tuple[Any, int]:
    """Sheet and row of a question by its model name."""
    for page in workbook.worksheets:
        for row in range(at.FIRST_ROW, page.max_row + 1):
            if page.cell(row, at.NAME).value == shown and page.title in SHEETS:
                return page, row
    raise KeyError(shown)


def fill(blank: Path, target: Path, answers: dict[str, Any], edit: Callable[[Any], None] | None = None) -> Path:
    """Fill a form in: a value, or (value, year, source, filled by, don't know), by model name; then edit it."""
    workbook, before = (read_again if edit else read_once)(blank), []
    for shown, answer in answers.items():
        page, row = find(workbook, shown)
        for column, value in zip(range(at.ANSWER, at.UNKNOWN + 1), answer if isinstance(answer, tuple) else (answer,), strict=False):
            cell = page.cell(row, column)
            before.append((cell, cell.value, cell.number_format))
            cell.value = value
    if edit:
        edit(workbook)
    workbook.save(target)
    for cell, value, number_format in reversed(before):
        cell.value, cell.number_format = value, number_format
    return target


def read_again(path: Path) -> Any:
    from openpyxl import load_workbook

    return load_workbook(path)


# Reading takes most of a test's time; what a test fills in is taken out again, what edits the rest reads its own.
read_once = cache(read_again)


def test_every_local_input_is_asked() -> None:
    """Every input of the catalogue exists, and every programme input is asked or left out on purpose."""
    known = load_base_case().parameters
    asked = {name for _, sheet in SHEETS.values() for name in sheet} | set(TABLES)
    assert asked <= set(known) | NOT_IN_EVERY_LIST
    assert set(input_kinds()) - asked == NOT_ASKED
    assert len([name for _, sheet in SHEETS.values() for name in sheet]) == len(asked) - len(TABLES)


def test_every_question_is_in_plain_words() -> None:
    """Each question ends in a question mark and says no model name."""
    for rows in questions(load_base_case()).values():
        for asked in rows:
            assert asked.words.endswith("?")
            assert "_" not in asked.words
            assert "{" not in asked.words


def test_only_answer_cells_are_unlocked_and_each_is_validated(blank: Path) -> None:
    """Sheets are protected; the five answer columns of every question are open; the value is validated."""
    from openpyxl import load_workbook

    workbook = load_workbook(blank)
    for name in SHEETS:
        page = workbook[name]
        assert page.protection.sheet
        assert page.freeze_panes == f"B{at.FIRST_ROW}"
        validated = {c for rule in page.data_validations.dataValidation for r in rule.sqref.ranges for c in r.cells}
        for row in range(at.FIRST_ROW, page.max_row + 1):
            opened = [column for column in range(1, at.CHECK + 1) if not page.cell(row, column).protection.locked]
            assert opened == list(range(at.ANSWER, at.UNKNOWN + 1))
            assert {(row, at.ANSWER), (row, at.YEAR), (row, at.UNKNOWN)} <= validated
    assert workbook[at.HIDDEN_SHEET].sheet_state == "veryHidden"


def test_demo_values_are_marked_as_invented(blank: Path) -> None:
    """Every sheet and footer of the demo hospital's form says that our values are invented."""
    from openpyxl import load_workbook

    workbook = load_workbook(blank)
    for name in (at.START_SHEET, *SHEETS):
        assert "INVENTED" in workbook[name].cell(3, 1).value
        assert "INVENTED" in workbook[name].oddFooter.left.text


def test_a_blank_form_changes_nothing(blank: Path) -> None:
    """Blank means keep ours: no answers, no override, the same inputs."""
    form = read_form(blank)
    assert form.answers == ()
    assert form.rows() == []
    assert load_case(demo_file(), [blank]).parameters.sha256 == load_case(demo_file()).parameters.sha256


def test_answers_become_local_values_with_their_provenance(blank: Path, tmp_path: Path) -> None:
    """A value is applied with status local, reason and note; it keeps the input's relative spread; where names the cell."""
    path = fill(
        blank,
        tmp_path / "back.xlsx",
        {
            "c_coil": (310, 2024, "Ledger 7", "Procurement", None),
            "share_accepting": (0.5, None, None, None, None),
            "cash_basis": ("real",),
            "n_icu_days": (None, None, None, None, "x"),
        },
    )
    case = load_case(demo_file(), [path])
    coil = case.parameters["c_coil"]
    assert (coil.value, coil.status, coil.reason) == (310.0, "local", "filled form back.xlsx")
    assert coil.note == "source: Ledger 7; year 2024; filled by Procurement"
    assert "sheet 'Procurement', cell F6" in str(coil.where)
    assert coil.distribution.family == "gamma"
    assert case.parameters["share_accepting"].note == "no source given"
    assert case.parameters.text("cash_basis") == "real"
    assert read_form(path).not_known == ("n_icu_days",)
    assert case.parameters["n_icu_days"].value == load_case(demo_file()).parameters["n_icu_days"].value


@pytest.mark.parametrize("hospital", ["demo", "demo_uk"])
def test_our_own_values_are_good_answers(tmp_path: Path, hospital: str) -> None:
    """Every value the form shows can be typed back, and changes nothing."""
    case = load_case(params_folder() / "hospitals" / f"{hospital}.toml")
    ours = {a.question.shown: a.question.ours for rows in questions(case.parameters).values() for a in rows}
    path = fill(build_form(case, tmp_path / "form.xlsx"), tmp_path / "back.xlsx", ours)
    rows = read_form(path).rows(case.parameters)
    assert {row["name"] for row in rows} == set(ours)
    assert not any(row["changed"] for row in rows)
    load_case(params_folder() / "hospitals" / f"{hospital}.toml", [path])


def test_a_fall_and_a_number_above_one_can_be_answered(blank: Path, tmp_path: Path) -> None:
    """Tariffs and volumes may fall; visits a year are a number, not a fraction."""
    answers = {"r_escalator_tariff": -0.02, "r_growth": -0.05, "r_clinic_post_bleed": 6}
    changed = load_case(demo_file(), [fill(blank, tmp_path / "back.xlsx", answers)]).parameters
    assert [changed.number(name) for name in answers] == [-0.02, -0.05, 6.0]


def test_differences_are_shown_before_use(blank: Path, tmp_path: Path) -> None:
    """Rows hold ours and theirs with sheet and cell, and warn of odd sizes, other price years and missing sources."""
    path = fill(blank, tmp_path / "back.xlsx", {"c_coil": (24, 2019, "Invoice", "A", None), "n_stay_days": 5.5})
    rows = {row["name"]: row for row in read_form(path).rows()}
    assert (rows["c_coil"]["ours"], rows["c_coil"]["theirs"], rows["c_coil"]["changed"]) == (240.0, 24.0, True)
    assert (rows["c_coil"]["sheet"], rows["c_coil"]["cell"]) == ("Procurement", "F6")
    assert rows["c_coil"]["warning"] == "0.1 times ours: check the unit; prices of 2019 among prices of 2024: not adjusted"
    assert rows["n_stay_days"]["changed"] is False
    other = load_case(demo_file(), sets=["n_stay_days=7"]).parameters
    assert {row["name"]: row["ours"] for row in read_form(path).rows(other)}["n_stay_days"] == 7.0


def test_a_table_is_answered_cell_by_cell(blank: Path, tmp_path: Path) -> None:
    """Fields of a table change where answered; its other cells and its rows stay."""
    path = fill(blank, tmp_path / "back.xlsx", {"payers / Medicare / denial": 0.04, "capital / Linear echoendoscope / cost": 95000})
    before, after = load_case(demo_file()).parameters, load_case(demo_file(), [path]).parameters
    assert after.rows("payers")[0]["denial"] == 0.04
    assert [row["share"] for row in after.rows("payers")] == [row["share"] for row in before.rows("payers")]
    assert [row["cost"] for row in after.rows("capital") if row["item"] == "Linear echoendoscope"] == [95000.0]
    question = next(a.question for a in read_form(path).answers if a.question.field == "denial")
    assert present_value(after, question) == 0.04


def test_a_number_typed_as_text_is_read_in_the_style_of_the_country_and_echoed(blank: Path, tmp_path: Path) -> None:
    """Money, marks of thousands, decimal commas and percentages; the table of differences says what was typed."""
    typed = {"c_coil": "$1,310.00", "c_bleed_mean": "20,500", "n_stay_days": "8,5", "share_accepting": "9%", "c_glue_ml": "200"}
    path = fill(blank, tmp_path / "back.xlsx", typed)
    rows = {row["name"]: row for row in read_form(path).rows()}
    assert [rows[name]["theirs"] for name in typed] == [1310.0, 20500.0, 8.5, 0.09, 200.0]
    assert all(f"read from {text!r}" in rows[name]["warning"] for name, text in typed.items())

    def of_old(workbook: Any) -> None:
        workbook[at.HIDDEN_SHEET].cell(at.FACTS["number_style"], 2).value = None

    with pytest.raises(EconModelError, match=r"may be 20,500 or 20\.5: must have one reading"):
        read_form(fill(blank, tmp_path / "old.xlsx", {"c_bleed_mean": "20,500"}, of_old))


def test_a_later_set_still_wins(blank: Path, tmp_path: Path) -> None:
    """A form is an override like any other: --set comes after it."""
    path = fill(blank, tmp_path / "back.xlsx", {"c_coil": 310})
    assert load_case(demo_file(), [path], ["c_coil=5"]).parameters.number("c_coil") == 5.0


@pytest.mark.parametrize(
    ("shown", "value", "what", "fix"),
    [
        ("c_coil", "two hundred", "must be a number", "plain number"),
        ("c_coil", "n/a", "c_coil = 'n/a': must be a number (USD/coil)", 'x under "Don\'t know"'),
        ("c_coil", "240 EUR", "must be in USD/coil", "convert"),
        ("c_coil", "9%", "must be in USD/coil", "the number alone"),
        ("c_coil", "C$240", "must be in USD/coil", "convert"),
        ("n_sessions_glue", "$2", "must be in sessions", "convert"),
        ("capital_basis", "n/a", "must be one of existing, purchase", 'x under "Don\'t know"'),
        ("c_bleed_mean", "20,50,0", "groups of three", "without marks"),
        ("share_accepting", "650%", "must be between 0 and 1", "fraction"),
        ("c_coil", -240, "c_coil = -240 (USD/coil): must be >= 0", "check the sign"),
        ("share_accepting", 65, "must be between 0 and 1", "fraction"),
        ("discount_finance", 8, "must be between 0 and 1", "fraction"),
        ("payers / Medicare / payment_ratio", 0, "must be > 0", "ratio"),
        ("start_age", 58.5, "start_age = 58.5: must be a whole number", "round"),
        ("n_backlog_quarters", 0, "must be 1 or more", "fraction"),
        ("r_clinic_post_bleed", -1, "must be >= 0", "check the sign"),
        ("n_sessions_glue", True, "is no number", "type a number"),
        ("n_sessions_glue", "#DIV/0!", "shows the error", "mend the formula"),
        ("cash_basis", "nominl", "must be one of nominal, real", "nominal"),
        ("n_sessions_glue", "=1+1", "formula that was never worked out", "type the value itself"),
    ],
)
def test_nonsense_is_refused_with_sheet_and_cell(blank: Path, tmp_path: Path, shown: str, value: Any, what: str, fix: str) -> None:
    """Each bad answer: what is wrong, in which sheet and cell, and what to type instead."""
    path = fill(blank, tmp_path / "back.xlsx", {shown: value})
    page, row = find(read_once(blank), shown)
    with pytest.raises(EconModelError) as fault:
        load_case(demo_file(), [path])
    assert what in fault.value.what
    assert f"sheet {page.title!r}, cell F{row}" in fault.value.where
    assert fix in fault.value.fix


def test_a_date_in_a_number_cell_is_refused() -> None:
    """A cell the spreadsheet program turned into a date is named as such."""
    from datetime import datetime

    with pytest.raises(DataError, match="holds a date"):
        read_cell(datetime(2024, 5, 1), "cell F6")


def test_a_formula_counts_with_the_value_stored_in_it() -> None:
    """A worked-out formula gives its value; text cells take numbers and dates as text."""
    assert read_cell(Formula(12.5), "cell F6") == 12.5
    assert read_text(Formula("Ledger"), "cell H6") == "Ledger"
    assert read_text(2024.0, "cell G6") == "2024"
    with pytest.raises(DataError, match="never worked out"):
        read_cell(Formula(None), "cell F6")


def test_every_fault_is_listed_at_once(blank: Path, tmp_path: Path) -> None:
    """Several bad cells come back as one message."""
    path = fill(blank, tmp_path / "back.xlsx", {"c_coil": "a", "n_stay_days": -1, "share_accepting": ("x", "24", None, None, None)})
    with pytest.raises(EconModelError) as fault:
        read_form(path)
    assert str(fault.value).count("where:") == 3


def test_good_answers_load_and_the_others_are_held(blank: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A word, a value beside no question and shares that do not add are held with their cells; the rest is taken, and it is told."""
    answers = {"c_coil": 310, "c_glue_ml": "ask finance", "current_mix / watch / share": 0.9}
    path = fill(blank, tmp_path / "back.xlsx", answers, stray_value)
    form = read_form(path)
    assert [answer.question.name for answer in form.answers] == ["c_coil"]
    told = " ".join(f"{fault.what} {fault.where}" for fault in form.held)
    for words in ("c_glue_ml", "beside no question", "current_mix: the shares sum to", "cell F60"):
        assert words in told
    case = load(demo_file(), [path], quiet=True)
    ours = load_case(demo_file()).parameters
    assert case.parameters.number("c_coil") == 310.0
    assert case.parameters.number("c_glue_ml") == ours.number("c_glue_ml")
    assert case.parameters.rows("current_mix") == ours.rows("current_mix")
    assert case.parameters.titles[-1].endswith("(3 answers held)")
    assert capsys.readouterr().err.count("Held, ours stays") == 3


def test_nothing_typed_in_is_dropped_in_silence(blank: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What may be an answer is held with its cell, wherever it stands; other words are noted; the good answers load."""
    from openpyxl.comments import Comment

    def write(workbook: Any) -> None:
        costs, start = workbook["Costing"], workbook[at.START_SHEET]
        typed = {
            "H6": "8,100 last year",
            "G7": 2023,
            "D8": 95,
            "L9": "we pay 95",
            "K10": "see mail",
            "F3": "of 2023",
            "B70": "Needles",
        }
        for cell, value in typed.items():
            costs[cell] = value
        costs["F11"].comment = Comment("without the stay", "finance")
        costs["I12"] = costs["I13"] = "A. Example"
        costs["J14"], costs["H14"] = "ask the ward", "ledger 4"
        costs.merge_cells("F20:F21")
        head = next(row for row in range(1, start.max_row) if start.cell(row, 1).value == at.ALL_SHEETS)
        start["B8"], start["E9"], start.cell(head - 2, 2).value = "Ann Example", "30,000", 12
        workbook.create_sheet("Remarks")["A1"] = "coils 300"

    form = read_form(fill(blank, tmp_path / "back.xlsx", {"c_coil": 300, "capital_basis": "Purchase"}, write))
    assert {a.question.name: a.value for a in form.answers} == {"c_coil": 300.0, "capital_basis": "purchase"}
    held = [f"{fault.what} {str(fault.where).partition(', ')[2]}" for fault in form.held]
    for words, place in (
        ("a source is given, '8,100 last year', and no value", "'Costing', cell H6"),
        ("a year is given, '2023', and no value", "'Costing', cell G7"),
        ("'95' stands where no answer", "'Costing', cell D8"),
        ("'we pay 95' stands where no answer", "'Costing', cell L9"),
        ("'see mail' stands where no answer", "'Costing', cell K10"),
        ("'of 2023' stands beside no question", "'Costing', cell F3"),
        ("'Needles' stands beside no question", "'Costing', cell B70"),
        ("rows 20 to 21 are merged", "'Costing'"),
        ("'30,000' stands where no answer", "'Start', cell E9"),
        ("'12' stands where no answer", "'Start', cell B"),
        ("the sheet 'Remarks' is not of the form", "'Remarks'"),
    ):
        assert sum(words in one and place in one for one in held) == 1, (words, held)
    assert len(held) == 11
    assert form.noted == (
        "'Person to ask: Ann Example' (sheet 'Start', B8)",
        "'A. Example' (sheet 'Costing', I12, I13)",
        "'ledger 4' (sheet 'Costing', H14)",
        "'ask the ward' (sheet 'Costing', J14)",
        "'without the stay' (sheet 'Costing', comment at F11)",
    )
    listed: Any = [[at.FIND_FIRST, "Question", "", "Answered"], ["Staff", "What?", None, Formula(0.0)], ["Staff", "Who?", None, 5]]
    assert [fault.where for fault in on_start(listed, "f.xlsx")] == ["f.xlsx, sheet 'Start', cell D3"]
    load(demo_file(), [form.path], quiet=True)
    assert capsys.readouterr().err.count("Noted, changes nothing: ") == 5


def test_each_answer_of_a_table_keeps_its_year_and_source(blank: Path, tmp_path: Path) -> None:
    """Two years in one table: both stand in the note of the input, each with its cell."""
    processor = "capital / Ultrasound processor"
    answers = {
        f"{processor} / cost": (210000, "2022", "invoice", None, None),
        f"{processor} / life_years": (9, "2023", "engineer", None, None),
    }
    form = read_form(fill(blank, tmp_path / "back.xlsx", answers))
    note = form.document.data["override"]["capital"]["note"]
    assert "cost: source: invoice; year 2022; " in note
    assert note.endswith("life_years: source: engineer; year 2023")


@pytest.mark.parametrize(
    ("answer", "what", "column"),
    [
        ((5, "last year", None, None, None), "must be a year such as 2024", "G"),
        ((5, 24, None, None, None), "must be a year such as 2024", "G"),
        ((5, None, None, None, "x"), "don't know", "J"),
    ],
)
def test_contradictions_beside_the_value_are_refused(
    blank: Path, tmp_path: Path, answer: tuple[Any, ...], what: str, column: str
) -> None:
    """Year and "don't know" are checked too, with their own cells."""
    path = fill(blank, tmp_path / "back.xlsx", {"n_stay_days": answer})
    with pytest.raises(DataError, match=what) as fault:
        read_form(path)
    assert f"sheet 'Information', cell {column}6" in fault.value.where


def test_shares_of_a_table_must_sum_to_one(blank: Path, tmp_path: Path) -> None:
    """A share answered alone that breaks the sum is refused with its cell; together they are taken."""
    one = {"current_mix / watch / share": 0.5}
    with pytest.raises(DataError, match="current_mix: the shares sum to") as fault:
        read_form(fill(blank, tmp_path / "one.xlsx", one))
    assert "sheet 'Service lead', cells F" in fault.value.where
    mix = load_case(demo_file()).parameters.rows("current_mix")
    every = {f"current_mix / {row['strategy']} / share": 1 / len(mix) for row in mix}
    read_form(fill(blank, tmp_path / "all.xlsx", every))


def delete_row(workbook: Any) -> None:
    workbook["Information"].delete_rows(at.FIRST_ROW + 1)


def delete_last_row(workbook: Any) -> None:
    workbook["Information"].delete_rows(workbook["Information"].max_row)


def rename_sheet(workbook: Any) -> None:
    workbook["Information"].title = "Our data"


def remove_sheet(workbook: Any) -> None:
    del workbook["Information"]


def change_name(workbook: Any) -> None:
    workbook["Information"].cell(at.FIRST_ROW, at.NAME).value = "n_stay_day"


def stray_value(workbook: Any) -> None:
    workbook["Information"].cell(60, at.ANSWER).value = 12


def forget_hidden(workbook: Any) -> None:
    del workbook[at.HIDDEN_SHEET]


def other_version(workbook: Any) -> None:
    workbook[at.HIDDEN_SHEET].cell(1, 2).value = 99


def broken_hidden(workbook: Any) -> None:
    workbook[at.HIDDEN_SHEET].cell(at.FIRST_ENTRY, at.ENTRY_FIELDS.index("ours") + 1).value = "{"


@pytest.mark.parametrize(
    ("edit", "what", "where"),
    [
        (delete_row, "stands in row 7 instead of row 8", "sheet 'Information', cell C8"),
        (delete_last_row, "was deleted or cleared", "sheet 'Information', cell C15"),
        (rename_sheet, "sheet 'Information' is not in the form; found instead: 'Our data'", "sheet 'Information'"),
        (remove_sheet, "sheet 'Information' is not in the form", "sheet 'Information'"),
        (change_name, "model name 'n_stay_day' is unknown here", "sheet 'Information', cell C6"),
        (forget_hidden, "not a form made by this program", "back.xlsx"),
        (other_version, "version 99", "back.xlsx"),
        (broken_hidden, "hidden sheet of", "back.xlsx"),
    ],
)
def test_a_changed_layout_is_refused(blank: Path, tmp_path: Path, edit: Callable[[Any], None], what: str, where: str) -> None:
    """Deleted or moved rows, renamed sheets, changed names: refused with sheet and cell, never guessed."""
    path = fill(blank, tmp_path / "back.xlsx", {"c_coil": 250}, edit)
    with pytest.raises(EconModelError) as fault:
        read_form(path)
    assert what in str(fault.value)
    assert where in str(fault.value)
    assert "fix:" in str(fault.value)


def test_an_input_the_model_does_not_know_is_refused(blank: Path, tmp_path: Path) -> None:
    """A form made for a case with inputs of its own names the cell when loaded elsewhere."""

    def rename(workbook: Any) -> None:
        page, row = find(workbook, "c_coil")
        page.cell(row, at.NAME).value = "c_coyl"
        hidden = workbook[at.HIDDEN_SHEET]
        for number in range(at.FIRST_ENTRY, hidden.max_row + 1):
            for column in (3, 4):
                if hidden.cell(number, column).value == "c_coil":
                    hidden.cell(number, column).value = "c_coyl"

    path = fill(blank, tmp_path / "back.xlsx", {"c_coil": 250}, rename)
    with pytest.raises(ParameterError, match="no input named 'c_coyl'") as fault:
        load_case(demo_file(), [path])
    assert "sheet 'Procurement', cell F6" in fault.value.where
    assert "c_coil" in fault.value.fix


def test_a_form_in_another_currency_is_refused(blank: Path, tmp_path: Path) -> None:
    """Dollars do not slip into a case in pounds, not even those that stand beside the one cell filled in."""
    for shown in ("c_coil", "capital / Installation / age_years"):
        path = fill(blank, tmp_path / "back.xlsx", {shown: 5})
        with pytest.raises(DataError, match="the form is in USD and this case in GBP: one currency only") as fault:
            load_case(params_folder() / "hospitals" / "demo_uk.toml", [path])
        assert "back.xlsx" in fault.value.where


def test_a_table_the_case_no_longer_has_is_refused(blank: Path, tmp_path: Path) -> None:
    """Shares answered for the demo's groups do not slip into a case with other groups, nor bring old ones back."""
    site = tmp_path / "site.toml"
    site.write_text(
        'title = "T"\nrationale = "r"\n[override.case_mix]\nreason = "r"\ntable = [{ name = "All", share = 1.0, '
        'child = "B", size_step = 2, red_spot = 1 }]\n',
        encoding="utf-8",
    )
    ours = {
        a.question.shown: a.question.ours
        for rows in questions(load_case(demo_file()).parameters).values()
        for a in rows
        if a.question.name == "case_mix"
    }
    path = fill(blank, tmp_path / "back.xlsx", ours)
    load_case(demo_file(), [path])
    with pytest.raises(DataError, match="case_mix: the form was made from another table") as fault:
        load_case(demo_file(), [site, path])
    assert "sheet 'Service lead'" in fault.value.where


def test_a_filled_form_is_never_overwritten(blank: Path, tmp_path: Path) -> None:
    """One without answers may be replaced; one with answers, or any other file of that name, may not."""
    check_unanswered(tmp_path / "none.xlsx")
    check_unanswered(blank)
    filled = fill(blank, tmp_path / "back.xlsx", {"c_coil": 310})
    (tmp_path / "other.xlsx").write_text("text", encoding="utf-8")
    for path in (filled, tmp_path / "other.xlsx"):
        with pytest.raises(DataError, match="is not overwritten"):
            check_unanswered(path)


def test_an_edited_hidden_sheet_is_told(blank: Path, tmp_path: Path) -> None:
    """A row number beyond the table is found before it is used."""

    def spoil(workbook: Any) -> None:
        page = workbook[at.HIDDEN_SHEET]
        column = 1 + at.ENTRY_FIELDS.index("item")
        for row in range(at.FIRST_ENTRY, page.max_row + 1):
            if page.cell(row, column).value is not None:
                page.cell(row, column).value = 77

    with pytest.raises(DataError, match=r"hidden sheet .* has been changed"):
        read_form(fill(blank, tmp_path / "back.xlsx", {}, spoil))


def test_wrong_files_are_refused(tmp_path: Path) -> None:
    """Text, another workbook, a damaged archive, a missing file and a folder are each named."""
    from openpyxl import Workbook

    text, other, cut = tmp_path / "text.xlsx", tmp_path / "other.xlsx", tmp_path / "cut.xlsx"
    text.write_text("title = 'not a workbook'")
    Workbook().save(other)
    cut.write_bytes(other.read_bytes()[:2000])
    for path, what in (
        (text, "cannot be opened as a workbook"),
        (other, "not a form made by this program"),
        (cut, "cannot be opened as a workbook"),
        (tmp_path / "none.xlsx", "cannot be read"),
        (tmp_path, "cannot be read"),
    ):
        with pytest.raises(DataError, match=what) as fault:
            read_form(path)
        assert path.name in fault.value.where


def test_bombs_are_refused_before_they_unpack(blank: Path, tmp_path: Path) -> None:
    """Huge files, archives that unpack to too much or hold too many parts, and document types are not opened."""
    huge = tmp_path / "huge.xlsx"
    huge.write_bytes(b"PK" + bytes(LARGEST_FILE))
    bomb, many, typed = tmp_path / "bomb.xlsx", tmp_path / "many.xlsx", tmp_path / "typed.xlsx"
    with zipfile.ZipFile(many, "w") as archive:
        for number in range(2_001):
            archive.writestr(f"part{number}.xml", "")
    doctype = b'<!DOCTYPE a [<!ENTITY b "c">]><a>&b;</a>'
    with zipfile.ZipFile(blank) as shipped:
        for path, sheet in ((bomb, b"<a>" + b" " * 30_000_000), (typed, doctype)):
            with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
                for name in shipped.namelist():
                    archive.writestr(name, sheet if name.endswith("sheet1.xml") else shipped.read(name))
    for path, what in (
        (huge, "less than 5 MB"),
        (bomb, "unpacks to more than 20,000,000 bytes"),
        (many, "more than 2,000 parts"),
        (typed, "document types"),
    ):
        with pytest.raises(DataError, match=what):
            open_form(path)


def test_text_from_users_never_becomes_a_formula(tmp_path: Path) -> None:
    """A hospital's title and payers that look like formulas stay text in the form."""
    from openpyxl import load_workbook

    site = tmp_path / "site.toml"
    payer = {"name": "=1+1", "share": 1.0, "denial": 0.0, "paid_at_margin": 1.0, "payment_ratio": 1.0}
    rows = ", ".join(f"{key} = {json.dumps(value)}" for key, value in payer.items())
    site.write_text(
        'title = "@SUM(1)"\nrationale = "r"\n[override.payers]\nreason = "r"\nstatus = "local"\n'
        f'table = [{{ {rows} }}]\n[override.payer_terms]\nreason = "r"\nstatus = "local"\n'
        'table = [{ payer = "=1+1", activity = "bleeds", payment_ratio = 1.0 }]\n'
    )
    workbook = load_workbook(build_form(load_case(site), tmp_path / "form.xlsx"))
    formulas = [str(c.value) for page in workbook for row in page.iter_rows() for c in row if c.data_type == "f"]
    assert all(f.startswith(("=IF(F", "=COUNTA('")) for f in formulas)
    assert find(workbook, "payers / =1+1 / share")


def test_the_course_of_the_varix_is_asked_where_it_acts() -> None:
    """Under process closure, recurrence, loss, acceptance and stopping are asked; under intention to treat re-treatment is."""
    asked = {}
    for basis in ("process", "intention_to_treat"):
        found = questions(load_case(demo_file(), sets=[f"effect_basis={basis}"]).parameters)
        asked[basis] = {a.question.name for rows in found.values() for a in rows}
    assert asked["process"] - asked["intention_to_treat"] == {*COURSE, *AFTER_A_YEAR, "p_detect_endoscopy"} - {"r_lost"}
    assert {name for name in asked["intention_to_treat"] - asked["process"] if "retreat" not in name} == set()


def test_a_share_after_a_year_becomes_a_rate_and_acts_with_the_effect_held(blank: Path, tmp_path: Path) -> None:
    """20 of 100 open again after a year: -ln(0.8) = 0.223144 a year, in the run and not in the trials it is calibrated on."""
    path = fill(blank, tmp_path / "back.xlsx", {"r_recurrence": (0.2, 2024, "Audit", "Lead"), "p_obliteration_coil_and_glue": 0.5})
    row = next(row for row in read_form(path).rows() if row["name"] == "r_recurrence")
    assert (row["theirs"], row["unit"]) == (0.2, "share after a year")
    assert row["ours"] == pytest.approx(0.0951626, abs=5e-8)
    before, after = (load_case(demo_file(), files, ["horizon_years=5"]) for files in ((), (path,)))
    rate = after.parameters["r_recurrence"]
    assert (rate.value, rate.status) == (pytest.approx(0.2231436, abs=5e-8), "local")
    assert rate.note == "source: Audit; year 2024; filled by Lead; 0.2 after a year is 0.223144 a year, -ln(1 - share)"
    assert read_form(path).rows(after.parameters)[0]["changed"] is False
    ours, theirs = (evaluate(case.parameters) for case in (before, after))
    assert ours.inputs.course
    assert theirs.inputs.course
    assert theirs.inputs.course.hr_obliterated.tolist() == ours.inputs.course.hr_obliterated.tolist()
    lead = ours.index("coil_and_glue")
    assert theirs.count("first_bleeds")[0, lead, 0] > ours.count("first_bleeds")[0, lead, 0] + 0.005
    with pytest.raises(EconModelError, match=r"between 0 and 0\.99"):
        read_form(fill(blank, tmp_path / "all.xlsx", {"r_lost": 1}))


def test_the_first_sheet_leads_to_what_to_find_out_first(tmp_path: Path) -> None:
    """The questions that hold most doubt, by rank, each with its words and a link to its answer; without a ranking there are none."""
    case = load_case(demo_file(), sets=["draws=0"])
    assert first_asked(case) == ()
    first = ("share_occupancy", "c_coil", "p_obliteration_coil_and_glue")
    page = read_again(build_form(case, tmp_path / "form.xlsx", first)).worksheets[0]
    head = next(row for row in range(1, page.max_row) if page.cell(row, 1).value == "Find out first")
    words = {a.question.name: (sheet, a) for sheet, rows in reversed(questions(case.parameters).items()) for a in reversed(rows)}
    for row, name in enumerate(first, start=head + 1):
        sheet, asked = words[name]
        assert [page.cell(row, column).value for column in (1, 2)] == [sheet, asked.words]
        assert page.cell(row, 1).hyperlink.location == f"'{sheet}'!F{asked.question.row}"
    assert page.cell(head + len(first) + 2, 1).value == "Sheet"
