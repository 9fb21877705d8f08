"""The form's sheets: where everything stands, and the cells of a filled one: values only, bounded in size, nothing executed.

A formula cell gives the value the spreadsheet program stored in it; without one it is refused. The form's
hidden sheet lists every question: the sheet and row it stands in, the input (and, for a table, the row and field), the unit
and the value shown.
"""

from __future__ import annotations

import io
import math
import zipfile
from datetime import date, datetime, time
from pathlib import Path

from econmodel.errors import DataError
from econmodel.parameters.documents import display_path
from econmodel.parameters.schema import BOUNDS, POSITIVE_UNITS, WHOLE, unit_kind
from econmodel.records import record

HIDDEN_SHEET, MARK, VERSION = "econmodel_form", "econmodel form", 2
FACTS = {"case": 2, "currency": 3, "price_year": 4, "inputs_sha256": 5, "number_style": 6}
FIRST_ENTRY = 8
START_SHEET, HOSPITAL_CELL = "Start", (6, 2)
QUESTION, UNIT, NAME, OURS, STATUS, ANSWER, YEAR, SOURCE, FILLED_BY, UNKNOWN, CHECK = range(1, 12)
FIRST_ROW = 6
ENTRY_FIELDS = ("sheet", "row", "name", "shown", "item", "field", "unit", "ours", "choices", "sums_to_one", "after_a_year")
LARGEST_FILE, LARGEST_UNPACKED, MOST_PARTS = 5_000_000, 20_000_000, 500
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


@record
class Formula:
    """A cell that holds a formula, with the value stored in it, if any."""

    stored: object


def open_form(path: Path) -> dict[str, Grid]:
    """Read every sheet as rows of cells.

    Returns
    -------
    dict
        Sheet name to rows from row 1 on; at most ``LAST_ROW`` rows of ``LAST_COLUMN`` cells.

    Raises
    ------
    DataError
        The file is missing, is no XLSX workbook, is damaged, or is far larger than a form.
    """
    shown = display_path(path)
    content = _read_bytes(path, shown)
    _inspect(content, shown)
    typed, stored = _load(content, shown, values=False), _load(content, shown, values=True)
    return {
        name: [
            [Formula(value) if formula else value for (_, formula), (value, _) in zip(a, b, strict=True)]
            for a, b in zip(rows, stored[name], strict=True)
        ]
        for name, rows in typed.items()
    }


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


def _inspect(content: bytes, shown: str) -> None:
    """Refuse what is no workbook, unpacks to too much, or declares document types of its own."""
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            parts = archive.infolist()
            if len(parts) > MOST_PARTS or sum(part.file_size for part in parts) > LARGEST_UNPACKED:
                what = f"{shown} unpacks to far more than a form"
                raise DataError(what, where=shown, fix=FRESH)
            if any(b"<!DOCTYPE" in archive.read(part) for part in parts if part.filename.endswith((".xml", ".rels"))):
                what = f"{shown} declares document types, which no spreadsheet program does"
                raise DataError(what, where=shown, fix=FRESH)
    except (zipfile.BadZipFile, OSError, EOFError, NotImplementedError, RuntimeError) as error:
        what = f"{shown} is not a readable XLSX workbook"
        raise DataError(what, where=shown, fix="save it as .xlsx, without a password") from error


def _load(content: bytes, shown: str, *, values: bool) -> dict[str, list[list[tuple[object, bool]]]]:
    """Cells of every sheet with whether each is a formula, padded to one width."""
    import warnings

    from openpyxl import load_workbook

    found: dict[str, list[list[tuple[object, bool]]]] = {}
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", UserWarning)
            book = load_workbook(io.BytesIO(content), read_only=True, data_only=values, keep_links=False)
            for page in book.worksheets:
                page.reset_dimensions()
                rows = page.iter_rows(max_row=LAST_ROW, max_col=LAST_COLUMN)
                cells: list[list[tuple[object, bool]]] = [[(cell.value, cell.data_type == "f") for cell in row] for row in rows]
                found[page.title] = [row + [(None, False)] * (LAST_COLUMN - len(row)) for row in cells]
    except Exception as error:
        what = f"{shown} is damaged and cannot be opened as a workbook"
        raise DataError(what, where=shown, fix="open it in a spreadsheet program and save it again") from error
    return found


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
