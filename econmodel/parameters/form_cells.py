"""The form's sheets: where everything stands, and the cells of a filled one: values only, bounded in size, nothing executed.

A formula cell gives the value the spreadsheet program stored in it; without one it is refused. The form's
hidden sheet lists every question: the sheet and row it stands in, the input (and, for a table, the row and field), the unit
and the value shown.
"""

from __future__ import annotations

import math
from datetime import date, datetime, time
from pathlib import Path

from econmodel.errors import DataError
from econmodel.parameters.documents import display_path
from econmodel.parameters.schema import BOUNDS, POSITIVE_UNITS, WHOLE, unit_kind
from econmodel.records import record
from econmodel.workbooks import Formula, Workbook

HIDDEN_SHEET, MARK, VERSION = "econmodel_form", "econmodel form", 2
FACTS = {"case": 2, "currency": 3, "price_year": 4, "inputs_sha256": 5, "number_style": 6}
FIRST_ENTRY = 8
START_SHEET, HOSPITAL_CELL = "Start", (6, 2)
WHOSE = ("Your hospital", "Date sent back", "Person to ask")
FIND_FIRST, ALL_SHEETS = "Find out first", "Sheet"
QUESTION, UNIT, NAME, OURS, STATUS, ANSWER, YEAR, SOURCE, FILLED_BY, UNKNOWN, CHECK = range(1, 12)
FIRST_ROW = 6
ENTRY_FIELDS = ("sheet", "row", "name", "shown", "item", "field", "unit", "ours", "choices", "sums_to_one", "after_a_year")
LARGEST_FILE, LARGEST_UNPACKED = 5_000_000, 20_000_000
LAST_ROW, LAST_COLUMN = 600, 12
SURE = 0.99
FRESH = "make a fresh form with `econmodel form` and copy the answers over"
Grid = list[list[object]]


@record
class Question:
    """One row of the form: an input, or one field of one row of a table input.

    ``shown`` is the model name as the form shows it; ``item`` and ``field`` place it in a table (None and empty for an
    input that is one value); ``sums_to_one`` says that the field's answers over the table must. ``after_a_year`` asks for a
    yearly rate as the share of people to whom it has happened after a year.
    """

    sheet: str
    row: int
    name: str
    shown: str
    item: int | None
    field: str
    unit: str
    ours: float | str | None
    choices: tuple[str, ...] = ()
    sums_to_one: bool = False
    after_a_year: bool = False

    def cell(self, column: int = ANSWER) -> str:
        """Cell of the question's row, such as ``F12``."""
        return f"{chr(64 + column)}{self.row}"


def rate_of_share(share: float) -> float:
    """Constant yearly rate under which a share of people has met an event after a year, nothing else happening to them.

    Examples
    --------
    >>> round(rate_of_share(0.2), 6), round(share_of_rate(rate_of_share(0.2)), 12)
    (0.223144, 0.2)
    """
    return -math.log1p(-share)


def share_of_rate(rate: float) -> float:
    """Share of people who have met an event of a constant yearly rate after a year."""
    return -math.expm1(-rate)


def limits(q: Question) -> tuple[float, float]:
    """Lowest and highest answer; a yearly rate or growth in the form is at most 1 (100%), a share after a year 0.99."""
    if q.after_a_year:
        return 0.0, SURE
    if q.unit in POSITIVE_UNITS:
        return 0.0, math.inf
    low, high = BOUNDS.get(unit_kind(q.unit), (0.0, math.inf))
    return max(low, WHOLE.get(q.name, low)), 1.0 if q.unit in ("per year", "growth per year") else high


def open_form(path: Path) -> tuple[Workbook, dict[str, Grid], list[DataError]]:
    """Read every sheet as rows of cells.

    Returns
    -------
    tuple
        The workbook; sheet name to rows from row 1 on, at most ``LAST_ROW`` of at least ``LAST_COLUMN`` cells; what was not read.

    Raises
    ------
    DataError
        The file is missing, is no XLSX workbook, is damaged, or is far larger than a form.
    """
    shown = display_path(path)
    book = Workbook(_read_bytes(path, shown), shown, LARGEST_UNPACKED)
    found: dict[str, Grid] = {}
    unread: list[DataError] = []
    for number, name in enumerate(book.sheets, start=1):
        grid = found.setdefault(name, [])
        told: list[str] = []
        for row in book.rows(number, told):
            if row.number > LAST_ROW:
                told.append(f"row {row.number} and those after it were not read: a form has at most {LAST_ROW}")
                break
            grid += [[None] * LAST_COLUMN for _ in range(row.number - 1 - len(grid))]
            grid.append(row.values + [None] * (LAST_COLUMN - len(row.values)))
        unread += [
            DataError(what, where=f"{shown}, sheet {name!r}", fix="move what stands there to the yellow cells") for what in told
        ]
    return book, found, unread


def _read_bytes(path: Path, shown: str) -> bytes:
    try:
        size = path.stat().st_size
        if size > LARGEST_FILE:
            what = f"{shown} has {size / 1e6:.0f} MB: a form has less than {LARGEST_FILE / 1e6:.0f} MB"
            raise DataError(what, where=shown, fix="send the form alone, without pictures or other sheets")
        return path.read_bytes()
    except OSError as error:
        what = f"{shown} cannot be read: {error.strerror}"
        raise DataError(what, where=shown, fix="check the path, and close the file in other programs") from None


def read_text(value: object, where: str) -> str:
    """Text of a cell; a number or date becomes text.

    Raises
    ------
    DataError
        A formula without a stored value.
    """
    value = _stored(value, where)
    if isinstance(value, datetime | date | time):
        return value.isoformat()[:10]
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return "" if value is None else str(value).strip()


def read_cell(value: object, where: str) -> float | str | None:
    """Read what should be a number: as one, as the text it was typed as, or None where the cell is empty.

    Raises
    ------
    DataError
        A date, yes/no, an error value or a formula without a stored value.
    """
    value = _stored(value, where)
    if isinstance(value, str) and not value.strip().startswith("#"):
        return value.strip() or None
    if value is None or (isinstance(value, int | float) and not isinstance(value, bool)):
        return None if value is None else float(value)
    what, fix = f"{value!r} is no number", "type a number"
    if isinstance(value, datetime | date | time):
        what, fix = "the cell holds a date: must be a number", "format the cell as a number and type the value again"
    elif isinstance(value, str):
        what, fix = f"the cell shows the error {value.strip()}", "mend the formula, or type the value itself"
    raise DataError(what, where=where, fix=fix)


def _stored(value: object, where: str) -> object:
    if not isinstance(value, Formula):
        return value
    if value.stored is None:
        what = "the cell holds a formula that was never worked out"
        raise DataError(what, where=where, fix="type the value itself, or open and save the file in a spreadsheet program")
    return value.stored
