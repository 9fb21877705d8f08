"""Read a registry from an XLSX workbook: values only, nothing executed, nothing followed.

Macros and links to other workbooks are never opened; that they were there is said. A formula cell gives the value the
spreadsheet stored in it, and is counted.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Callable, Iterator
from datetime import date, datetime
from pathlib import Path
from typing import Any

import pandas as pd

from econmodel.errors import DataError
from econmodel.evidence.registry.table import HEADER_SEARCH, LEAST_KNOWN, RawTable, assemble, no_table, says_invented

LARGEST_UNPACKED = 2_000_000_000
_FORMULA = re.compile(rb"<(?:\w+:)?f[ />]")


def read_workbook(path: Path, content: bytes, known: Callable[[str], bool]) -> RawTable:
    """Read the sheet whose headings are best known.

    Raises
    ------
    DataError
        The file is no workbook, is damaged, unpacks to more than 2 GB, or no sheet is a registry table.
    """
    from openpyxl import load_workbook

    notes = _inspect(content, path.name)
    try:
        book = load_workbook(io.BytesIO(content), read_only=True, data_only=True, keep_links=False)
        heads = {sheet.title: _head(sheet, known) for sheet in book.worksheets}
        score, first, title = max(((s, -n, t) for t, (s, n) in heads.items()), default=(0, 0, ""))
        if score < LEAST_KNOWN:
            raise no_table(path.name)
        above = " ".join(" ".join(row) for row in _texts(book[title], 0, -first)) if first else ""
        rows = _texts(book[title], -first)
        header = next(rows)
        cells = pd.DataFrame(list(rows), dtype=object)
        book.close()
    except (KeyError, ValueError, zipfile.BadZipFile, OSError, SyntaxError) as error:
        if isinstance(error, DataError):
            raise
        what = f"{path.name} cannot be opened as a workbook"
        raise DataError(what, where=path.name, fix="open and save it again as .xlsx, or as CSV") from None
    width = max((i for i, c in enumerate(header, start=1) if c), default=0)
    others = len(heads) - 1
    notes += [f"only sheet {title!r} was read; other sheets: {others}"] if others else []
    cells = cells.reindex(columns=range(max(width, cells.shape[1])))
    return assemble(cells, header[:width], 2 - first, tuple(notes), path.name, invented=says_invented(above))


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


def _head(sheet: Any, known: Callable[[str], bool]) -> tuple[int, int]:
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
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value).strip()
