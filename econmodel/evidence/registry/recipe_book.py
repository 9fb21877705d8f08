"""The workbook beside ``recipe.toml``: the same recipe, in which a person picks the meaning of columns and words from lists.

Read back it becomes the recipe's document, which :mod:`~econmodel.evidence.registry.recipe` checks whatever it was written as.
"""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from itertools import zip_longest
from pathlib import Path
from typing import TYPE_CHECKING, Any

from econmodel.errors import DataError
from econmodel.texts import read_bytes
from econmodel.workbooks import SMALLER, Formula, Workbook

if TYPE_CHECKING:
    from openpyxl.worksheet.worksheet import Worksheet

SHEETS: Mapping[str, tuple[str, ...]] = {
    "File": ("Setting", "Value", "Pick what is open on every sheet, then: econmodel registry FILE --recipe recipe.xlsx"),
    "Sheets": ("Sheet", "Heading row", "First row of patients", "Layout"),
    "Columns": ("Sheet", "Column", "Meaning", "Which of several in a row"),
    "Words": ("What the column holds", "Word, or a row it stands in", "Meaning", "Where"),
}
LISTS, WIDTH = "Lists", 24
SPARE = 100  # rows below the last in which lists still open
Rows = Sequence[Sequence[str | int]]


def book_of(document: Mapping[str, Any], places: Mapping[tuple[str, str], str], known: Mapping[str, Sequence[str]]) -> bytes:
    """Workbook of a recipe.

    Parameters
    ----------
    document
        The recipe as its TOML has it; a meaning left empty is open.
    places
        (Our name of a column, word): where an open word stands.
    known
        What may be picked: names of columns under ``columns``, orders and styles under theirs, words by column.
    """
    from openpyxl import Workbook as Book
    from openpyxl.workbook.defined_name import DefinedName

    sheets = document["sheet"]
    rows: dict[str, Rows] = {
        "File": [(key, document.get(key, "")) for key in ("date_order", "number_style", "layout_key")],
        "Sheets": [(s["number"], s["header_row"], s["first_row"], s["layout"]) for s in sheets],
        "Columns": [(s["number"], letter, *_parted(name)) for s in sheets for letter, name in s["columns"].items()],
        "Words": [(n, w, meaning, places.get((n, w), "")) for n, words in document["words"].items() for w, meaning in words.items()],
    }
    book = Book()
    book.remove(book.worksheets[0])
    for title, head in SHEETS.items():
        _fill(book.create_sheet(title), [head, *rows[title]])
    lists = book.create_sheet(LISTS)
    _fill(lists, [tuple(known), *zip_longest(*known.values(), fillvalue="")])
    lists.sheet_state = "hidden"
    for column, (name, entries) in zip(lists.columns, known.items(), strict=True):
        place = f"{LISTS}!${column[0].column_letter}$2:${column[0].column_letter}${len(entries) + 1}"
        book.defined_names[name] = DefinedName(name, attr_text=place)
    _offer(book["File"], "date_order", "B2")
    _offer(book["File"], "number_style", "B3")
    _offer(book["Columns"], "columns", f"C2:C{len(rows['Columns']) + 1}")
    _offer(book["Words"], "INDIRECT($A2)", f"C2:C{len(rows['Words']) + SPARE}")
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def _fill(sheet: Worksheet, rows: Rows) -> None:
    """Write rows; a text stays one, whatever it begins with."""
    for number, row in enumerate(rows, start=1):
        for place, value in enumerate(row, start=1):
            if value != "":
                cell = sheet.cell(number, place, value)
                cell.data_type = "s" if isinstance(value, str) else "n"
    for letter in "ABCD":
        sheet.column_dimensions[letter].width = WIDTH


def _offer(sheet: Worksheet, entries: str, cells: str) -> None:
    from openpyxl.worksheet.datavalidation import DataValidation

    rule = DataValidation(type="list", formula1=entries, allow_blank=True, showErrorMessage=True)
    rule.errorTitle, rule.error = "Not known", "Choose from the list."
    sheet.add_data_validation(rule)
    rule.add(cells)


def _parted(name: str) -> tuple[str, str | int]:
    """Name and number of ``session_date 2``."""
    stem, space, number = name.rpartition(" ")
    return (stem, int(number)) if space else (name, "")


def document_of(path: Path) -> dict[str, Any]:
    """Recipe of a workbook, as its TOML would have it; what is left open is left out.

    Raises
    ------
    EconModelError
        It cannot be read, a sheet or heading of it is missing, or a word stands there twice with two meanings.
    """
    book = Workbook(read_bytes(path, path.name, "check the path"), path.name, SMALLER)
    file, sheets, columns, words = (_rows(book, title, head) for title, head in SHEETS.items())
    document: dict[str, Any] = {str(key): value for key, value, _ in file if value != ""}
    document["sheet"] = [
        {"number": number, "header_row": header, "first_row": first, "layout": layout, "columns": {}}
        for number, header, first, layout in sheets
    ]
    for number, letter, name, repeat in columns:
        for sheet in document["sheet"]:
            if sheet["number"] == number and name != "":
                sheet["columns"][str(letter)] = f"{name} {repeat}".strip()
    document["words"] = {}
    for column, word, meaning, _ in words:
        if meaning != "" and document["words"].setdefault(str(column), {}).setdefault(str(word), meaning) != meaning:
            what = f"a word of {column} stands twice on sheet Words, with two meanings"
            raise DataError(what, where=path.name, fix="keep one of the two")
    return document


def _rows(book: Workbook, title: str, head: Sequence[str]) -> list[tuple[Any, ...]]:
    """Rows of a sheet below its headings, blank cells as empty text, whole numbers whole."""
    if title not in book.sheets:
        what = f"{book.shown} has no sheet {title!r}: it is no recipe"
        raise DataError(what, where=book.shown, fix="give recipe.xlsx of an earlier run, or recipe.toml")
    found = [row.values + [None] * len(head) for row in book.rows([*book.sheets].index(title) + 1, [])]
    if tuple(found[0][: len(head)] if found else ()) != tuple(head):
        what = f"sheet {title!r} of {book.shown} must have the headings {', '.join(head)} in its first row"
        raise DataError(what, where=book.shown, fix="put them back, or let a run write a new recipe")
    return [tuple(_plain(cell, book.shown, title) for cell in row[: len(head)]) for row in found[1:]]


def _plain(cell: object, shown: str, title: str) -> object:
    if isinstance(cell, Formula):
        what = f"sheet {title!r} of {shown} holds a formula: each cell must be a value"
        raise DataError(what, where=shown, fix="type the value")
    if isinstance(cell, float) and cell.is_integer():
        return int(cell)
    return "" if cell is None else cell.strip() if isinstance(cell, str) else cell
