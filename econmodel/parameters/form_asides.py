"""What stands in a filled form beside its answers: held where it may be one, else noted. Nothing typed in is dropped in silence."""

from __future__ import annotations

import math
from collections.abc import Iterator

from econmodel.errors import DataError
from econmodel.parameters import form_cells as at
from econmodel.parameters.form_cells import Grid, Question, read_text
from econmodel.workbooks import Formula, Workbook

MARKS = frozenset({"x", "✓", "✗", "1", "yes", "true"})
CHECKS = frozenset({"", "ok", "not possible", "both filled", "don't know"})
BESIDE = 'type the value under "Your value" of its question; words go under Source'


def strays(grid: Grid, asked: list[Question], shown: str) -> Iterator[DataError]:
    """What stands beside no question, right of one, or over our value: one fault a row."""
    rows = {q.row: q for q in asked}
    for number, row in enumerate(grid, start=1):
        q = rows.get(number)
        own = range(1) if number < at.FIRST_ROW - 1 else range(at.CHECK if q or number == at.FIRST_ROW - 1 else 0)
        found = [column for column, value in enumerate(row) if column not in own and _said(value)]
        if q and _over(row[at.OURS - 1], q.ours):
            found.append(at.OURS - 1)
        if q and not isinstance(row[at.CHECK - 1], Formula) and _said(row[at.CHECK - 1]) not in CHECKS:
            found.append(at.CHECK - 1)
        if found:
            place = "where no answer is read" if q else "beside no question"
            yield _stray(row, found, place, f"{shown}, sheet {asked[0].sheet!r}", number)


def on_start(grid: Grid, shown: str) -> Iterator[DataError]:
    """What was typed on the first sheet otherwise than whose form it is: nothing else is read there."""
    table = ""
    for number, row in enumerate(grid, start=1):
        first = _said(row[0])
        table = first if first in (at.FIND_FIRST, at.ALL_SHEETS) else table if first else ""
        listed = table == at.FIND_FIRST and first != table
        told = at.HOSPITAL_CELL[0] <= number < at.HOSPITAL_CELL[0] + len(at.WHOSE)
        own = range((2 if listed else 4) if table else 2 if told else 1)
        found = [c for c, value in enumerate(row) if c not in own and _said(value) and not (listed and isinstance(value, Formula))]
        if found:
            yield _stray(row, found, "where no answer is read", f"{shown}, sheet {at.START_SHEET!r}", number)


def on_sheets(book: Workbook, sheets: dict[str, Grid], questions: list[Question], shown: str) -> Iterator[DataError]:
    """Sheets that are not of the form, and answer cells merged into one."""
    own = {q.sheet for q in questions}
    for number, (name, grid) in enumerate(sheets.items(), start=1):
        where = f"{shown}, sheet {name!r}"
        if name not in own | {at.START_SHEET, at.HIDDEN_SHEET} and any(_said(value) for row in grid for value in row):
            what = f"the sheet {name!r} is not of the form and is not read"
            yield DataError(what, where=where, fix="move its values to the yellow cells of the form")
        for top, last in book.merged(number) if name in own else ():
            if last > top and last >= at.FIRST_ROW:
                what = f"rows {top} to {last} are merged: only the first of them is answered"
                yield DataError(what, where=where, fix="part the cells again, and answer each question in its own")


def notes(book: Workbook, sheets: dict[str, Grid], questions: list[Question]) -> tuple[str, ...]:
    """Words that change nothing, each with its cells: comments, who sends the form, and what stands beside "don't know"."""
    said: dict[tuple[str, str], list[str]] = {}
    start, (top, column) = sheets.get(at.START_SHEET, []), at.HOSPITAL_CELL
    for number, label in enumerate(at.WHOSE, start=top):
        if number > top and number <= len(start) and (text := _said(start[number - 1][column - 1])):
            said[f"{label}: {text}", at.START_SHEET] = [f"{chr(64 + column)}{number}"]
    for q in questions:
        cells = sheets[q.sheet][q.row - 1]
        if not _said(cells[at.ANSWER - 1]):
            unknown = _said(cells[at.UNKNOWN - 1])
            for column in (at.YEAR, at.SOURCE, at.FILLED_BY, at.UNKNOWN) if unknown else (at.FILLED_BY,):
                text = _said(cells[column - 1])
                if text and not (column == at.UNKNOWN and text.lower() in MARKS):
                    said.setdefault((text, q.sheet), []).append(q.cell(column))
    for number, name in enumerate(sheets, start=1):
        for cell, text in book.comments(number):
            said.setdefault((text.rpartition("Comment:\n")[2].strip(), name), []).append(f"comment at {cell}")
    return tuple(f"{text!r} (sheet {sheet!r}, {', '.join(cells)})" for (text, sheet), cells in said.items())


def unanswered(cells: list[object], q: Question, shown: str) -> Iterator[DataError]:
    """A year or source beside an answer cell left blank."""
    for column, label in ((at.YEAR, "year"), (at.SOURCE, "source")):
        if text := _said(cells[column - 1]):
            what = f"{q.shown}: a {label} is given, {text[:80]!r}, and no value"
            where = f"{shown}, sheet {q.sheet!r}, cell {q.cell(column)}"
            yield DataError(what, where=where, fix='type the value under "Your value", or put x under "Don\'t know"')


def _stray(row: list[object], found: list[int], place: str, sheet: str, number: int) -> DataError:
    what = f"{', '.join(repr(_said(row[column])[:80]) for column in found)} stands {place}"
    return DataError(what, where=f"{sheet}, cell {_letters(found[0])}{number}", fix=BESIDE)


def _letters(column: int) -> str:
    return ("" if column < 26 else _letters(column // 26 - 1)) + chr(65 + column % 26)


def _over(value: object, ours: object) -> bool:
    """Whether our own value was typed over."""
    if isinstance(value, int | float) and isinstance(ours, int | float):
        return not math.isclose(value, ours, rel_tol=1e-9, abs_tol=1e-12)
    return bool(_said(value)) and _said(value) != str(ours)


def _said(value: object) -> str:
    return "a formula" if isinstance(value, Formula) and value.stored is None else read_text(value, "")
