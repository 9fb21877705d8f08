"""A case: where it starts (a fictional hospital, or a country's price list alone), and its changes as a file or an address."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import streamlit as st

from econmodel.errors import ParameterError
from econmodel.files import toml_value
from econmodel.package import params_folder
from econmodel.parameters.documents import Document, line_numbers, read_document
from econmodel.parameters.loading import Case, load_base_case
from econmodel.parameters.overrides import TABLES, apply_override
from econmodel.parameters.price_list import country_code
from econmodel.parameters.rules import check
from econmodel.records import record

DEMO, NATIONAL = "Fictional hospital", "My hospital"
UNITED_STATES, UNITED_KINGDOM = "United States", "United Kingdom"
FIRST = "demo"
Edits = dict[str, dict[str, Any]]
BASELINES = {"demo": "demo", "demo_uk": "demo_uk", "us": "base_case", "uk": "base_case"}
LARGEST = 5_000_000
NAME = re.compile(r"[A-Za-z0-9_-]+")


@record
class Start:
    """One choice of the first screen.

    ``file`` is a file of ``params/hospitals``; with ``invented`` false its invented values are left out, which leaves
    the choices that come with the country (price list, life table, discount rates).
    """

    country: str
    data: str
    title: str
    file: str
    invented: bool


STARTS = {
    "demo": Start(UNITED_STATES, DEMO, "Fernhollow University Hospital (fictional)", "demo", invented=True),
    "demo_uk": Start(UNITED_KINGDOM, DEMO, "Larkmere General Hospital (fictional)", "demo_uk", invented=True),
    "us": Start(UNITED_STATES, NATIONAL, "My hospital, United States prices", "demo", invented=False),
    "uk": Start(UNITED_KINGDOM, NATIONAL, "My hospital, United Kingdom prices", "demo_uk", invented=False),
}


def find_start(country: str, data: str) -> str:
    """Key of the start with this country and kind of data."""
    return next(key for key, start in STARTS.items() if (start.country, start.data) == (country, data))


def start_document(key: str) -> Document:
    """Override that a start applies to the base case."""
    start = STARTS[key]
    document = read_document(params_folder() / "hospitals" / f"{start.file}.toml")
    return document if start.invented else replace(document, data=_without_invented(document.data, start.title))


def _without_invented(data: dict[str, Any], title: str) -> dict[str, Any]:
    kept = {name: raw for name, raw in data.get("override", {}).items() if raw.get("status") != "demo"}
    return {
        **{k: v for k, v in data.items() if k in ("baseline", "date")},
        "title": title,
        "override": kept,
        "rationale": "The country's price list and conventions, with no value of a site.",
    }


@st.cache_resource(show_spinner=False)
def load_start(key: str) -> Case:
    """Load a start as a case, once for all sessions."""
    document = start_document(key)
    price_list = document.data.get("override", {}).get("price_list", {}).get("value")
    parameters = apply_override(load_base_case(price_list), document)
    check(parameters)
    file = document.shown if STARTS[key].invented else str(Path("params") / "base_case")
    return Case(key, parameters.titles[0], file, parameters)


def national(key: str) -> str:
    """Key of the start of the same country without invented values."""
    return find_start(STARTS[key].country, NATIONAL)


@record
class MemoryFile:
    """An uploaded file: it stands in memory only, and offers what reading needs of a path."""

    name: str
    content: bytes

    def __str__(self) -> str:
        return self.name

    def read_bytes(self) -> bytes:
        """Give the content."""
        return self.content

    def read_text(self, encoding: str = "utf-8") -> str:
        """Give the content as text."""
        return self.content.decode(encoding)

    def stat(self) -> SimpleNamespace:
        """Give the size."""
        return SimpleNamespace(st_size=len(self.content))

    def resolve(self) -> Path:
        """Give the bare name as a path, for messages."""
        return Path(self.name)

    @property
    def as_path(self) -> Path:
        """The file under the type that readers ask for."""
        return cast("Path", self)


def uploaded(name: str, content: bytes, largest: int = LARGEST) -> MemoryFile:
    """Take an upload into memory.

    Raises
    ------
    ParameterError
        It is larger than allowed.
    """
    if len(content) > largest:
        what = f"the file has {len(content):,} bytes: at most {largest:,} are read"
        raise ParameterError(what, where=Path(name).name, fix="send only the sheet or rows that are needed")
    return MemoryFile(Path(name).name, content)


def to_document(text: str, name: str = "this case") -> Document:
    """Read the text of a case file."""
    found = read_document(MemoryFile(name, text.encode()).as_path)
    return Document(Path(name), found.data, text, line_numbers(text))


def case_text(start: str, edits: Mapping[str, Mapping[str, Any]], title: str, *, whole: bool = True) -> str:
    """Text of the case file: header, then one table per change.

    With ``whole``, a start without invented values carries its country's choices, so that the file runs on the base
    case alone.
    """
    carried = start_document(start).data.get("override", {}) if whole and BASELINES[start] == "base_case" else {}
    tables: dict[str, Mapping[str, Any]] = {"override": {**carried, **edits.get("override", {})}}
    tables |= {name: edits[name] for name in ("input", "strategy") if edits.get(name)}
    header = {
        "title": title,
        "rationale": "Made on the dashboard; each change states its reason.",
        "baseline": BASELINES[start],
        "date": date.today(),
    }
    lines = [f"{key} = {toml_value(value)}" for key, value in header.items()]
    for table, entries in tables.items():
        for name, fields in entries.items():
            lines += ["", f"[{table}.{name}]", *(f"{key} = {toml_value(value)}" for key, value in fields.items())]
    return "\n".join(lines) + "\n"


def read_case(file: MemoryFile) -> tuple[str, Edits, str]:
    """Read a saved case.

    Returns
    -------
    start, edits, title

    Raises
    ------
    ParameterError
        It is not a case file.
    """
    document = read_document(file.as_path)
    unknown = [key for key, value in document.data.items() if isinstance(value, dict) and key not in TABLES]
    bodies = [document.data.get(table, {}) for table in TABLES]
    if unknown or not any(bodies) or not all(isinstance(body, dict) for body in bodies):
        what = (
            f"{file.name} is not a case file: it changes no input"
            if not unknown
            else (f"{file.name} is not a case file: it has a table [{unknown[0]}]")
        )
        raise ParameterError(what, where=file.name, fix="load a file saved here or a hospital file")
    edits: Edits = {table: dict(document.data[table]) for table in sorted(TABLES) if document.data.get(table)}
    return _start_of(document.data), edits, str(document.data.get("title", file.name))


def _start_of(data: dict[str, Any]) -> str:
    baseline = str(data.get("baseline", "base_case"))
    if baseline in STARTS and STARTS[baseline].invented:
        return baseline
    listed = data.get("override", {}).get("price_list", {})
    return "uk" if isinstance(listed, dict) and country_code(str(listed.get("value"))) == "GB" else "us"
