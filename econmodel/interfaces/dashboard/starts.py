"""Where a case starts: a fictional hospital, or a country's price list without any invented value."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import streamlit as st

from econmodel.package import params_folder
from econmodel.parameters.documents import Document, read_document
from econmodel.parameters.loading import Case, load_base_case
from econmodel.parameters.overrides import apply_override
from econmodel.parameters.rules import check
from econmodel.records import record


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


DEMO, NATIONAL = "Fictional hospital", "My hospital"
UNITED_STATES, UNITED_KINGDOM = "United States", "United Kingdom"
STARTS = {
    "demo": Start(UNITED_STATES, DEMO, "Fernhollow University Hospital (fictional)", "demo", invented=True),
    "demo_uk": Start(UNITED_KINGDOM, DEMO, "Larkmere General Hospital (fictional)", "demo_uk", invented=True),
    "us": Start(UNITED_STATES, NATIONAL, "My hospital, United States prices", "demo", invented=False),
    "uk": Start(UNITED_KINGDOM, NATIONAL, "My hospital, United Kingdom prices", "demo_uk", invented=False),
}
FIRST = "demo"


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
