"""A case: where it starts (a fictional hospital, or a country's prices alone), and its changes as a file or an address."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from functools import cache
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import streamlit as st

from econmodel.errors import ParameterError
from econmodel.files import toml_value
from econmodel.package import params_folder
from econmodel.parameters.countries import COUNTRIES, Country, read_country, table_rows
from econmodel.parameters.documents import Document, line_numbers, read_document
from econmodel.parameters.loading import Case, load_base_case, load_case
from econmodel.parameters.overrides import TABLES
from econmodel.parameters.price_list import country_code
from econmodel.parameters.rules import check
from econmodel.records import record
from econmodel.wording import nearest

FICTIONAL = {"demo": "US", "demo_uk": "GB", "demo_block": "GB", "demo_hub": "US"}
FIRST = "demo"
REASON = "Set on the dashboard."
Edits = dict[str, dict[str, Any]]
LARGEST = 5_000_000


@record
class Start:
    """Where a case starts, by its key: a fictional hospital, or a country, ``IN`` or ``IN;currency=INR`` with what was said of it.

    ``code`` is the country's; ``said`` is the table ``[country]`` of a case file, empty for a fictional hospital.
    """

    key: str
    code: str
    said: Mapping[str, Any]

    @property
    def invented(self) -> bool:
        """Whether it is a fictional hospital."""
        return self.key in FICTIONAL

    @property
    def country(self) -> str:
        """The country's name."""
        return country_name(self.code)

    @property
    def baseline(self) -> str:
        """What a case file that starts here names as its baseline."""
        return self.key if self.invented else "base_case"


def country_name(code: str) -> str:
    """Name of a country that the tables know, else its code."""
    return table_rows("ppp.csv").get(code, {}).get("country", code)


def fictional_in(code: str) -> list[str]:
    """Keys of the fictional hospitals of a country."""
    return [key for key, of in FICTIONAL.items() if of == code]


@cache
def fictional_name(key: str) -> str:
    """Name of a fictional hospital, as its file says."""
    return str(read_document(_file_of(key)).data["title"])


def _file_of(key: str) -> Path:
    return params_folder() / "hospitals" / f"{key}.toml"


def read_start(key: str) -> Start:
    """Read where a case starts.

    Raises
    ------
    ParameterError
        It is no fictional hospital and no country.

    Examples
    --------
    >>> read_start("demo_uk").code, read_start("in;payment_basis=block").said
    ('GB', {'code': 'IN', 'payment_basis': 'block'})
    """
    if key in FICTIONAL:
        return Start(key, FICTIONAL[key], {})
    typed, *more = key.split(";")
    code = country_code(typed)
    if code not in COUNTRIES:
        what = f"case = {key!r}: neither a fictional hospital nor a country"
        raise ParameterError(what, fix=nearest(key, FICTIONAL, f"choose {' or '.join(FICTIONAL)}, or the two letters of a country"))
    said = {name: number_if_one(text) for name, _, text in (part.partition("=") for part in more)}
    return Start(key, code, {"code": code, **said})


def number_if_one(text: str) -> float | str:
    """Number that a text of the address is, else the text."""
    try:
        return float(text)
    except ValueError:
        return text


def start_key(said: Any) -> str:
    """Key of the start that a ``[country]`` describes.

    Raises
    ------
    ParameterError
        It breaks a rule, or names files, which are not sent along.
    """
    country = read_country(Document(Path("the case file"), {"country": said}, ""))
    if country and (country.prices or country.life_table):
        what = "[country] names a file of prices or a life table, which is not sent along"
        raise ParameterError(what, fix="take that line out, and put the values in as inputs of the case")
    return ";".join((country_code(said["code"]), *(f"{name}={value}" for name, value in said.items() if name != "code")))


@st.cache_resource(show_spinner=False, max_entries=64)
def load_start(key: str) -> Case:
    """Load a start as a case, once for all sessions.

    Raises
    ------
    EconModelError
        There is no such start, or its country cannot be read.
    """
    start = read_start(key)
    if start.invented:
        return load_case(_file_of(key))
    country = read_country(Document(Path("the country"), {"country": dict(start.said)}, "")) or Country(start.code)
    parameters = load_base_case(country)
    check(parameters)
    return Case(key, f"My hospital, {start.country} prices", str(Path("params") / "base_case"), parameters)


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


def change(value: Any, reason: str = REASON) -> dict[str, Any]:
    """Fields of a change to one input: a site's own value."""
    return {"value": value, "status": "local", "reason": reason}


def follow(visit: str, interval: Any, until_year: Any, *months: Any) -> dict[str, Any]:
    """Fields of a change to the follow-up of one strategy."""
    plan = {"months": list(months), "interval": interval, "visit": visit, "until_year": until_year}
    return {"surveillance": plan, "reason": REASON}


def case_text(key: str, edits: Mapping[str, Mapping[str, Any]], title: str) -> str:
    """Text of the case file: header, the country where it starts from one, then one table per change."""
    start = read_start(key)
    header = {
        "title": title,
        "rationale": "Made on the dashboard; each change states its reason.",
        "baseline": start.baseline,
        "date": date.today(),
    }
    tables = {"country": start.said} if start.said else {}
    tables |= {f"{table}.{name}": fields for table in sorted(TABLES) for name, fields in edits.get(table, {}).items()}
    lines = _lines(header)
    for name, fields in tables.items():
        lines += ["", f"[{name}]", *_lines(fields)]
    return "\n".join(lines) + "\n"


def _lines(fields: Mapping[str, Any]) -> list[str]:
    return [f"{key} = {toml_value(value)}" for key, value in fields.items()]


def read_case(file: MemoryFile) -> tuple[str, Edits, str]:
    """Read a case file: one saved here, unchanged or not, a hospital's file, or an override.

    Returns
    -------
    start, edits, title

    Raises
    ------
    ParameterError
        It is not a case file.
    """
    data = read_document(file.as_path).data
    unknown = [key for key, value in data.items() if isinstance(value, dict) and key not in {*TABLES, "country"}]
    if unknown or not data.keys() & {*TABLES, "country", "baseline"} or not all(isinstance(data.get(t, {}), dict) for t in TABLES):
        told = f"it has a table [{unknown[0]}]" if unknown else "it changes no input"
        what = f"{file.name} is not a case file: {told}"
        raise ParameterError(what, where=file.name, fix="load a file saved here or a hospital file")
    edits: Edits = {table: dict(data[table]) for table in sorted(TABLES) if data.get(table)}
    return _start_of(data), edits, str(data.get("title", file.name))


def _start_of(data: dict[str, Any]) -> str:
    country, listed = data.get("country"), data.get("override", {}).get("price_list", {})
    if data.get("baseline") in FICTIONAL:
        if country is not None:
            what = f"baseline = {data['baseline']!r} and [country]: a fictional hospital has its country"
            raise ParameterError(what, fix="take one of the two out")
        return str(data["baseline"])
    if country is not None:
        return start_key(country)
    return country_code(str(listed.get("value", "US"))) if isinstance(listed, dict) else "US"
