"""How well the shipped inputs are vouched for: statuses, what would replace an assumption, citations still to be confirmed."""

from __future__ import annotations

import csv
import tomllib
from collections import Counter

import pytest

from econmodel.package import params_folder
from econmodel.parameters.loading import load_base_case, load_case
from econmodel.reporting.papers.report_sections import confirm_table, unconfirmed_tables

COUNTRIES = ("US", "GB")


@pytest.mark.parametrize("country", COUNTRIES)
def test_sixty_inputs_are_published_or_derived(country: str) -> None:
    """At least 60 inputs rest on a source, and those of the disease itself for the most part."""
    count = Counter(p.status for p in load_base_case(country).parameters.values())
    assert count["published"] + count["derived"] >= 60
    assert count["from memory"] <= 12


@pytest.mark.parametrize("country", COUNTRIES)
def test_every_assumption_says_what_would_replace_it(country: str) -> None:
    """No shipped assumption stands without the evidence that would take its place."""
    base = load_base_case(country).parameters.values()
    assert [p.name for p in base if p.status == "assumption" and not p.replaced_by] == []
    assert sum(p.status == "assumption" for p in base) > 50


def test_what_would_replace_an_assumption_reaches_the_report() -> None:
    """The list of assumptions has a column for it."""
    tables = unconfirmed_tables(load_base_case("US"))
    text = str(tables[-1])
    assert "What would replace it" in text
    assert "NCT04222127" in text


def test_citations_to_confirm_are_listed_once() -> None:
    """Every source with something unseen is on the one page, in its own words, and no other."""
    sources = tomllib.loads((params_folder() / "sources.toml").read_text(encoding="utf-8"))
    unseen = {key for key, source in sources.items() if "confirm" in source}
    rows = confirm_table(load_case().parameters).rows
    assert {str(row[0]) for row in rows} == unseen
    assert len(unseen) > 10
    assert not [key for key, source in sources.items() if "not seen" in source["citation"] or "from memory" in source["citation"]]


def test_evidence_on_the_course_cites_known_sources() -> None:
    """Rows kept for the course of the disease lie in their own range and cite a source, unless assumed or recalled."""
    sources = tomllib.loads((params_folder() / "sources.toml").read_text(encoding="utf-8"))
    path = params_folder() / "tables" / "course_evidence.csv"
    rows = list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))
    assert len(rows) >= 19
    for row in rows:
        assert row["source"] in sources or row["status"] in ("assumption", "from memory"), row["input"]
        assert not row["low"] or float(row["low"]) <= float(row["value"]) <= float(row["high"]), row["input"]
