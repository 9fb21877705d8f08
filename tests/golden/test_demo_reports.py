"""The committed demo report is what the model gives today: numbers, not bytes."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest

from econmodel.economics.evaluate import evaluate
from econmodel.economics.results import result_document
from econmodel.parameters.loading import demo_file, load_case

REPORTS = Path(__file__).resolve().parents[2] / "reports" / "demo"
REBUILT = ("settings", "inputs", "strategies", "comparisons", "groups", "frontier")


def differences(ours: Any, theirs: Any, path: str = "") -> list[str]:
    """List where two documents differ, numbers by relative 1e-9, or 1e-9 of one unit."""
    if isinstance(ours, dict) and isinstance(theirs, dict):
        missing = [f"{path}.{k}: in one only" for k in ours.keys() ^ theirs.keys()]
        return missing + [d for k in ours.keys() & theirs.keys() for d in differences(ours[k], theirs[k], f"{path}.{k}")]
    if isinstance(ours, list) and isinstance(theirs, list) and len(ours) == len(theirs):
        return [d for i, pair in enumerate(zip(ours, theirs, strict=True)) for d in differences(*pair, f"{path}[{i}]")]
    if isinstance(ours, float | int) and isinstance(theirs, float | int):
        return [] if math.isclose(ours, theirs, rel_tol=1e-9, abs_tol=1e-9) else [f"{path}: {theirs} -> {ours}"]
    return [] if ours == theirs else [f"{path}: {theirs!r} -> {ours!r}"]


@pytest.fixture(scope="module")
def rebuilt() -> dict[str, Any]:
    case = load_case(demo_file())
    return json.loads(json.dumps(result_document(case, evaluate(case.parameters))))


def test_committed_numbers_are_rebuilt(rebuilt: dict[str, Any]) -> None:
    """Run `econmodel case` and commit reports/demo when this fails, saying which number moved and why."""
    committed = json.loads((REPORTS / "results.json").read_text(encoding="utf-8"))
    found = [d for block in REBUILT for d in differences(rebuilt[block], committed[block], block)]
    assert found == []


def test_a_moved_number_is_seen(rebuilt: dict[str, Any]) -> None:
    """Negative control: one part in a million is a difference."""
    moved = json.loads(json.dumps(rebuilt))
    moved["strategies"]["glue"]["qalys"] *= 1 + 1e-6
    assert differences(rebuilt, moved) != []
