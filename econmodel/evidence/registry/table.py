"""The raw table of a registry, whatever spreadsheet or system wrote it: cells as text under headings.

Gives
-----
A :class:`RawTable`: every cell as stripped text, numbered by the row of the spreadsheet it stood in, so that each
later message can name it. Assumes one heading row, found among the first rows by its known names; rows above it
(a title, a date) are passed over. UTF-8, UTF-16, UTF-32, Windows-1252 and Latin-1 are read; the delimiter is the one
under which most headings are known.

Of an XLSX workbook only values are read: nothing is executed, nothing followed. Macros and links to other workbooks
are never opened; that they were there is said. A formula cell gives the value the
spreadsheet stored in it, and is counted.
"""

from __future__ import annotations

import csv
import io
import re
import zipfile
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from datetime import date, datetime
from hashlib import sha256
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from econmodel.errors import DataError
from econmodel.evidence.registry.columns import recognise
from econmodel.numbers import unmistakable
from econmodel.records import record
from econmodel.texts import decode

THE_FILE = "the registry's file"
HEADER_SEARCH = 30  # rows looked through for the headings
LEAST_KNOWN = 2


@record
class RawTable:
    """Cells of a registry as text.

    Parameters
    ----------
    cells
        One column per heading; the index holds row numbers as a spreadsheet shows them (1 is the top row).
    overfull
        Row numbers with more filled cells than there are headings.
    notes
        What should be known about the file: encoding, delimiter, sheets, macros.
    letters
        Letter of each heading's column, as a spreadsheet shows it.
    invented
        Whether a line above the headings says that the data are invented or fictional.
    sheet, sheets, header_row, headings
        Which sheet of how many, which row of it bears the headings, and the headings as typed.
    mark
        First eight digits of the SHA-256 of the file: it stands for the name, which may be a patient's.
    """

    cells: pd.DataFrame
    overfull: tuple[int, ...]
    notes: tuple[str, ...]
    letters: Mapping[str, str]
    invented: bool = False
    sheet: int = 1
    sheets: int = 1
    header_row: int = 1
    headings: tuple[str, ...] = ()
    mark: str = ""


def assemble(
    cells: pd.DataFrame, header: list[str], first_row: int, notes: tuple[str, ...], name: str, *, by_letter: bool, title: str
) -> RawTable:
    """Name the columns (by letter, or by heading), number the rows, strip the cells and drop blank rows.

    Raises
    ------
    DataError
        No row under the headings holds anything.
    """
    cells = cells.fillna("")
    cells.index = pd.RangeIndex(first_row, first_row + len(cells), name="row")
    for column in cells.columns:
        codes, values = pd.factorize(cells[column])
        cells[column] = np.array([str(v).strip() for v in values] or [""], dtype=object)[codes]
    headings = tuple(header)
    header = header + [""] * (cells.shape[1] - len(header)) if by_letter else header
    filled = cells != ""
    overfull = tuple(int(r) for r in cells.index[filled.iloc[:, len(header) :].any(axis=1)])
    blank = ~filled.any(axis=1)
    if blank.all():
        what = f"{name} has headings but no patient rows"
        raise DataError(what, where=name, fix="export the registry with its rows")
    if blank.any():
        notes = (*notes, f"blank rows passed over: {int(blank.sum())}")
    cells = cells.loc[~blank].iloc[:, : len(header)]
    cells.columns = pd.Index([column_letter(n + 1) for n in range(len(header))] if by_letter else unique_headings(header))
    letters = {heading: column_letter(n) for n, heading in enumerate(cells.columns, start=1) if heading}
    found = cells.loc[:, list(letters)]
    return RawTable(found, overfull, notes, letters, says_invented(title), header_row=first_row - 1, headings=headings)


def column_letter(number: int) -> str:
    """Letter of a spreadsheet's column.

    Examples
    --------
    >>> column_letter(1), column_letter(28)
    ('A', 'AB')
    """
    letters = ""
    while number:
        number, digit = divmod(number - 1, 26)
        letters = chr(65 + digit) + letters
    return letters


def unique_headings(header: list[str]) -> list[str]:
    """Make repeated headings different: the second ``bled`` becomes ``bled (2)``; blank ones stay blank."""
    seen: dict[str, int] = {}
    named = []
    for heading in header:
        seen[heading] = seen.get(heading, 0) + 1
        named.append(heading if seen[heading] == 1 or not heading else f"{heading} ({seen[heading]})")
    return named


def says_invented(title: str) -> bool:
    """Whether the words above the headings label the data as invented."""
    return bool(re.search(r"\b(invented|fictional)\b", title, re.IGNORECASE))


def no_table(name: str) -> DataError:
    """Fault of a file in whose first rows no heading row can be found."""
    what = f"{name} is not a registry table: none of its first {HEADER_SEARCH} rows holds two column names known here"
    fix = 'give each column a heading such as "decision date", "bled", "last seen", or use --map COLUMN=NAME'
    return DataError(what, where=name, fix=fix)


DELIMITERS = (",", ";", "\t", "|")
At = tuple[int, int]
"""Number of a sheet, and of its row of headings."""


def read_table(path: Path, known: Callable[[str], bool] = lambda heading: bool(recognise(heading)), at: At | None = None) -> RawTable:
    """Read a CSV or XLSX file, told apart by content and not by ending.

    Parameters
    ----------
    path
        The file.
    known
        Whether a heading is known; the caller adds the columns it maps.
    at
        Where the table is; its columns are then named by their letters, whatever the headings. None: where most is known.

    Raises
    ------
    DataError
        The file is missing, empty, not text or spreadsheet, not a table, or has no patient rows.
    """
    content = _bytes(path)
    mark = sha256(content).hexdigest()[:8]
    if content.startswith(b"PK\x03\x04"):
        return replace(read_workbook(content, known, at), mark=mark)
    if content.startswith(b"\xd0\xcf\x11\xe0"):
        what = f"{THE_FILE} is an old or password-protected spreadsheet"
        raise DataError(what, where=THE_FILE, fix="save it as .xlsx without a password, or as CSV")
    text, encoding = decode(content, THE_FILE)
    return replace(_read_text(text, encoding, THE_FILE, known, at), mark=mark)


def _bytes(path: Path) -> bytes:
    try:
        content = path.read_bytes()
    except FileNotFoundError:
        what = f"{THE_FILE} is not there"
        raise DataError(what, where=str(path), fix="check the path") from None
    except OSError as error:
        what = f"{THE_FILE} cannot be read: {error.strerror}"
        raise DataError(what, where=str(path), fix="give a CSV or XLSX file you may read") from None
    if not content.strip():
        what = f"{THE_FILE} is empty"
        raise DataError(what, where=THE_FILE, fix="export the registry again as CSV or XLSX")
    return content


def _read_text(text: str, encoding: str, name: str, known: Callable[[str], bool], at: At | None) -> RawTable:
    try:
        delimiter, skipped, header = _find_header(text, name, known, at)
        stream = io.StringIO(text, newline="")
        _skip(stream, delimiter, skipped)
        title = text[: stream.tell()]
        _skip(stream, delimiter, 1)
        start = stream.tell()
        widths = np.fromiter((len(r) for r in csv.reader(stream, delimiter=delimiter)), dtype=np.int64)
        stream.seek(start)
        cells = _cells(stream, delimiter, max(len(header), int(widths.max(initial=0))))
    except (csv.Error, pd.errors.ParserError):
        what = f"{name} is not a table of rows and columns"
        fix = "look for a quotation mark that is never closed, and save as CSV again"
        raise DataError(what, where=name, fix=fix) from None
    notes = [f"read as {'tab' if delimiter == chr(9) else repr(delimiter)}-separated text, encoding {encoding}"]
    short = int(((widths < len(header)) & (widths > 1)).sum())
    if short:
        notes.append(f"rows with fewer cells than there are columns, the missing cells taken as blank: {short}")
    return assemble(cells, header, skipped + 2, tuple(notes), name, by_letter=at is not None, title=title)


def _find_header(text: str, name: str, known: Callable[[str], bool], at: At | None) -> tuple[str, int, list[str]]:
    if at is not None:
        heads = {delimiter: list(_head(text, delimiter)) for delimiter in DELIMITERS}
        widest = max(DELIMITERS, key=lambda delimiter: sum(map(len, heads[delimiter])))
        if len(heads[widest]) < at[1]:
            raise no_table(name)
        return widest, at[1] - 1, [c.strip() for c in heads[widest][at[1] - 1]]
    best: tuple[int, int, str, int, list[str]] = (0, 0, "", 0, [])
    for delimiter in DELIMITERS:
        for number, row in enumerate(_head(text, delimiter)):
            score = len({c.strip() for c in row if known(c.strip())})
            if (score, len(row)) > best[:2]:
                best = (score, len(row), delimiter, number, row)
    if best[0] < LEAST_KNOWN:
        raise no_table(name)
    return best[2], best[3], [c.strip() for c in best[4]]


def _head(text: str, delimiter: str) -> Iterator[list[str]]:
    return islice(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter), HEADER_SEARCH)


def _skip(stream: io.StringIO, delimiter: str, records: int) -> None:
    for _ in islice(csv.reader(iter(stream.readline, ""), delimiter=delimiter), records):
        pass


def _cells(stream: io.StringIO, delimiter: str, width: int) -> pd.DataFrame:
    if not stream.read(1):
        return pd.DataFrame(columns=range(width), dtype=object)
    stream.seek(stream.tell() - 1)
    return pd.read_csv(
        stream,
        sep=delimiter,
        header=None,
        names=list(range(width)),
        index_col=False,
        dtype=str,
        keep_default_na=False,
        na_filter=False,
        skip_blank_lines=False,
    )


LARGEST_UNPACKED = 2_000_000_000
_FORMULA = re.compile(rb"<(?:\w+:)?f[ />]")


def read_workbook(content: bytes, known: Callable[[str], bool], at: At | None = None) -> RawTable:
    """Read the sheet asked for, else that whose headings are best known.

    Raises
    ------
    DataError
        The file is no workbook, is damaged, unpacks to more than 2 GB, or no sheet is a registry table.
    """
    from openpyxl import load_workbook

    notes = _inspect(content, THE_FILE)
    try:
        book = load_workbook(io.BytesIO(content), read_only=True, data_only=True, keep_links=False)
        number, first = _find_sheet(book.worksheets, known) if at is None else (at[0], at[1] - 1)
        if not 0 < number <= len(book.worksheets):
            raise no_table(THE_FILE)
        sheet, others = book.worksheets[number - 1], len(book.worksheets) - 1
        sheet.reset_dimensions()
        above = " ".join(" ".join(row) for row in _texts(sheet, 0, first)) if first else ""
        rows = _texts(sheet, first)
        header = next(rows, [])
        cells = pd.DataFrame(list(rows), dtype=object)
        book.close()
    except (KeyError, ValueError, zipfile.BadZipFile, OSError, SyntaxError) as error:
        if isinstance(error, DataError):
            raise
        what = f"{THE_FILE} cannot be opened as a workbook"
        raise DataError(what, where=THE_FILE, fix="open and save it again as .xlsx, or as CSV") from None
    width = max((i for i, c in enumerate(header, start=1) if c), default=0)
    notes += [f"only sheet no. {number} was read; other sheets: {others}"] if others and at is None else []
    cells = cells.reindex(columns=range(max(width, cells.shape[1])))
    found = assemble(cells, header[:width], first + 2, tuple(notes), THE_FILE, by_letter=at is not None, title=above)
    return replace(found, sheet=number, sheets=others + 1)


def _find_sheet(sheets: list[Any], known: Callable[[str], bool]) -> At:
    """Number of the sheet whose headings are best known, and how many rows stand above them; 0 if on none."""
    heads = [_sheet_head(sheet, known) for sheet in sheets]
    score, first, number = max(((s, -n, number) for number, (s, n) in enumerate(heads, start=1)), default=(0, 0, 0))
    return (number if score >= LEAST_KNOWN else 0), -first


def _inspect(content: bytes, name: str) -> list[str]:
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            members = archive.infolist()
            if sum(m.file_size for m in members) > LARGEST_UNPACKED:
                what = f"{name} unpacks to more than {LARGEST_UNPACKED // 10**9} GB"
                raise DataError(what, where=name, fix="save the registry's sheet alone, as CSV")
            names = [m.filename.lower() for m in members]
            formulas = sum(_formulas(archive, m.filename) for m in members if "/worksheets/" in m.filename.lower())
    except zipfile.BadZipFile:
        what = f"{name} is damaged: it begins like a workbook but cannot be unpacked"
        raise DataError(what, where=name, fix="export it again, or save it as CSV") from None
    notes = []
    if any("vbaproject" in n or "/macrosheets/" in n for n in names):
        notes.append("the workbook holds macros: they were ignored and nothing was run")
    if any("/externallinks/" in n for n in names):
        notes.append("the workbook holds links to other files: they were ignored and not followed")
    if formulas:
        notes.append(f"cells with formulas: {formulas}; the values stored in them were read, nothing was computed")
    return notes


def _formulas(archive: zipfile.ZipFile, member: str) -> int:
    with archive.open(member) as stream:
        return sum(len(_FORMULA.findall(block)) for block in iter(lambda: stream.read(1 << 20), b""))


def _sheet_head(sheet: Any, known: Callable[[str], bool]) -> tuple[int, int]:
    sheet.reset_dimensions()
    scored = [(len({c for c in row if c and known(c)}), -number) for number, row in enumerate(_texts(sheet, 0, HEADER_SEARCH))]
    best, number = max(scored, default=(0, 0))
    return best, -number


def _texts(sheet: Any, skip: int, limit: int | None = None) -> Iterator[list[str]]:
    last = None if limit is None else skip + limit
    seen: dict[str, str] = {}
    for row in sheet.iter_rows(min_row=skip + 1, max_row=last, values_only=True):
        texts = [cell_text(value) for value in row]
        yield [seen.setdefault(t, t) for t in texts]


def cell_text(value: object) -> str:
    """Text of a spreadsheet cell; a date cell gives ``YYYY-MM-DD``, so that it cannot be misread.

    Examples
    --------
    >>> cell_text(3.0), cell_text(None), cell_text(True), cell_text(datetime(2021, 3, 5, 10, 30))
    ('3', '', 'yes', '2021-03-05')
    """
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, datetime | date):
        return value.strftime("%Y-%m-%d")
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() else unmistakable(str(value))
    return str(value).strip()
