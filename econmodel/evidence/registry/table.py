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
import gc
import io
import re
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from datetime import date, datetime
from hashlib import sha256
from itertools import islice
from pathlib import Path

import numpy as np
import pandas as pd

from econmodel.errors import DataError
from econmodel.evidence.registry.columns import recognise
from econmodel.numbers import unmistakable
from econmodel.records import record
from econmodel.texts import decode
from econmodel.workbooks import LARGEST, MOST_BLANK, MOST_COLUMNS, MOST_ROWS, Formula, Workbook

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
    rows = np.flatnonzero(~blank)
    if (jumps := np.flatnonzero(np.diff(rows) > MOST_BLANK)).size:
        last = int(rows[jumps[0]])
        notes = (*notes, f"rows after {MOST_BLANK} blank ones were not read, from row {first_row + last + MOST_BLANK + 1} on")
        cells, blank = cells.iloc[: last + 1], blank.iloc[: last + 1]
        overfull = tuple(row for row in overfull if row <= first_row + last)
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


def read_table(
    path: Path, known: Callable[[str], bool] = lambda heading: bool(recognise(heading)), at: At | None = None, largest: int = LARGEST
) -> RawTable:
    """Read a CSV or XLSX file, told apart by content and not by ending.

    Parameters
    ----------
    path
        The file.
    known
        Whether a heading is known; the caller adds the columns it maps.
    at
        Where the table is; its columns are then named by their letters, whatever the headings. None: where most is known.
    largest
        Bytes of the file, and that a workbook may unpack to.

    Raises
    ------
    DataError
        The file is missing, empty, not text or spreadsheet, not a table, or has no patient rows.
    """
    content = _bytes(path, largest)
    mark = sha256(content).hexdigest()[:8]
    if content.startswith(b"PK\x03\x04"):
        return replace(read_workbook(content, known, at, largest), mark=mark)
    if content.startswith(b"\xd0\xcf\x11\xe0"):
        what = f"{THE_FILE} is an old or password-protected spreadsheet"
        raise DataError(what, where=THE_FILE, fix="save it as .xlsx without a password, or as CSV")
    text, encoding = decode(content, THE_FILE)
    return replace(_read_text(text, encoding, THE_FILE, known, at), mark=mark)


def _bytes(path: Path, largest: int) -> bytes:
    try:
        if (size := path.stat().st_size) > largest:
            what = f"{THE_FILE} has {size / 1e6:,.0f} MB: must have at most {largest / 1e6:,.0f} MB"
            raise DataError(what, where=THE_FILE, fix="export only the columns that are needed")
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
        _check_size(len(widths), max(len(header), int(widths.max(initial=0))))
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


def _check_size(rows: int, columns: int) -> None:
    if rows > MOST_ROWS or columns > MOST_COLUMNS:
        what = f"{THE_FILE} has {rows:,} rows and {columns:,} columns: at most {MOST_ROWS:,} and {MOST_COLUMNS} are read"
        raise DataError(what, where=THE_FILE, fix="export only the rows and columns that are needed")


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


def read_workbook(content: bytes, known: Callable[[str], bool], at: At | None, largest: int) -> RawTable:
    """Read the sheet asked for, else that whose headings are best known.

    Raises
    ------
    DataError
        The file is no workbook, is damaged or beyond the bounds, or no sheet is a registry table.
    """
    book = Workbook(content, THE_FILE, largest)
    counts: Counter[str] = Counter()
    heads = [_head_rows(book, number, at[1] if at else HEADER_SEARCH) for number in range(1, len(book.sheets) + 1)]
    number, first = (at[0], at[1] - 1) if at else _find_sheet(heads, known)
    if not 0 < number <= len(heads):
        raise no_table(THE_FILE)
    head, beyond = heads[number - 1]
    header = head[first] if first < len(head) else []
    if first + 1 in beyond:
        what = f"the headings reach past the {MOST_COLUMNS}th column"
        raise DataError(what, where=f"{THE_FILE}, row {first + 1}", fix="delete the columns that are not needed")
    top = _head_rows(book, number, first + HEADER_SEARCH)[0] if at else [header]
    width = max((i for row in top for i, c in enumerate(row, start=1) if c), default=0)
    notes: list[str] = _notes(book)
    collects = gc.isenabled()
    gc.disable()  # cells hold no circles, and looking for some takes a fifth of the reading
    try:
        lines = _lines(book, number, first + 1, width, notes, counts)
    finally:
        (gc.enable if collects else gc.disable)()
    if counts["strays"]:
        notes.append(f"cells past the last heading were not read: {counts['strays']}, the first in row {counts['first']}")
    if counts["formulas"]:
        notes.append(f"cells with formulas: {counts['formulas']}; the values stored in them were read, nothing was computed")
    others = len(heads) - 1
    notes += [f"only sheet no. {number} was read; other sheets: {others}"] if others and at is None else []
    cells = pd.DataFrame(lines, dtype=object).reindex(columns=range(width))
    above = " ".join(" ".join(row) for row in head[:first])
    found = assemble(cells, header[:width], first + 2, tuple(notes), THE_FILE, by_letter=at is not None, title=above)
    return replace(found, sheet=number, sheets=others + 1)


def _head_rows(book: Workbook, number: int, most: int) -> tuple[list[list[str]], set[int]]:
    """First rows of a sheet as text, and the numbers of those that reach past the last column read."""
    rows: list[list[str]] = []
    beyond = set()
    for row in book.rows(number, []):
        if row.number > most:
            break
        rows += [[] for _ in range(row.number - 1 - len(rows))]
        rows.append([cell_text(value) for value in row.values])
        beyond |= {row.number} if row.beyond else set()
    return rows, beyond


def _lines(book: Workbook, number: int, skip: int, width: int, notes: list[str], counts: Counter[str]) -> list[list[str]]:
    """Rows of a sheet below those skipped, as text, cut at a width; equal texts are one object."""
    lines: list[list[str]] = []
    seen: dict[str, str] = {}
    for row in book.rows(number, notes):
        if row.number <= skip:
            continue
        lines += [[] for _ in range(row.number - skip - 1 - len(lines))]
        counts["formulas"] += sum(type(value) is Formula for value in row.values)
        if len(row.values) > width:
            counts["first"] = counts["first"] or row.number
            counts["strays"] += sum(value is not None for value in row.values[width:])
        texts = map(cell_text, row.values[:width])
        lines.append([seen.setdefault(t, t) for t in texts])
    return lines


def _find_sheet(heads: list[tuple[list[list[str]], set[int]]], known: Callable[[str], bool]) -> At:
    """Number of the sheet whose headings are best known, and how many rows stand above them; 0 if on none."""
    scored = (
        (len({c for c in row if c and known(c)}), -above, number)
        for number, (rows, _) in enumerate(heads, start=1)
        for above, row in enumerate(rows)
    )
    score, first, number = max(scored, default=(0, 0, 0))
    return (number if score >= LEAST_KNOWN else 0), -first


def _notes(book: Workbook) -> list[str]:
    notes = []
    if any("vbaproject" in n or "/macrosheets/" in n for n in book.parts):
        notes.append("the workbook holds macros: they were ignored and nothing was run")
    if any("/externallinks/" in n for n in book.parts):
        notes.append("the workbook holds links to other files: they were ignored and not followed")
    return notes


def cell_text(value: object) -> str:
    """Text of a spreadsheet cell; a date cell gives ``YYYY-MM-DD``, so that it cannot be misread.

    Examples
    --------
    >>> cell_text(3.0), cell_text(None), cell_text(True), cell_text(datetime(2021, 3, 5, 10, 30))
    ('3', '', 'yes', '2021-03-05')
    """
    if type(value) is str:
        return value.strip()
    if isinstance(value, Formula):
        return cell_text(value.stored)
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, datetime | date):
        return value.strftime("%Y-%m-%d")
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() else unmistakable(str(value))
    return str(value).strip()
