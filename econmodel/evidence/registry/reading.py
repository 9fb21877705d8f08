"""Read a registry file into a table of text cells, whatever spreadsheet or system wrote it.

Gives
-----
A :class:`RawTable`: every cell as stripped text, numbered by the row of the spreadsheet it stood in, so that each
later message can name it. Assumes one heading row, found among the first rows by its known names; rows above it
(a title, a date) are passed over. UTF-8, UTF-16, UTF-32, Windows-1252 and Latin-1 are read; the delimiter is the one
under which most headings are known.
"""

from __future__ import annotations

import codecs
import csv
import io
from collections.abc import Callable, Iterator
from itertools import islice
from pathlib import Path

import numpy as np
import pandas as pd

from econmodel.errors import DataError
from econmodel.evidence.registry.columns import recognise
from econmodel.evidence.registry.table import HEADER_SEARCH, LEAST_KNOWN, RawTable, assemble, no_table, says_invented
from econmodel.evidence.registry.workbook import read_workbook

DELIMITERS = (",", ";", "\t", "|")
_BOMS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)


def read_table(path: Path, known: Callable[[str], bool] = lambda heading: bool(recognise(heading))) -> RawTable:
    """Read a CSV or XLSX file, told apart by content and not by ending.

    Parameters
    ----------
    path
        The file.
    known
        Whether a heading is known; the caller adds the columns it maps.

    Raises
    ------
    DataError
        The file is missing, empty, not text or spreadsheet, not a table, or has no patient rows.
    """
    content = _bytes(path)
    if content.startswith(b"PK\x03\x04"):
        return read_workbook(path, content, known)
    if content.startswith(b"\xd0\xcf\x11\xe0"):
        what = f"{path.name} is an old or password-protected spreadsheet"
        raise DataError(what, where=path.name, fix="save it as .xlsx without a password, or as CSV")
    text, encoding = decode(content, path.name)
    return _read_text(text, encoding, path.name, known)


def _bytes(path: Path) -> bytes:
    try:
        content = path.read_bytes()
    except FileNotFoundError:
        what = f"file {path.name!r} is not there"
        raise DataError(what, where=str(path), fix="check the path") from None
    except OSError as error:
        what = f"file {path.name!r} cannot be read: {error.strerror}"
        raise DataError(what, where=str(path), fix="give a CSV or XLSX file you may read") from None
    if not content.strip():
        what = f"file {path.name!r} is empty"
        raise DataError(what, where=str(path), fix="export the registry again as CSV or XLSX")
    return content


def decode(content: bytes, name: str) -> tuple[str, str]:
    """Decode text by its byte order mark, else as UTF-8, as unmarked UTF-16, or as Windows-1252.

    Returns
    -------
    text, encoding

    Raises
    ------
    DataError
        The bytes hold control characters that no text has.
    """
    encoding = next((e for mark, e in _BOMS if content.startswith(mark)), "")
    candidates = [encoding] if encoding else [*_unmarked_utf16(content), "utf-8", "cp1252", "latin-1"]
    for candidate in candidates:
        try:
            text = content.decode(candidate)
        except UnicodeDecodeError:
            continue
        if not _has_control_characters(text):
            return text, candidate
        break
    what = f"{name} is not text: it holds bytes that no table of text has"
    raise DataError(what, where=name, fix="save the registry as CSV (UTF-8) or .xlsx")


def _unmarked_utf16(content: bytes) -> list[str]:
    head = content[:2000]
    odd, even = head[1::2].count(0), head[0::2].count(0)
    if max(odd, even) > 0.4 * len(head) / 2:
        return ["utf-16-le" if odd > even else "utf-16-be"]
    return []


def _has_control_characters(text: str) -> bool:
    return any(ord(c) < 32 and c not in "\t\r\n\f\v" for c in set(text[:1_000_000]))


def _read_text(text: str, encoding: str, name: str, known: Callable[[str], bool]) -> RawTable:
    try:
        delimiter, skipped, header = _find_header(text, name, known)
        stream = io.StringIO(text, newline="")
        _skip(stream, delimiter, skipped)
        title = text[: stream.tell()]
        _skip(stream, delimiter, 1)
        start = stream.tell()
        widths = np.fromiter((len(r) for r in csv.reader(stream, delimiter=delimiter)), dtype=np.int64)
        stream.seek(start)
        cells = _cells(stream, delimiter, max(len(header), int(widths.max(initial=0))))
    except (csv.Error, pd.errors.ParserError) as error:
        what = f"{name} is not a table: {str(error).splitlines()[0]}"
        fix = "look for a quotation mark that is never closed, and save as CSV again"
        raise DataError(what, where=name, fix=fix) from None
    notes = [f"read as {'tab' if delimiter == chr(9) else repr(delimiter)}-separated text, encoding {encoding}"]
    short = int(((widths < len(header)) & (widths > 1)).sum())
    if short:
        notes.append(f"rows with fewer cells than there are columns, the missing cells taken as blank: {short}")
    return assemble(cells, header, skipped + 2, tuple(notes), name, invented=says_invented(title))


def _find_header(text: str, name: str, known: Callable[[str], bool]) -> tuple[str, int, list[str]]:
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
