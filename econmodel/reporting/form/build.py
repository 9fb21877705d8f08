"""Write the data-collection form: an XLSX workbook of plain questions, protected but for the answer cells.

One sheet for each group of people who know the answers. The hidden sheet lists every question, so that the filled form
can be read back (``parameters.form_reading``).
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from econmodel.files import check_file
from econmodel.package import stamp, version
from econmodel.parameters import form_cells as at
from econmodel.parameters.countries import conventions
from econmodel.parameters.loading import Case
from econmodel.parameters.price_list import country_code
from econmodel.parameters.schema import money_parts
from econmodel.reporting.form.questions import SHEETS, Asked, questions
from econmodel.reporting.form.rules import add_rules, check_formula, unit_words
from econmodel.reporting.tables.provenance import STATUS_WORDS
from econmodel.reporting.workbook.formula import Formula
from econmodel.reporting.workbook.styles import Styles
from econmodel.reporting.workbook.writer import Sheet, letters, save_workbook

if TYPE_CHECKING:
    from openpyxl import Workbook

HEADERS = (
    "Question",
    "Unit",
    "Model name",
    "Our value",
    "Where ours is from",
    "Your value",
    "Year",
    "Source",
    "Filled by",
    "Don't know",
    "Check",
)
WIDTHS = (48, 17, 24, 11, 15, 12, 8, 26, 13, 8, 11)
DEMO = "Our values are INVENTED DATA of a fictional hospital, made up to show the form."
HELP = (
    'Fill in the yellow cells only. Leave a cell blank to keep our value; put x under "Don\'t know" where nobody can tell.',
    "Shares and yearly rates as 45% or 0.45, never 45. Money in the currency of the sheet. One number in a cell, and no words.",
    "Where two years are known, give the later one and put the other under Source. This sheet only leads to the questions.",
    "Source: the report, ledger or count the value was taken from. Year: the year the value belongs to, such as 2024 or 2023/24.",
    "A share after a year (open again, lost, stopped) is asked as you count it; we work out the yearly rate.",
    "The months of examinations after treatment are not asked: tell who sent this. What changes nothing here is left out.",
    "Do not add, delete or sort rows, and do not rename sheets. Give no names or numbers of patients.",
    "Send it back to who sent it: what differs from our values is shown before it is used.",
)


def build_form(case: Case, path: Path, first: Sequence[str] = ()) -> Path:
    """Write the form for a case.

    Parameters
    ----------
    case
        Its present values stand beside the questions; its inputs decide which are asked.
    path
        The file to write, whole or not at all.
    first
        Inputs to find out first, in order: the first sheet leads to their questions.

    Returns
    -------
    Path
        ``path``.

    Raises
    ------
    AnalysisError
        The path is a folder, or cannot be written to.
    """
    from openpyxl import Workbook

    check_file(path)
    workbook = Workbook()
    styles = Styles(workbook.worksheets[0])
    asked = questions(case.parameters)
    start = Sheet(workbook.worksheets[0], styles)
    start.page.title = at.START_SHEET
    sheets = [_write_sheet(workbook, styles, case, name, rows) for name, rows in asked.items()]
    _write_start(start, case, asked, first)
    hidden = _write_hidden(workbook, styles, case, asked)
    workbook.properties.title, workbook.properties.creator = "Data-collection form", "econmodel"
    return save_workbook(workbook, path, [start, *sheets, hidden])


def _footer(case: Case) -> str:
    demo = "Our values are INVENTED DATA. " if case.is_demo else ""
    return f"{case.title[:90]}. {demo}Planning software, not advice for a patient."


def _protect(sheet: Sheet) -> None:
    """Protect all but the answer cells, against slips and not against people: there is no password."""
    sheet.page.protection.sheet = True
    sheet.page.protection.formatColumns = False
    sheet.page.protection.formatRows = False


def _write_sheet(workbook: Workbook, styles: Styles, case: Case, name: str, rows: list[Asked]) -> Sheet:
    sheet = Sheet(workbook.create_sheet(name), styles)
    who, _ = SHEETS[name]
    money = f"{case.parameters.text('currency')}, {case.parameters.text('price_year')} prices"
    sheet.heading(f"Questions for {who}", f"Money in {money}. Shares as 0.45 or 45%. Blank keeps our value.")
    if case.is_demo:
        sheet.text(3, 1, DEMO, "caution_line")
    for column, header in enumerate(HEADERS, start=1):
        sheet.text(at.FIRST_ROW - 1, column, header, "header_right" if column in (at.OURS, at.ANSWER) else "header")
    sheet.heights[at.FIRST_ROW - 1] = 28
    for asked in rows:
        _write_question(sheet, asked)
    add_rules(sheet, [a.question for a in rows])
    sheet.widths(*WIDTHS)
    sheet.frame(f"B{at.FIRST_ROW}", _footer(case), header_rows=f"{at.FIRST_ROW - 1}:{at.FIRST_ROW - 1}")
    _protect(sheet)
    return sheet


def _write_question(sheet: Sheet, asked: Asked) -> None:
    q, row = asked.question, asked.question.row
    sheet.text(row, at.QUESTION, asked.words)
    sheet.text(row, at.UNIT, unit_words(q), "small")
    sheet.text(row, at.NAME, q.shown, "small")
    if isinstance(q.ours, float):
        style = "plain|money" if money_parts(q.unit) and q.ours == int(q.ours) else "plain"
        sheet.number(row, at.OURS, int(q.ours) if q.ours == int(q.ours) else q.ours, style)
    else:
        sheet.text(row, at.OURS, str(q.ours), "plain")
    sheet.text(row, at.STATUS, STATUS_WORDS[asked.parameter.status], "small")
    for column in (at.ANSWER, at.YEAR, at.SOURCE, at.FILLED_BY, at.UNKNOWN):
        style = "answer" if column in (at.SOURCE, at.FILLED_BY) or q.choices else "input"
        sheet.number(row, column, None, style)
    sheet.formula(row, at.CHECK, Formula(check_formula(q), ""), "small")
    sheet.height(row, (asked.words, WIDTHS[0]), (q.shown, WIDTHS[2]), (unit_words(q), WIDTHS[1]), least=2)


def _write_start(sheet: Sheet, case: Case, asked: dict[str, list[Asked]], first: Sequence[str]) -> None:
    """First sheet: whose form, how to fill it in, what to find out first, and how far each sheet is."""
    sheet.heading(f"Data-collection form: {case.title}", f"By econmodel {version()}, {stamp()}. About five to twenty minutes a sheet.")
    if case.is_demo:
        sheet.text(3, 1, DEMO, "caution_line")
    row, column = at.HOSPITAL_CELL
    for offset, label in enumerate(at.WHOSE):
        sheet.text(row + offset, 1, label, "bold")
        sheet.number(row + offset, column, None, "answer")
    row += 4
    sheet.row(row, ["How to fill it in", "", "", ""], "section")
    for line in HELP:
        row += 1
        sheet.text(row, 1, line, "plain_text")
    row = _write_first(sheet, row + 2, asked, first) if first else row
    row += 2
    sheet.row(row, [at.ALL_SHEETS, "For", "Questions", "Answered"], "header")
    for name, rows in asked.items():
        row += 1
        sheet.text(row, 1, name, "bold")
        sheet.link(row, 1, name)
        sheet.text(row, 2, SHEETS[name][0])
        sheet.number(row, 3, len(rows), "whole")
        top, last = at.FIRST_ROW, at.FIRST_ROW + max(len(rows), 1) - 1
        cells = (f"'{name}'!${letters(c)}${top}:${letters(c)}${last}" for c in (at.ANSWER, at.UNKNOWN))
        sheet.formula(row, 4, Formula("+".join(f"COUNTA({c})" for c in cells), 0.0), "strong|whole")
    sheet.widths(30, 58, 12, 12)
    sheet.frame("A3", _footer(case))
    _protect(sheet)


def _write_first(sheet: Sheet, row: int, asked: dict[str, list[Asked]], first: Sequence[str]) -> int:
    """List the questions that hold most of the doubt, by rank, each a link to where it is answered; give the last row."""
    places = {a.question.name: (name, a) for name, rows in reversed(asked.items()) for a in reversed(rows)}
    sheet.row(row, [at.FIND_FIRST, "Question", "", "Answered"], "header")
    for name in first:
        row += 1
        page, a = places[name]
        cells = (f"'{page}'!${letters(c)}${a.question.row}" for c in (at.ANSWER, at.UNKNOWN))
        sheet.text(row, 1, page, "bold")
        sheet.link(row, 1, page, f"{letters(at.ANSWER)}{a.question.row}")
        sheet.text(row, 2, a.words)
        sheet.formula(row, 4, Formula("+".join(f"COUNTA({c})" for c in cells), 0.0), "strong|whole")
        sheet.height(row, (a.words, 58), least=1)
    return row


def _write_hidden(workbook: Workbook, styles: Styles, case: Case, asked: dict[str, list[Asked]]) -> Sheet:
    """List version, case and every question, so that the filled form can be read back."""
    sheet = Sheet(workbook.create_sheet(at.HIDDEN_SHEET), styles)
    sheet.page.sheet_state = "veryHidden"
    parameters = case.parameters
    facts = {
        "case": case.name,
        "currency": parameters.text("currency"),
        "price_year": parameters.text("price_year"),
        "inputs_sha256": parameters.sha256,
        "number_style": str(conventions(country_code(parameters.text("price_list")))["number_style"]),
    }
    sheet.text(1, 1, at.MARK)
    sheet.number(1, 2, at.VERSION)
    for name, row in at.FACTS.items():
        sheet.text(row, 1, name)
        sheet.text(row, 2, facts[name])
    sheet.row(at.FIRST_ENTRY - 1, list(at.ENTRY_FIELDS))
    row = at.FIRST_ENTRY
    tables = dict.fromkeys(a.question.name for rows in asked.values() for a in rows if a.question.item is not None)
    for name in tables:
        _write_entry(sheet, row, {"name": name, "ours": json.dumps(list(parameters.rows(name)))})
        row += 1
    for rows in asked.values():
        for a in rows:
            entry = vars(a.question) | {
                "ours": json.dumps(a.question.ours),
                "choices": json.dumps(list(a.question.choices)),
                "sums_to_one": int(a.question.sums_to_one),
                "after_a_year": int(a.question.after_a_year),
            }
            _write_entry(sheet, row, entry)
            row += 1
    _protect(sheet)
    return sheet


def _write_entry(sheet: Sheet, row: int, entry: dict[str, object]) -> None:
    for column, name in enumerate(at.ENTRY_FIELDS, start=1):
        value = entry.get(name)
        if isinstance(value, int):
            sheet.number(row, column, value)
        elif value not in (None, ""):
            sheet.text(row, column, str(value))
