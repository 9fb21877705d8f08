"""Read TOML documents, remembering on which line each table and key stands.

``tomli`` refuses duplicate keys and gives no line numbers; this module adds the numbers, so that every later
message can name file and line.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from contextlib import suppress
from dataclasses import field
from functools import cached_property
from pathlib import Path
from typing import Any

import tomli

from econmodel.errors import ParameterError
from econmodel.package import params_folder
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.schema import Where
from econmodel.records import record
from econmodel.texts import read_bytes, table_rows

PLAIN_TOML = "mend that line: numbers stand plain (0.88, 2200, 310.5; no %, $ or comma), text in straight quotes"
_TABLE = re.compile(r"^\s*\[{1,2}\s*([^\]]+?)\s*\]{1,2}")
_KEY = re.compile(r"^\s*([A-Za-z0-9_\-]+)\s*=")


@record
class Document:
    """One TOML file: its data, its text and the line of each table and key."""

    path: Path
    data: dict[str, Any]
    text: str
    lines: dict[tuple[str, str], int] = field(default_factory=dict)

    def where(self, table: str, key: str = "") -> Where:
        """Say where a table, or a key in it, was typed."""
        line = self.lines.get((table, key), self.lines.get((table, "")))
        if line is None and table:
            inside = [n for (name, _), n in self.lines.items() if name.startswith(f"{table}.")]
            line = self.lines.get(("", table), min(inside, default=None))
        return Where(self.shown, line, table)

    def tables(self, heading: str) -> dict[str, dict[str, Any]]:
        """Return the tables below a heading, such as every ``[override.NAME]``; none when it is not there.

        Raises
        ------
        ParameterError
            The heading, or something below it, is a plain value.
        """
        below = self.data.get(heading, {})
        plain = [key for key, raw in below.items() if not isinstance(raw, dict)] if isinstance(below, dict) else [""]
        for key in plain:
            what = f"{key or heading!r} is a plain value: must be a table"
            fix = f"write [{heading}.{key or 'NAME'}] on a line of its own, then value = ..."
            raise ParameterError(what, where=str(self.where(heading, key)), fix=fix)
        return dict(below)

    def check_fits(self, parameters: ParameterSet) -> None:
        """Refuse a document that was made for another case; a TOML file fits any."""

    @cached_property
    def shown(self) -> str:
        """Path as messages show it."""
        return display_path(self.path)


def display_path(path: Path) -> str:
    """Shorten a path for messages: below the current folder, or ``params/...`` for the model's own inputs wherever they stand."""
    with suppress(OSError, ValueError):  # a path that no file system takes is shown as it is
        for root, name in ((Path.cwd(), ""), (params_folder(), "params")):
            if path.resolve().is_relative_to(root):
                return str(Path(name) / path.resolve().relative_to(root))
    return str(path)


def line_numbers(text: str) -> dict[tuple[str, str], int]:
    """Map (table, key) to line number; key ``""`` is the table's own header."""
    found: dict[tuple[str, str], int] = {}
    table = ""
    for number, line in enumerate(text.splitlines(), start=1):
        if header := _TABLE.match(line):
            table = header.group(1)
            found.setdefault((table, ""), number)
        elif key := _KEY.match(line):
            found.setdefault((table, key.group(1)), number)
    return found


def read_text(path: Path) -> str:
    """Read a file of inputs as text.

    Raises
    ------
    ParameterError
        The file is missing, or is not UTF-8 text.
    """
    shown = display_path(path)
    try:
        return read_bytes(path, shown).decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError:
        what = f"file {shown!r} cannot be read as UTF-8 text"
        fix = f"save it as plain {Path(shown).suffix[1:].upper() or 'TOML'} text in UTF-8"
        raise ParameterError(what, where=shown, fix=fix) from None


def read_rows(path: Path, needed: Sequence[str], known: Collection[str] = ()) -> list[tuple[int, dict[str, str]]]:
    """Rows of a table in CSV by its headings, each with its line, as :func:`econmodel.texts.table_rows` reads them."""
    shown = display_path(path)
    return table_rows(read_bytes(path, shown), shown, needed, known)


def read_document(path: Path) -> Document:
    """Read a TOML file.

    Raises
    ------
    ParameterError
        The file is missing, is not UTF-8 text, or breaks TOML's rules (a duplicate key is one); names the line.
    """
    text = read_text(path)
    return Document(path, parse_toml(text, display_path(path)), text, line_numbers(text))


def parse_toml(text: str, shown: str) -> dict[str, Any]:
    """Data of a TOML text.

    Raises
    ------
    ParameterError
        It breaks TOML's rules, is nested or numbered beyond all use, or a text of it holds control characters.
    """
    try:
        data = tomli.loads(text)
    except tomli.TOMLDecodeError as error:
        line = re.search(r"line (\d+)", str(error))
        place = f"{shown}, line {line.group(1)}" if line else shown
        duplicate = "twice" in str(error) or "overwrite" in str(error)
        what = f"duplicate key: {error}" if duplicate else f"not valid TOML: {error}"
        raise ParameterError(what, where=place, fix="keep one of the two" if duplicate else PLAIN_TOML) from None
    except (RecursionError, ValueError) as error:
        what = f"not a file of inputs: {str(error).partition(';')[0]}"
        raise ParameterError(what, where=shown, fix="no input is nested so deep, or has so many digits: mend or delete it") from None
    if "\\" in text and _holds_control_characters(data):
        what = "a text holds control characters"
        raise ParameterError(what, where=shown, fix="take out what is escaped with a backslash, as in \\u0000")
    return data


def _holds_control_characters(data: Any) -> bool:
    if isinstance(data, str):
        return any((c < " " and c not in "\t\n\r") or c == "\x7f" for c in data)
    if isinstance(data, dict):
        return any(map(_holds_control_characters, (*data, *data.values())))
    return isinstance(data, list) and any(map(_holds_control_characters, data))
