"""The base case and small changes to it, shared by the tests."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from econmodel.economics.evaluate import Evaluation, evaluate
from econmodel.parameters import ParameterSet, load_case

Vary = Callable[..., ParameterSet]
PACKAGE = Path(__file__).parents[1] / "econmodel"
UNCOUNTED = (
    "tests/interfaces/test_case_command",
    "tests/interfaces/test_dashboard",
    "tests/interfaces/test_budget_workbook",
    "tests/interfaces/test_workbook",
    "tests/reference/test_independent",
)


class Examples:
    """Imports a module of the package for its examples only where it has some; a hook of this file would not see the package."""

    def pytest_ignore_collect(self, collection_path: Path) -> bool | None:
        """Pass over a module without an example."""
        if PACKAGE in collection_path.parents and collection_path.suffix == ".py":
            return ">>>" not in collection_path.read_text(encoding="utf-8") or None
        return None


def pytest_configure(config: pytest.Config) -> None:
    """Let the package be looked through as well."""
    config.pluginmanager.register(Examples())


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Leave the longest tests out of the count of lines reached: it slows them by a half, and what they reach has tests of its own."""
    for item in items:
        if item.nodeid.startswith(UNCOUNTED):
            item.add_marker("no_cover")


@pytest.fixture(scope="session")
def base() -> ParameterSet:
    """Give the base case."""
    return load_case().parameters


@pytest.fixture(scope="session")
def vary(base: ParameterSet) -> Vary:
    """Give the base case with some values changed: numbers, texts, or tables as lists of rows."""

    def change(**values: Any) -> ParameterSet:
        inputs = dict(base.parameters)
        for name, value in values.items():
            if isinstance(value, list):
                inputs[name] = replace(inputs[name], table=tuple(value))
            else:
                inputs[name] = replace(inputs[name], value=value if isinstance(value, str) else float(value))
        return replace(base, parameters=inputs)

    return change


@pytest.fixture(scope="session")
def five_years(vary: Vary) -> Evaluation:
    """Evaluate the base case over five years, once."""
    return evaluate(vary(horizon_years=5))


@pytest.fixture(scope="session")
def one_group() -> list[dict[str, Any]]:
    """Give a case mix of a single group: Child A, large varix, no red spot."""
    return [{"name": "Child A", "share": 1.0, "child": "A", "size_step": 2, "red_spot": 0}]
