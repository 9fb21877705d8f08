"""Read a filled data-collection form into an override document, and show how it differs from the present values.

A blank answer keeps ours. Nothing here prints: :meth:`FilledForm.rows` gives the differences to whoever shows them,
before the document is applied.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from econmodel.errors import DataError, EconModelError, join_faults
from econmodel.parameters.documents import Document, display_path
from econmodel.parameters.form_answers import Answer, missing_sheet, read_answer, read_hidden, strays
from econmodel.parameters.form_cells import Grid, open_form
from econmodel.parameters.form_layout import HOSPITAL_CELL, START_SHEET, Question
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.schema import Where, money_parts
from econmodel.parameters.second_look import far_off


@dataclass(frozen=True)
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


@dataclass(frozen=True)
class FilledForm:
    """A filled form: its override document, the answers, and the inputs marked as not known."""

    path: Path
    document: FormDocument
    answers: tuple[Answer, ...]
    not_known: tuple[str, ...]
    price_year: str

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
            "unit": q.unit,
            "changed": ours != answer.value,
            "sheet": q.sheet,
            "cell": q.cell(),
            "year": answer.year,
            "source": answer.source,
            "filled_by": answer.filled_by,
            "warning": "; ".join(self._warnings(answer, ours)),
        }

    def _warnings(self, answer: Answer, ours: float | str | None) -> Iterator[str]:
        if far := far_off(answer.value, ours):
            yield far
        if money_parts(answer.question.unit) and answer.year and answer.year != self.price_year:
            yield f"prices of {answer.year} among prices of {self.price_year}: not adjusted"
        if not answer.source:
            yield "no source given"


def present_value(parameters: ParameterSet, question: Question) -> float | str | None:
    """Value a case has now for a question; None where it has none."""
    p = parameters.parameters.get(question.name)
    if p is None or question.item is None:
        return None if p is None else p.value
    rows = p.table or ()
    value = rows[question.item].get(question.field) if question.item < len(rows) else None
    return float(value) if isinstance(value, int | float) else value


def read_form(path: Path) -> FilledForm:
    """Read a filled form.

    Raises
    ------
    EconModelError
        Every fault found, with sheet and cell: a file that is no form, a renamed sheet, a deleted or moved row, text in
        a number cell, a value outside its limits, shares that do not sum to 1, "don't know" beside a value.
    """
    shown = display_path(path)
    sheets = open_form(path)
    facts, questions, tables = read_hidden(sheets, shown)
    faults: list[EconModelError] = []
    answers, not_known = [], []
    for sheet in dict.fromkeys(q.sheet for q in questions):
        asked = [q for q in questions if q.sheet == sheet]
        if sheet not in sheets:
            faults.append(missing_sheet(sheet, sheets, questions, shown))
            continue
        faults += strays(sheets[sheet], asked, shown)
        for q in asked:
            try:
                answer = read_answer(sheets[sheet], q, shown)
            except EconModelError as fault:
                faults.append(fault)
                continue
            if isinstance(answer, Answer):
                answers.append(answer)
            elif answer:
                not_known.append(q.shown)
    money = {q.name: q.unit for q in questions if money_parts(q.unit)}
    document = _document(path, _hospital(sheets), answers, tables, money, facts["currency"], faults, shown)
    if faults:
        raise join_faults(faults)
    return FilledForm(path, document, tuple(answers), tuple(not_known), facts["price_year"])


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
    grid, (row, column) = sheets.get(START_SHEET, []), HOSPITAL_CELL
    value = grid[row - 1][column - 1] if len(grid) >= row else None
    return value.strip()[:120] if isinstance(value, str) else ""


def _document(
    path: Path,
    hospital: str,
    answers: list[Answer],
    tables: dict[str, list[dict[str, Any]]],
    money: dict[str, str],
    currency: str,
    faults: list[EconModelError],
    shown: str,
) -> FormDocument:
    """Override document of the answers; a table answered in part keeps the form's other cells, and money its unit."""
    overrides: dict[str, dict[str, Any]] = {}
    cells: dict[str, str] = {}
    for answer in answers:
        q = answer.question
        place = f"sheet {q.sheet!r}, cell {q.cell()}"
        raw = overrides.setdefault(q.name, {"status": "local", "reason": f"filled form {path.name}", "note": answer.note})
        cells.setdefault(f"override.{q.name}", place)
        raw |= {"unit": money[q.name]} if q.name in money else {}
        if q.item is None:
            raw |= {"value": answer.value}
            raw |= {"price_year": answer.year} if q.name in money and answer.year else {}
        else:
            table = raw.setdefault("table", [dict(row) for row in tables[q.name]])
            table[q.item][q.field] = answer.value
    faults += _unequal_sums(answers, overrides, shown)
    title = f"Filled form {path.name}" + (f", {hospital}" if hospital else "")
    data = {"title": title, "rationale": f"Values given by the site in {path.name}.", "override": overrides}
    answered = {a.question.name for a in answers if a.question.item is not None}
    return FormDocument(path, data, "", {}, cells, {name: tables[name] for name in answered}, currency)


def _unequal_sums(answers: list[Answer], overrides: dict[str, dict[str, Any]], shown: str) -> Iterator[DataError]:
    """Shares of a table must sum to 1 once the answers are in."""
    for name in dict.fromkeys(a.question.name for a in answers if a.question.sums_to_one):
        asked = [a.question for a in answers if a.question.name == name and a.question.sums_to_one]
        total = sum(row[asked[0].field] for row in overrides[name]["table"])
        if abs(total - 1) > 1e-9:
            what = f"{name}: the shares sum to {total:.6g}, must be 1"
            yield DataError(
                what,
                where=f"{shown}, sheet {asked[0].sheet!r}, cells {', '.join(q.cell() for q in asked)}",
                fix="fill in every share of the table, so that they sum to 1; they are not rescaled for you",
            )
