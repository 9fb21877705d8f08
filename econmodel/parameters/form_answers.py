"""Read the questions of a form from its hidden sheet, and the answer to each from its row."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from econmodel.errors import DataError
from econmodel.parameters.form_cells import FRESH, Grid, read_number, read_text
from econmodel.parameters.form_layout import (
    ANSWER,
    CHECK,
    ENTRY_FIELDS,
    FACTS,
    FILLED_BY,
    FIRST_ENTRY,
    FIRST_ROW,
    HIDDEN_SHEET,
    MARK,
    NAME,
    SOURCE,
    START_SHEET,
    UNKNOWN,
    VERSION,
    YEAR,
    Question,
    limits,
)
from econmodel.parameters.parsing import parse_value
from econmodel.parameters.schema import WHOLE, Where
from econmodel.wording import nearest

_YEAR = re.compile(r"(19|20)\d\d(/\d\d)?")


@dataclass(frozen=True)
class Answer:
    """What was filled in for one question."""

    question: Question
    value: float | str
    year: str = ""
    source: str = ""
    filled_by: str = ""

    @property
    def note(self) -> str:
        """Source, year and person as one text."""
        parts = (
            f"source: {self.source}" if self.source else "no source given",
            f"year {self.year}" if self.year else "",
            f"filled by {self.filled_by}" if self.filled_by else "",
        )
        return "; ".join(part for part in parts if part)


def read_hidden(sheets: dict[str, Grid], shown: str) -> tuple[dict[str, str], list[Question], dict[str, list[dict[str, Any]]]]:
    """Facts, questions and tables of the hidden sheet."""
    grid = sheets.get(HIDDEN_SHEET, [])
    if not grid or grid[0][0] != MARK:
        what = f"{shown} is not a form made by this program: its hidden sheet is missing"
        raise DataError(what, where=shown, fix=FRESH)
    if grid[0][1] != VERSION:
        what = f"{shown} was made by version {grid[0][1]} of the form, this program reads version {VERSION}"
        raise DataError(what, where=shown, fix=FRESH)
    try:
        facts = {name: str(grid[row - 1][1]) for name, row in FACTS.items()}
        entries = [dict(zip(ENTRY_FIELDS, row, strict=False)) for row in grid[FIRST_ENTRY - 1 :] if row[2]]
        tables = {str(e["name"]): json.loads(str(e["ours"])) for e in entries if not e["sheet"]}
        questions = [_question(e) for e in entries if e["sheet"]]
        for q in questions:
            if q.item is not None:
                tables[q.name][q.item][q.field]
        return facts, questions, tables
    except (ValueError, TypeError, KeyError, IndexError):
        what = f"the hidden sheet of {shown} has been changed"
        raise DataError(what, where=f"{shown}, sheet {HIDDEN_SHEET!r}", fix=FRESH) from None


def _question(entry: dict[str, Any]) -> Question:
    item, ours = entry["item"], json.loads(str(entry["ours"]))
    row = int(entry["row"])
    if row < FIRST_ROW:
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
    )


def missing_sheet(sheet: str, sheets: dict[str, Grid], questions: list[Question], shown: str) -> DataError:
    """Build the fault of a sheet that was renamed or deleted."""
    others = [name for name in sheets if name not in {q.sheet for q in questions} | {START_SHEET, HIDDEN_SHEET}]
    what = f"the sheet {sheet!r} is not in the form" + (f"; found instead: {', '.join(map(repr, others))}" if others else "")
    return DataError(what, where=f"{shown}, sheet {sheet!r}", fix="give the sheet its old name back" if others else FRESH)


def strays(grid: Grid, asked: list[Question], shown: str) -> Iterator[DataError]:
    """Values in the answer column that belong to no question."""
    rows = {q.row for q in asked}
    for number, row in enumerate(grid, start=1):
        if number >= FIRST_ROW and number not in rows and row[ANSWER - 1] not in (None, ""):
            what = f"{str(row[ANSWER - 1])[:40]!r} stands beside no question"
            yield DataError(
                what,
                where=f"{shown}, sheet {asked[0].sheet!r}, cell {chr(64 + ANSWER)}{number}",
                fix="clear the cell; put remarks under Source",
            )


def read_answer(grid: Grid, q: Question, shown: str) -> Answer | bool:
    """Answer to one question; False where blank, True where marked as not known."""
    cells = grid[q.row - 1] if q.row <= len(grid) else [None] * CHECK

    def where(column: int) -> str:
        return f"{shown}, sheet {q.sheet!r}, cell {q.cell(column)}"

    _check_name(grid, q, read_text(cells[NAME - 1], where(NAME)), where(NAME))
    typed = cells[ANSWER - 1]
    value = _read_choice(typed, q, where(ANSWER)) if q.choices else read_number(typed, where(ANSWER))
    unknown = read_text(cells[UNKNOWN - 1], where(UNKNOWN)) != ""
    if value is None:
        return unknown
    if unknown:
        what = f'{q.shown}: a value is given and "don\'t know" is marked as well'
        raise DataError(what, where=where(UNKNOWN), fix="clear one of the two")
    if isinstance(value, float):
        _check_limits(q, value, where(ANSWER))
    year = read_text(cells[YEAR - 1], where(YEAR))
    if year and not _YEAR.fullmatch(year):
        what = f"year {year!r}: must be a year such as 2024 or 2023/24"
        raise DataError(what, where=where(YEAR), fix="type the year the value belongs to")
    texts = (read_text(cells[column - 1], where(column)) for column in (SOURCE, FILLED_BY))
    return Answer(q, value, year, *texts)


def _check_name(grid: Grid, q: Question, found: str, where: str) -> None:
    if found == q.shown:
        return
    elsewhere = next((n for n, row in enumerate(grid, start=1) if row[NAME - 1] == q.shown), None)
    if elsewhere:
        what = f"{q.shown} stands in row {elsewhere} instead of row {q.row}: rows were added, deleted or sorted"
    elif found:
        what = f"model name {found!r} is unknown here: the form was made with {q.shown!r}"
    else:
        what = f"the row of {q.shown} was deleted or cleared"
    raise DataError(what, where=where, fix=f"undo the change, or {FRESH}")


def _read_choice(typed: object, q: Question, where: str) -> str | None:
    text = read_text(typed, where)
    if text and text not in q.choices:
        what = f"{q.shown} = {text!r}: must be one of {', '.join(q.choices)}"
        close = nearest(text, q.choices)
        raise DataError(what, where=where, fix=close if close.startswith("did") else "choose from the list")
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
