"""The log of what moved: its newest values are what the model gives."""

from __future__ import annotations

import re
from functools import cache, reduce
from typing import Any

import pytest

from econmodel.package import params_folder
from econmodel.parameters.loading import load_case
from econmodel.reporting.tables.findings import result_document
from econmodel.workflow import evaluate_case

GONE = "gone"
ROW = re.compile(r"^\| (?P<result>[\w.]+) \| (?P<case>\w+) \| (?P<old>\S+) \| (?P<new>\S+) \| (?P<reason>.+) \|$", re.MULTILINE)
LOG = (params_folder() / "CHANGES.md").read_text(encoding="utf-8")
CASES = ("demo", "demo_uk")


def logged(text: str, case: str) -> dict[str, str]:
    """Newest value of each result that is there still; the newest rows stand first."""
    newest = {row["result"]: row["new"] for row in reversed(list(ROW.finditer(text))) if row["case"] == case}
    return {result: value for result, value in newest.items() if value != GONE}


@cache
def results(case: str) -> dict[str, Any]:
    found, findings = evaluate_case(load_case(params_folder() / "hospitals" / f"{case}.toml", sets=["draws=0"]))
    return result_document(found.results, findings)


def shown(figure: float | None, digits: int) -> str:
    return "none" if figure is None else f"{figure:.{digits}f}"


def stale(text: str, case: str) -> list[str]:
    """Results whose newest value in a log is not the model's, to the digits that are printed there."""
    now = {path: reduce(lambda block, key: block[key], path.split("."), results(case)) for path in logged(text, case)}
    wanted = {path: shown(now[path], len(value.partition(".")[2])) for path, value in logged(text, case).items()}
    return [f"{path}: {value} -> {wanted[path]}" for path, value in logged(text, case).items() if value != wanted[path]]


@pytest.mark.parametrize("case", CASES)
def test_no_headline_moves_without_a_row(case: str) -> None:
    """Add a row to params/CHANGES.md when this fails: old value, new value, reason."""
    assert len(logged(LOG, case)) >= 11
    assert stale(LOG, case) == []


def test_a_moved_headline_is_seen() -> None:
    """Negative control: another last digit."""
    path, value = next(iter(logged(LOG, "demo").items()))
    moved = f"{value[:-1]}{(int(value[-1]) + 5) % 10}"
    newer = f"| {path} | demo | {value} | {moved} | planted |\n"
    assert stale(newer + LOG, "demo") == [f"{path}: {moved} -> {value}"]


@pytest.mark.parametrize("case", CASES)
def test_each_old_value_is_the_new_one_before(case: str) -> None:
    """The log is a chain: what a row moves from is what the row before it, of the same result, moved to."""
    rows = [row for row in reversed(list(ROW.finditer(LOG))) if row["case"] == case]
    before: dict[str, str] = {}
    for row in rows:
        assert row["old"] == before.get(row["result"], "-")
        before[row["result"]] = row["new"]
