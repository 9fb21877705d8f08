"""Read a filled data-collection form into an override document, and show how it differs from the present values.

A blank answer keeps ours. Nothing here prints: :meth:`FilledForm.rows` gives the differences to whoever shows them,
before the document is applied. The hidden sheet says what was asked and where it stands.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from dataclasses import field
from pathlib import Path
from typing import Any

from econmodel.errors import DataError, EconModelError, join_faults
from econmodel.parameters import form_asides as asides
from econmodel.parameters import form_cells as at
from econmodel.parameters.documents import Document, display_path
from econmodel.parameters.form_cells import (
    FRESH,
    Grid,
    Question,
    limits,
    open_form,
    rate_of_share,
    read_cell,
    read_text,
    share_of_rate,
)
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.parsing import PRICE_YEAR, parse_value
from econmodel.parameters.quantities import read_quantity
from econmodel.parameters.schema import WHOLE, Where, money_parts
from econmodel.parameters.second_look import far_off
from econmodel.records import record
from econmodel.wording import nearest

NOBODY = 'where nobody can tell, clear the cell and put x under "Don\'t know"'
WORDS = f"type a plain number, 0 where there is none, and put words under Source; {NOBODY}"


@record
class Answer:
    """What was filled in for one question."""

    question: Question
    value: float | str
    year: str = ""
    source: str = ""
    filled_by: str = ""
    typed: str = ""

    @property
    def given(self) -> float | str:
        """The input's value: the answer, or the yearly rate of a share after a year."""
        return rate_of_share(float(self.value)) if self.question.after_a_year else self.value

    @property
    def note(self) -> str:
        """Source, year and person as one text."""
        parts = (
            f"source: {self.source}" if self.source else "no source given",
            f"year {self.year}" if self.year else "",
            f"filled by {self.filled_by}" if self.filled_by else "",
            f"{self.value:g} after a year is {self.given:.6g} a year, -ln(1 - share)" if self.question.after_a_year else "",
        )
        return "; ".join(part for part in parts if part)


@record
class FormDocument(Document):
    """An override document whose values stand in cells; ``asked`` keeps the tables as the form knew them."""

    cells: dict[str, str] = field(default_factory=dict)
    asked: dict[str, list[dict[str, Any]]] = field(default_factory=dict)
    currency: str = ""

    def check_fits(self, parameters: ParameterSet) -> None:
        """Refuse a form made for a case in another currency, or a table of it that the case no longer has.

        Raises
        ------
        DataError
            The currencies differ, or the rows of the case's table are not those of the form.
        """
        if self.currency != parameters.text("currency"):
            what = f"the form is in {self.currency} and this case in {parameters.text('currency')}: one currency only"
            raise DataError(what, where=self.shown, fix="make a form of this case (econmodel form FILE)")
        for name, rows in self.asked.items():
            p = parameters.parameters.get(name)
            if p is not None and [dict(row) for row in p.table or ()] != rows:
                what = f"{name}: the form was made from another table than this case has now"
                fix = "make a new form of this case (econmodel form FILE) and move the answers over"
                raise DataError(what, where=str(self.where(f"override.{name}")), fix=fix)

    def where(self, table: str, key: str = "") -> Where:
        """Say in which sheet and cell a value was filled in."""
        place = self.cells.get(table, "")
        return Where(f"{self.shown}, {place}" if place else self.shown)


@record
class FilledForm:
    """A filled form: its override document, the answers, the inputs marked as not known, and what is held or noted.

    An answer that cannot be used is held, with what is wrong and where: our value stays, the other answers are taken.
    Noted are words that change nothing, such as comments.
    """

    path: Path
    document: FormDocument
    answers: tuple[Answer, ...]
    not_known: tuple[str, ...]
    price_year: str
    held: tuple[EconModelError, ...] = ()
    noted: tuple[str, ...] = ()

    def rows(self, parameters: ParameterSet | None = None) -> list[dict[str, Any]]:
        """Differences from the present values, one row per answer.

        Parameters
        ----------
        parameters
            The case the form will be applied to; None compares with the values the form showed.

        Returns
        -------
        list of dict
            name, ours, theirs, unit, changed, sheet, cell, year, source, filled_by, warning.
        """
        return [self._row(answer, parameters) for answer in self.answers]

    def _row(self, answer: Answer, parameters: ParameterSet | None) -> dict[str, Any]:
        q = answer.question
        ours = q.ours if parameters is None else present_value(parameters, q)
        return {
            "name": q.shown,
            "ours": ours,
            "theirs": answer.value,
            "unit": "share after a year" if q.after_a_year else q.unit,
            "changed": not _same(ours, answer.value),
            "sheet": q.sheet,
            "cell": q.cell(),
            "year": answer.year,
            "source": answer.source,
            "filled_by": answer.filled_by,
            "warning": "; ".join(self._warnings(answer, ours)),
        }

    def _warnings(self, answer: Answer, ours: float | str | None) -> Iterator[str]:
        if answer.typed:
            yield f"read from {answer.typed!r}"
        if far := far_off(answer.value, ours):
            yield far
        if money_parts(answer.question.unit) and answer.year and answer.year != self.price_year:
            yield f"prices of {answer.year} among prices of {self.price_year}: not adjusted"
        if not answer.source:
            yield "no source given"


def present_value(parameters: ParameterSet, question: Question) -> float | str | None:
    """Value a case has now for a question, as the question is asked; None where it has none."""
    p = parameters.parameters.get(question.name)
    if question.after_a_year and p is not None and p.value is not None:
        return share_of_rate(float(p.value))
    if p is None or question.item is None:
        return None if p is None else p.value
    rows = p.table or ()
    value = rows[question.item].get(question.field) if question.item < len(rows) else None
    return float(value) if isinstance(value, int | float) else value


def read_form(path: Path) -> FilledForm:
    """Read a filled form; single answers that cannot be used are held.

    Held are text in a number cell, a value outside its limits or beside no question, a source without a value, "don't know"
    beside a value, and a table whose shares do not sum to 1.

    Raises
    ------
    EconModelError
        Every fault of the form itself, with sheet and cell: a file that is no form, a renamed sheet, a deleted or moved row;
        or every answer held, where no other is left.
    """
    shown = display_path(path)
    book, sheets, unread = open_form(path)
    facts, questions, tables = read_hidden(sheets, shown)
    faults: list[EconModelError] = []
    held: list[EconModelError] = [*unread, *asides.on_start(sheets.get(at.START_SHEET, []), shown)]
    answers, not_known = [], []
    for sheet in dict.fromkeys(q.sheet for q in questions):
        asked = [q for q in questions if q.sheet == sheet]
        if sheet not in sheets:
            faults.append(missing_sheet(sheet, sheets, questions, shown))
            continue
        faults += moved(sheets[sheet], asked, shown)
        held += [] if faults else asides.strays(sheets[sheet], asked, shown)
        for q in asked:
            try:
                answer = read_answer(sheets[sheet], q, shown, facts["number_style"])
            except EconModelError as fault:
                held.append(fault)
                continue
            if isinstance(answer, Answer):
                answers.append(answer)
            elif answer:
                not_known.append(q.shown)
            elif not faults:
                held += asides.unanswered(sheets[sheet][q.row - 1], q, shown)
    money = {q.name: q.unit for q in questions if money_parts(q.unit)}
    unequal = dict(_unequal_sums(answers, tables, shown))
    held += unequal.values()
    held += [] if faults else asides.on_sheets(book, sheets, questions, shown)
    taken = [answer for answer in answers if answer.question.name not in unequal]
    if faults or (held and not taken):
        raise join_faults([*faults, *held])
    document = _document(path, _hospital(sheets), taken, tables, money, facts["currency"], len(held))
    return FilledForm(
        path, document, tuple(taken), tuple(not_known), facts["price_year"], tuple(held), asides.notes(book, sheets, questions)
    )


def check_unanswered(path: Path) -> None:
    """Refuse to replace a form that somebody has filled in, or a file that is no form.

    Raises
    ------
    DataError
        The file is there and is not a form without answers.
    """
    if not path.exists():
        return
    try:
        answered = bool(read_form(path).answers)
    except EconModelError:
        answered = True
    if answered:
        what = f"{display_path(path)} holds answers, or is no blank form: it is not overwritten"
        raise DataError(what, where=display_path(path), fix="load it with --override, then move it, or write to another folder")


def _hospital(sheets: dict[str, Grid]) -> str:
    grid, (row, column) = sheets.get(at.START_SHEET, []), at.HOSPITAL_CELL
    value = grid[row - 1][column - 1] if len(grid) >= row else None
    return value.strip()[:120] if isinstance(value, str) else ""


def _document(
    path: Path,
    hospital: str,
    answers: list[Answer],
    tables: dict[str, list[dict[str, Any]]],
    money: dict[str, str],
    currency: str,
    held: int,
) -> FormDocument:
    """Override document of the answers; a table answered in part keeps the form's other cells, and money its unit."""
    overrides: dict[str, dict[str, Any]] = {}
    cells: dict[str, str] = {}
    for answer in answers:
        q = answer.question
        place = f"sheet {q.sheet!r}, cell {q.cell()}"
        raw = overrides.setdefault(q.name, {"status": "local", "reason": f"filled form {path.name}", "note": _note(q.name, answers)})
        cells.setdefault(f"override.{q.name}", place)
        raw |= {"unit": money[q.name]} if q.name in money else {}
        if q.item is None:
            raw |= {"value": answer.given}
            raw |= {"price_year": answer.year} if q.name in money and answer.year else {}
        else:
            table = raw.setdefault("table", [dict(row) for row in tables[q.name]])
            table[q.item][q.field] = answer.value
    title = f"Filled form {path.name}" + (f", {hospital}" if hospital else "") + (f" ({held} answers held)" if held else "")
    data = {"title": title, "rationale": f"Values given by the site in {path.name}.", "override": overrides}
    answered = {a.question.name for a in answers if a.question.item is not None}
    return FormDocument(path, data, "", {}, cells, {name: tables[name] for name in answered}, currency)


def _note(name: str, answers: list[Answer]) -> str:
    """Note of an input; where a table's answers have different ones, each with its cell of the table."""
    given = [a for a in answers if a.question.name == name]
    if len({a.note for a in given}) == 1:
        return given[0].note
    return "; ".join(f"{a.question.shown.partition(' / ')[2]}: {a.note}" for a in given)


def _unequal_sums(answers: list[Answer], tables: dict[str, list[dict[str, Any]]], shown: str) -> Iterator[tuple[str, DataError]]:
    """Tables whose shares do not sum to 1 once the answers are in."""
    for name in dict.fromkeys(a.question.name for a in answers if a.question.sums_to_one):
        given = [a for a in answers if a.question.name == name and a.question.sums_to_one]
        field = given[0].question.field
        shares = {number: row[field] for number, row in enumerate(tables[name])} | {a.question.item: a.value for a in given}
        total = sum(float(share) for share in shares.values())
        if abs(total - 1) > 1e-9:
            what = f"{name}: the shares sum to {total:.6g}, must be 1"
            where = f"{shown}, sheet {given[0].question.sheet!r}, cells {', '.join(a.question.cell() for a in given)}"
            fix = "fill in every share of the table, so that they sum to 1; they are not rescaled for you"
            yield name, DataError(what, where=where, fix=fix)


def read_hidden(sheets: dict[str, Grid], shown: str) -> tuple[dict[str, str], list[Question], dict[str, list[dict[str, Any]]]]:
    """Facts, questions and tables of the hidden sheet."""
    grid = sheets.get(at.HIDDEN_SHEET, [])
    if not grid or grid[0][0] != at.MARK:
        what = f"{shown} is not a form made by this program: its hidden sheet is missing"
        raise DataError(what, where=shown, fix=FRESH)
    if grid[0][1] != at.VERSION:
        what = f"{shown} was made by version {grid[0][1]} of the form, this program reads version {at.VERSION}"
        raise DataError(what, where=shown, fix=FRESH)
    try:
        facts = {name: str(grid[row - 1][1] or "unknown") for name, row in at.FACTS.items()}
        entries = [dict(zip(at.ENTRY_FIELDS, row, strict=False)) for row in grid[at.FIRST_ENTRY - 1 :] if row[2]]
        tables = {str(e["name"]): json.loads(str(e["ours"])) for e in entries if not e["sheet"]}
        questions = [_question(e) for e in entries if e["sheet"]]
        for q in questions:
            if q.item is not None:
                tables[q.name][q.item][q.field]
        return facts, questions, tables
    except (ValueError, TypeError, KeyError, IndexError):
        what = f"the hidden sheet of {shown} has been changed"
        raise DataError(what, where=f"{shown}, sheet {at.HIDDEN_SHEET!r}", fix=FRESH) from None


def _question(entry: dict[str, Any]) -> Question:
    item, ours = entry["item"], json.loads(str(entry["ours"]))
    row = int(entry["row"])
    if row < at.FIRST_ROW:
        raise ValueError(row)
    return Question(
        str(entry["sheet"]),
        row,
        str(entry["name"]),
        str(entry["shown"]),
        None if item is None else int(item),
        str(entry["field"] or ""),
        str(entry["unit"]),
        float(ours) if isinstance(ours, int | float) else ours,
        tuple(json.loads(str(entry["choices"]))),
        bool(entry["sums_to_one"]),
        bool(entry["after_a_year"]),
    )


def missing_sheet(sheet: str, sheets: dict[str, Grid], questions: list[Question], shown: str) -> DataError:
    """Build the fault of a sheet that was renamed or deleted."""
    others = [name for name in sheets if name not in {q.sheet for q in questions} | {at.START_SHEET, at.HIDDEN_SHEET}]
    what = f"the sheet {sheet!r} is not in the form" + (f"; found instead: {', '.join(map(repr, others))}" if others else "")
    return DataError(what, where=f"{shown}, sheet {sheet!r}", fix="give the sheet its old name back" if others else FRESH)


def read_answer(grid: Grid, q: Question, shown: str, style: str) -> Answer | bool:
    """Answer to one question; False where blank, True where marked as not known."""
    cells = grid[q.row - 1] if q.row <= len(grid) else [None] * at.CHECK

    def where(column: int) -> str:
        return f"{shown}, sheet {q.sheet!r}, cell {q.cell(column)}"

    typed = cells[at.ANSWER - 1]
    value = _read_choice(typed, q, where(at.ANSWER)) if q.choices else read_cell(typed, where(at.ANSWER))
    unknown = read_text(cells[at.UNKNOWN - 1], where(at.UNKNOWN)) != ""
    if value is None:
        return unknown
    if unknown:
        what = f'{q.shown}: a value is given and "don\'t know" is marked as well'
        raise DataError(what, where=where(at.UNKNOWN), fix="clear one of the two")
    text = value if isinstance(value, str) and not q.choices else ""
    if text and not any(map(str.isdigit, text)):
        what = f"{q.shown} = {text!r}: must be a number ({q.unit})"
        raise DataError(what, where=where(at.ANSWER), fix=WORDS)
    value = read_quantity(q.shown, text, q.unit, Where(where(at.ANSWER)), style) if text else value
    if isinstance(value, float):
        _check_limits(q, value, where(at.ANSWER))
    year = read_text(cells[at.YEAR - 1], where(at.YEAR))
    if year and not PRICE_YEAR.fullmatch(year):
        what = f"year {year!r}: must be a year such as 2024 or 2023/24"
        raise DataError(what, where=where(at.YEAR), fix="type the year the value belongs to")
    source, filled_by = (read_text(cells[column - 1], where(column)) for column in (at.SOURCE, at.FILLED_BY))
    return Answer(q, value, year, source, filled_by, text)


def moved(grid: Grid, asked: list[Question], shown: str) -> Iterator[DataError]:
    """Rows that no longer stand where the form had them."""
    for q in asked:
        where = f"{shown}, sheet {q.sheet!r}, cell {q.cell(at.NAME)}"
        found = read_text(grid[q.row - 1][at.NAME - 1], where) if q.row <= len(grid) else ""
        if found == q.shown:
            continue
        elsewhere = next((n for n, row in enumerate(grid, start=1) if row[at.NAME - 1] == q.shown), None)
        if elsewhere:
            what = f"{q.shown} stands in row {elsewhere} instead of row {q.row}: rows were added, deleted or sorted"
        elif found:
            what = f"model name {found!r} is unknown here: the form was made with {q.shown!r}"
        else:
            what = f"the row of {q.shown} was deleted or cleared"
        yield DataError(what, where=where, fix=f"undo the change, or {FRESH}")


def _read_choice(typed: object, q: Question, where: str) -> str | None:
    text = read_text(typed, where)
    text = {choice.casefold(): choice for choice in q.choices}.get(text.casefold(), text)
    if text and text not in q.choices:
        what = f"{q.shown} = {text!r}: must be one of {', '.join(q.choices)}"
        close = nearest(text, q.choices)
        raise DataError(what, where=where, fix=close if close.startswith("did") else f"choose from the list; {NOBODY}")
    return text or None


def _check_limits(q: Question, value: float, where: str) -> None:
    parse_value(q.shown, value, q.unit, Where(where))
    low, high = limits(q)
    if not low <= value <= high:
        rule = f"between {low:g} and {high:g}" if math.isfinite(high) else f"{low:g} or more"
        what = f"{q.shown} = {value:g} ({q.unit}): must be {rule}"
        raise DataError(what, where=where, fix="a percentage is written as a fraction, 7.5% as 0.075")
    if q.name in WHOLE and value != int(value):
        what = f"{q.shown} = {value:g}: must be a whole number"
        raise DataError(what, where=where, fix="round it as you would say it")


def _same(ours: object, theirs: object) -> bool:
    """Whether an answer is our value; a value that follows another may differ from what is shown in its last digit."""
    if isinstance(ours, int | float) and isinstance(theirs, int | float):
        return math.isclose(ours, theirs, rel_tol=1e-12)
    return ours == theirs
