"""Write files whole or not at all: to a temporary name beside the target, then renamed; and tell whether two are the same."""

from __future__ import annotations

import csv
import errno
import io
import json
import math
import os
import re
import tempfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import Any

from econmodel.errors import AnalysisError
from econmodel.package import UNVERSIONED

NUMBER = re.compile(r"(?<![\w.])([$£€]?[+-]?\d+(?:,\d{3})*(?:\.\d+)?(?:[eE][+-]?\d+)?%?)(?!\w)")
COORDINATE = re.compile(r"(-?\d+(?:\.\d+)?)")
DRAWING = re.compile(r"(<svg\b.*?</svg>)", re.DOTALL)
VERSION = re.compile(r'(?<="version": ")[^"]+|(?<=econmodel )\S+(?= ·)')
RELATIVE, ABSOLUTE, DRAWN = 1e-9, 1e-9, 0.02
FORMULA_STARTS = frozenset("=+-@\t\r")


def check_folder(folder: Path, option: str = "") -> Path:
    """Refuse a folder that cannot be made or written in, before any work is done.

    Parameters
    ----------
    folder
        Need not exist: the nearest folder above it that does must take a file.
    option
        Option of the command line that named it, for the message.

    Raises
    ------
    AnalysisError
        A part of the path is a file, is too long, or may not be written in.
    """
    with _refusing(folder, option):
        nearest = next(above for above in (folder, *folder.absolute().parents) if above.exists())
        if not nearest.is_dir():
            raise NotADirectoryError(errno.ENOTDIR, f"{nearest} is a file, must be a folder")
        with tempfile.TemporaryFile(dir=nearest):
            return folder


def check_file(path: Path, option: str = "") -> Path:
    """Refuse a path that cannot become a file, before any work is done.

    Raises
    ------
    AnalysisError
        It is a folder, or its folder is refused by :func:`check_folder`.
    """
    with _refusing(path, option):
        if path.is_dir():
            raise IsADirectoryError(errno.EISDIR, "is a folder, must be a file")
        if _is_stream(path):
            return path
    check_folder(path.parent, option)
    return path


def write_bytes(path: Path, content: bytes) -> Path:
    """Write a file whole or not at all; missing folders are made.

    A device or a pipe takes the bytes and stays what it is; a link stays, and what it names is replaced.

    Raises
    ------
    AnalysisError
        The path cannot be written.
    """
    with _refusing(path):
        if _is_stream(path):
            with path.open("ab", buffering=0) as stream:
                stream.write(content)
        else:
            _replace(path.resolve(), content)
    return path


def _is_stream(path: Path) -> bool:
    """Whether a path is a device, a pipe or an open descriptor, which must never be renamed over."""
    return (path.exists() and not path.is_file()) or path.absolute().parts[1:2] in (("dev",), ("proc",))


def _replace(path: Path, content: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=".part-")
    temporary = Path(name)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
        temporary.chmod(0o644)
        temporary.replace(path)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise


@contextmanager
def _refusing(path: Path, option: str = "") -> Iterator[None]:
    """Turn a refusal of the operating system into one message for the user."""
    try:
        yield
    except OSError as error:
        what = f"{option} {path}".strip() + f": cannot be written ({error.strerror})"
        fix = "name a place you may write to, and close the file where it is open"
        raise AnalysisError(what, where=option or str(path), fix=fix) from None


def write_text(path: Path, text: str) -> Path:
    """Write a UTF-8 text file whole or not at all."""
    return write_bytes(path, text.encode("utf-8"))


def is_same(old: bytes, new: bytes, suffix: str, *, rounded: bool = False) -> bool:
    """Whether two files say the same: their words equal, their numbers equal to 1e-9.

    Processors differ in the last digits of a sum, so two runs of one case need not give the same bytes.

    Parameters
    ----------
    old, new
        Content of both.
    suffix
        ``.json`` and ``.csv`` hold numbers in full, ``.svg`` and ``.html`` may hold rounded ones; others are the same byte by byte.
    rounded
        Let rounded figures of a page (with a decimal, a comma, a currency or a percent sign) differ by one unit of their last
        digit, and coordinates of a drawing by 0.02. For pages whose results are known to be the same.

    Examples
    --------
    >>> is_same(b'{"a": 0.30000000000000004}', b'{"a": 0.3}', ".json"), is_same(b'{"a": 1}', b'{"b": 1}', ".json")
    (True, False)
    >>> is_same(b"<p>$1,234</p>", b"<p>$1,235</p>", ".html"), is_same(b"$1,234", b"$1,235", ".html", rounded=True)
    (False, True)
    """
    if old == new or suffix not in (".json", ".csv", ".svg", ".html"):
        return old == new
    kept = old.decode("utf-8")
    ours, theirs = DRAWING.split(kept), DRAWING.split(_as_versioned(kept, new.decode("utf-8")))
    if suffix in (".json", ".csv"):
        rounded, ours, theirs = False, ["".join(ours)], ["".join(theirs)]
    return len(ours) == len(theirs) and all(_say_the_same(a, b, rounded) for a, b in zip(ours, theirs, strict=True))


def _as_versioned(old: str, new: str) -> str:
    """Take the old text's version where the new one has none: a copy without tags cannot tell it."""
    found = VERSION.search(old)
    return VERSION.sub(lambda made: found[0] if found and made[0] == UNVERSIONED else made[0], new)


def _say_the_same(ours: str, theirs: str, rounded: bool) -> bool:
    if ours == theirs:
        return True
    drawn = rounded and ours.startswith("<svg")
    mine, other = ((COORDINATE if drawn else NUMBER).split(text) for text in (ours, theirs))
    if len(mine) != len(other) or mine[::2] != other[::2]:
        return False
    pairs = ((a, b) for a, b in zip(mine[1::2], other[1::2], strict=True) if a != b)
    return all(_close(a, b, rounded=rounded, drawn=drawn) for a, b in pairs)


def _close(a: str, b: str, *, rounded: bool, drawn: bool) -> bool:
    x, y = (float(text.strip("$£€%").replace(",", "")) for text in (a, b))
    if drawn:
        return abs(x - y) <= DRAWN + ABSOLUTE
    if rounded and any(mark in a for mark in ".,$£€%"):
        decimals = max(len(text.strip("%").partition(".")[2]) for text in (a, b))
        return abs(x - y) <= 10.0**-decimals * (1 + RELATIVE)
    return math.isclose(x, y, rel_tol=RELATIVE, abs_tol=ABSOLUTE)


def json_text(document: Mapping[str, Any] | Sequence[Any]) -> str:
    """JSON with one line per item, or per entry of a block: quick to write, and a change shows where it is.

    A number that is not finite is refused.
    """
    if not isinstance(document, Mapping):
        return "[\n" + ",\n".join(map(_compact, document)) + "\n]\n"
    return "{\n" + ",\n".join(f"{_compact(key)}: {_block(block)}" for key, block in document.items()) + "\n}\n"


def _block(block: Any) -> str:
    if isinstance(block, Mapping) and block:
        return "{\n" + ",\n".join(f" {_compact(name)}: {_compact(value)}" for name, value in block.items()) + "\n}"
    if isinstance(block, list) and block and isinstance(block[0], Mapping):
        return "[\n" + ",\n".join(f" {_compact(item)}" for item in block) + "\n]"
    return _compact(block)


def _compact(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False)


def write_csv(path: Path, rows: Iterable[Mapping[str, Any]], columns: Sequence[str] | None = None) -> Path:
    """Write rows as CSV; text that a spreadsheet would run as a formula is quoted with an apostrophe, and None is nothing.

    Parameters
    ----------
    rows
        One mapping per line; numbers keep their full precision.
    columns
        Order of the columns; None takes the keys of the first row.
    """
    listed = list(rows)
    names = list(columns or (listed[0] if listed else ()))
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(names)
    writer.writerows(["'" + v if type(v) is str and v[:1] in FORMULA_STARTS else v for v in map(row.get, names)] for row in listed)
    return write_text(path, stream.getvalue())


def toml_value(value: Any) -> str:
    """Write a value as TOML.

    Examples
    --------
    >>> toml_value({"a": [1, "b"]}), toml_value(True)
    ('{ a = [1, "b"] }', 'true')
    """
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key} = {toml_value(item)}" for key, item in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(toml_value(item) for item in value) + "]"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, date):
        return value.isoformat()
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f") if isinstance(value, str) else repr(value)
