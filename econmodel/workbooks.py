"""XLSX workbooks, read as a stream and within bounds: values only, nothing executed, nothing followed.

A part is parsed while it inflates, and what it inflates to is counted: a workbook that unpacks to more than is allowed, or has
more rows, is refused as soon as that shows. Rows after a hundred blank ones and cells past the two-hundredth column are not read.
"""

from __future__ import annotations

import io
import re
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from functools import cached_property
from posixpath import join, normpath
from typing import Any
from xml.etree import ElementTree

from econmodel.errors import DataError
from econmodel.records import record

LARGEST, SMALLER = 1_000_000_000, 200_000_000
MOST_ROWS, MOST_COLUMNS, MOST_BLANK, MOST_PARTS, MOST_TEXTS = 250_000, 200, 100, 2_000, 4_000_000
MOST_STYLED = 10_000  # rows with no value in them, of which a sheet may end in a million
DATE_FORMATS = {*range(14, 23), *range(27, 37), *range(45, 48), *range(50, 59)}
_NO_DATE = re.compile(r'"[^"]*"|\\.|_.|\*.|\[[^\]]*\]')
_OF_PYTHON = (LookupError, ValueError, TypeError, ArithmeticError, EOFError, OSError, RuntimeError, SyntaxError)
_FAULTS = (*_OF_PYTHON, zipfile.BadZipFile, zlib.error)
_DOCTYPE = b"<!DOCTYPE"


@record
class Formula:
    """A cell that holds a formula, with the value stored in it, if any."""

    stored: object


@record
class Row:
    """A row: its number, its values to the last one, and whether it has more past the last column that is read."""

    number: int
    values: list[object]
    beyond: bool


class Workbook:
    """An XLSX file opened for reading.

    Parameters
    ----------
    content
        Bytes of the file.
    shown
        Name in messages.
    largest
        Bytes that its parts may inflate to.

    Raises
    ------
    DataError
        Here and while reading: it is no workbook, damaged, encrypted, packed in an unusual way, or beyond the bounds.
    """

    def __init__(self, content: bytes, shown: str, largest: int = LARGEST) -> None:
        self.shown, self.largest, self.bytes = shown, largest, 0
        with self._refusing():
            self.archive = zipfile.ZipFile(io.BytesIO(content))
            self.parts = [name.lower() for name in self.archive.namelist()]
            self._bound(len(self.parts), MOST_PARTS, "has more than {:,} parts")
            root = self._targets("", "officeDocument")
            self.book = next(iter(root.values()))
            targets = self._targets(self.book, "worksheet")
            found = [(e.get("name", ""), _id(e)) for e in self._elements(self.book, "sheet")]
            self.sheets = {name: targets[key] for name, key in found if key in targets}

    def rows(self, number: int, notes: list[str]) -> Iterator[Row]:
        """Rows of a sheet (1 is the first) that hold anything, in order; what was not read is added to the notes."""
        with self._refusing():
            last, count, told = 0, 0, False
            for element in self._elements(list(self.sheets.values())[number - 1], "row"):
                row = self._row(element, last)
                element.clear()
                if row.number - last > (MOST_BLANK if row.values or row.beyond else MOST_STYLED):
                    notes.append(f"rows after {MOST_BLANK} blank ones were not read, from row {last + MOST_BLANK + 1} on")
                    return
                if not row.values and not row.beyond:
                    continue
                last, count = row.number, count + 1
                self._bound(count, MOST_ROWS, "has more than {:,} rows")
                if row.beyond and not told:
                    told = True
                    notes.append(f"cells past the {MOST_COLUMNS}th column were not read, the first in row {row.number}")
                yield row

    def comments(self, number: int) -> Iterator[tuple[str, str]]:
        """Cell and text of every comment on a sheet (1 is the first)."""
        with self._refusing():
            for part in self._targets(list(self.sheets.values())[number - 1], "comments").values():
                for element in self._elements(part, "comment"):
                    yield element.get("ref", ""), "".join(_text(child) for child in element)

    def merged(self, number: int) -> Iterator[tuple[int, int]]:
        """First and last row of every block of merged cells of a sheet (1 is the first)."""
        with self._refusing():
            for element in self._elements(list(self.sheets.values())[number - 1], "mergeCell"):
                top, _, last = element.get("ref", "").partition(":")
                yield int(top.lstrip(_LETTERS)), int((last or top).lstrip(_LETTERS))

    def _row(self, element: ElementTree.Element, last: int) -> Row:
        values: list[object] = []
        column, beyond = 0, False
        for cell in element:
            place = cell.get("r")
            column = column + 1 if place is None else _COLUMNS[place.rstrip("0123456789")]
            value = self._value(cell) if len(cell) else None
            if value is None or value == "":
                continue
            if column > MOST_COLUMNS:
                beyond = True
                continue
            values += [None] * (column - 1 - len(values))
            values.append(value)
        return Row(int(element.get("r", last + 1)), values, beyond)

    def _value(self, cell: ElementTree.Element) -> object:
        text, formula = None, False
        if len(cell) == 1 and cell[0].tag.endswith("}v"):  # nearly every cell
            text = cell[0].text
            return None if text is None else self._read(text, cell.get("t", "n"), cell.get("s", ""))
        for child in cell:
            name = child.tag.rpartition("}")[2]
            if name == "v":
                text = child.text
            elif name == "f":
                formula = True
            elif name == "is":
                text = _text(child)
        stored = None if text is None else self._read(text, cell.get("t", "n"), cell.get("s", ""))
        return Formula(stored) if formula else stored

    def _read(self, text: str, kind: str, style: str) -> object:
        if kind == "s":
            return self._texts[int(text)]
        if kind == "b":
            return text == "1"
        if kind == "d":
            return datetime.fromisoformat(text)
        if kind != "n":
            return text
        if style in self._dates:
            return self._moment(float(text))
        return int(text) if text.isdigit() else float(text) if "." in text or "e" in text.lower() else int(text)

    def _moment(self, days: float) -> object:
        if 0 <= days < 1:
            return (datetime.min + timedelta(days=days)).time()
        early = days < 60 and not self._from_1904  # the format counts a 29 February 1900
        start = datetime(1904, 1, 1) if self._from_1904 else datetime(1899, 12, 31 if early else 30)
        return start + timedelta(days=days)

    @cached_property
    def _texts(self) -> list[str]:
        found: list[str] = []
        for element in self._elements(self._beside("sharedStrings.xml"), "si"):
            found.append(_text(element))
            element.clear()
            self._bound(len(found), MOST_TEXTS, "holds more than {:,} different texts")
        return found

    @cached_property
    def _dates(self) -> frozenset[str]:
        """Numbers of the cell styles that show dates or times."""
        part = self._beside("styles.xml")
        if part.lower() not in self.parts:
            return frozenset()
        own = {e.get("numFmtId", ""): e.get("formatCode", "") for e in self._elements(part, "numFmt")}
        tables = [list(e) for e in self._elements(part, "cellXfs")]
        formats = [e.get("numFmtId", "0") for e in (tables[0] if tables else [])]
        dates = {key for key, code in own.items() if re.search("[dmhys]", _NO_DATE.sub("", code.partition(";")[0]).lower())}
        dates |= {str(key) for key in DATE_FORMATS} - own.keys()
        return frozenset(str(place) for place, key in enumerate(formats) if key in dates)

    @cached_property
    def _from_1904(self) -> bool:
        return any(e.get("date1904") in ("1", "true") for e in self._elements(self.book, "workbookPr"))

    def _beside(self, name: str) -> str:
        return join(self.book.rpartition("/")[0], name)

    def _targets(self, part: str, kind: str) -> dict[str, str]:
        """Parts that a part points to, of one kind, by their key."""
        folder, _, name = part.rpartition("/")
        beside = join(folder, "_rels", f"{name}.rels")
        related = self._elements(beside, "Relationship") if not part or beside.lower() in self.parts else ()
        return {
            e.get("Id", ""): normpath(join("/" + folder, e.get("Target", ""))).lstrip("/")
            for e in related
            if e.get("Type", "").endswith(f"/{kind}") and e.get("TargetMode") != "External"
        }

    def _elements(self, part: str, name: str) -> Iterator[ElementTree.Element]:
        """Elements of one name of a part, each as soon as it is whole."""
        wanted = _Named(name)
        with self.archive.open(part) as stream:
            for _, element in ElementTree.iterparse(_Counted(stream, self)):
                if wanted[element.tag]:
                    yield element

    def _bound(self, count: int, most: int, said: str) -> None:
        if count > most:
            what = f"{self.shown} {said.format(most)}"
            raise DataError(what, where=self.shown, fix="save the sheet alone, as CSV or in a new workbook")

    def inflated(self, size: int) -> None:
        """Count bytes that a part gave."""
        self.bytes += size
        self._bound(self.bytes, self.largest, "unpacks to more than {:,} bytes")

    @contextmanager
    def _refusing(self) -> Iterator[None]:
        try:
            yield
        except DataError:
            raise
        except _FAULTS:
            what = f"{self.shown} cannot be opened as a workbook: it is damaged, encrypted or packed in an unusual way"
            raise DataError(what, where=self.shown, fix="open and save it again as .xlsx without a password, or as CSV") from None


class _Counted:
    """A part that counts what it inflates to, and refuses one that declares document types."""

    def __init__(self, stream: Any, book: Workbook) -> None:
        self.stream, self.book, self.tail = stream, book, b""

    def read(self, size: int = 1 << 16, /) -> bytes:
        """Next bytes."""
        block: bytes = self.stream.read(size)
        self.book.inflated(len(block))
        if _DOCTYPE in self.tail + block:
            what = f"{self.book.shown} declares document types, which no spreadsheet program does"
            raise DataError(what, where=self.book.shown, fix="open it in a spreadsheet program and save it again")
        self.tail = block[-len(_DOCTYPE) :]
        return block


class _Columns(dict[str, int]):
    """Number of a column by its letters."""

    def __missing__(self, letters: str) -> int:
        number = 0
        for letter in letters:
            number = 26 * number + ord(letter) - 64
        self[letters] = number
        return number


class _Named(dict[str, bool]):
    """Whether a tag is of a name, in whatever namespace."""

    def __init__(self, name: str) -> None:
        super().__init__()
        self.name = name

    def __missing__(self, tag: str) -> bool:
        self[tag] = tag.rpartition("}")[2] == self.name
        return self[tag]


_COLUMNS = _Columns()
_LETTERS = "$ABCDEFGHIJKLMNOPQRSTUVWXYZ"


def _id(element: ElementTree.Element) -> str:
    return next((value for key, value in element.items() if key.endswith("}id")), "")


def _text(element: ElementTree.Element) -> str:
    """Text of a string, plain or in runs, without the reading aids of Asian scripts."""
    found = []
    for child in element:
        name = child.tag.rpartition("}")[2]
        if name == "t":
            found.append(child.text or "")
        elif name == "r":
            found += [part.text or "" for part in child if part.tag.endswith("}t") or part.tag == "t"]
    return "".join(found)
