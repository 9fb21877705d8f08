"""Text files as they come: any usual encoding, and small tables under headings whatever parts their columns.

UTF-8, UTF-16, UTF-32, Windows-1252 and Latin-1 are read; columns are parted by comma, semicolon or tab.
"""

from __future__ import annotations

import codecs
import csv
from collections.abc import Collection, Sequence
from pathlib import Path

from econmodel.errors import DataError, ParameterError
from econmodel.wording import nearest

PARTING = (",", ";", "\t")
_BOMS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)


def read_bytes(path: Path, shown: str, fix: str = "check the path; hospital files stand in params/hospitals/") -> bytes:
    """Content of a file.

    Raises
    ------
    ParameterError
        It is not there, is a folder, or cannot be read.
    """
    try:
        return path.read_bytes()
    except (FileNotFoundError, IsADirectoryError) as error:
        what = f"file {shown!r} is not there" if isinstance(error, FileNotFoundError) else f"{shown!r} is a folder"
        raise ParameterError(what, where=shown, fix=fix) from None
    except (OSError, ValueError) as error:
        what = f"file {shown!r} cannot be read: {getattr(error, 'strerror', None) or error}"
        raise ParameterError(what, where=shown, fix="give a file you may read, under a plain name") from None


def decode(content: bytes, shown: str) -> tuple[str, str]:
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
    what = f"{shown} is not text: it holds bytes that no table of text has"
    raise DataError(what, where=shown, fix="save it as CSV (UTF-8) or .xlsx")


def _unmarked_utf16(content: bytes) -> list[str]:
    head = content[:2000]
    odd, even = head[1::2].count(0), head[0::2].count(0)
    if max(odd, even) > 0.4 * len(head) / 2:
        return ["utf-16-le" if odd > even else "utf-16-be"]
    return []


def _has_control_characters(text: str) -> bool:
    return any(ord(c) < 32 and c not in "\t\r\n\f\v" for c in set(text[:1_000_000]))


def table_rows(content: bytes, shown: str, needed: Sequence[str], known: Collection[str] = ()) -> list[tuple[int, dict[str, str]]]:
    r"""Rows of a table under the headings of its first line, each with its line; cells stripped, blank rows passed over.

    Raises
    ------
    ParameterError
        A heading is missing, doubled or, where those known are given, unknown; a row has more or fewer cells than headings; or
        there is no row. Names the line.
    DataError
        It is no text.

    Examples
    --------
    >>> table_rows(b"age;male\n0;0,5\n", "life.csv", ["age"])
    [(2, {'age': '0', 'male': '0,5'})]
    """
    text = decode(content, shown)[0]
    first = text.partition("\n")[0]
    lines = csv.reader(text.splitlines(keepends=True), delimiter=max(PARTING, key=first.count))
    found, line = [], 1
    try:
        headings = [heading.strip() for heading in next(lines, [])]
        _check_headings(headings, needed, known, shown)
        line = lines.line_num + 1
        for cells in lines:
            where, line = f"{shown}, line {line}", lines.line_num + 1
            if not any(map(str.strip, cells)):
                continue
            if len(cells) != len(headings):
                what = f"{len(cells)} cells: must be {len(headings)}, one for each column"
                raise ParameterError(what, where=where, fix='put text that holds a comma in double quotes, "a, b"')
            found.append((int(where.rpartition(" ")[2]), dict(zip(headings, map(str.strip, cells), strict=True))))
    except csv.Error as error:
        what = f"{shown} is no table of rows and columns: {error}"
        raise ParameterError(what, where=f"{shown}, line {line}", fix="save it as CSV again") from None
    if not found:
        what = f"{shown} has headings but no rows"
        raise ParameterError(what, where=shown, fix="save the table again with its rows")
    return found


def _check_headings(headings: list[str], needed: Sequence[str], known: Collection[str], shown: str) -> None:
    for heading in headings:
        if (known and heading not in known) or headings.count(heading) > 1:
            unknown = known and heading not in known
            what = f"{'unknown' if unknown else 'doubled'} column {heading!r}"
            raise ParameterError(what, where=f"{shown}, line 1", fix=nearest(heading, known) if unknown else "keep one of the two")
    if missing := [heading for heading in needed if heading not in headings]:
        what = f"column {missing[0]!r} is missing"
        raise ParameterError(what, where=f"{shown}, line 1", fix=f"the first line must have {', '.join(needed)}")
