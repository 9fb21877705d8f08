"""The base case and small changes to it, shared by the tests."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from econmodel.economics.evaluate import Evaluation, evaluate
from econmodel.parameters import ParameterSet, load_case

Vary = Callable[..., ParameterSet]


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
