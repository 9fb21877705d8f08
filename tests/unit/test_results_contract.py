"""The JSON of a case keeps its keys: `keys stable; more may be added`.

A key may leave with a new schema alone: the contract then holds its line as `- key schema N: why`.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from econmodel.economics.evaluate import evaluate
from econmodel.economics.results import SCHEMA, Results, case_results
from econmodel.parameters.loading import load_case
from econmodel.uncertainty.probabilistic import run_psa
from econmodel.uncertainty.risk import Risk, risk_of

CONTRACT = Path(__file__).parents[1] / "golden" / "result_keys.txt"


def key_paths(value: object, names: set[str], path: str = "") -> Iterator[str]:
    """Paths of all keys, with the names that a case chooses (strategies, groups) as stars."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from key_paths(inner, names, f"{path}/{'*' if key in names else key}")
    elif isinstance(value, list) and value and isinstance(value[0], dict):
        yield from key_paths(value[0], names, path + "[]")
    else:
        yield path


@pytest.fixture(scope="module")
def found() -> tuple[Results, Risk]:
    case = load_case(sets=["horizon_years=7"])
    return case_results(case, evaluate(case.parameters)), risk_of(run_psa(case.parameters, 20, seed=1))


def test_no_key_of_the_contract_is_lost(found: tuple[Results, Risk]) -> None:
    """Every key that results.json ever had is there; JSON alone, with no value that JSON lacks."""
    results, risk = found
    document = json.loads(json.dumps(results.to_json() | {"uncertainty": risk.to_json()}, allow_nan=False))
    paths = set(key_paths(document, {*results.strategies, *results.groups}))
    lines = CONTRACT.read_text(encoding="utf-8").splitlines()
    stated = load_case(sets=["horizon_years=7", "effect_basis=intention_to_treat"])  # its strategies rest on other inputs
    other = set(key_paths(case_results(stated, evaluate(stated.parameters)).to_json(), {*results.strategies, *results.groups}))
    paths |= {path for path in other if path.startswith("/inputs/strategies/")}
    wanted = {line for line in lines if line.startswith("/")}
    assert wanted - paths == set()
    assert len(wanted) > 400
    left = [re.fullmatch(r"- (/\S+) schema (\d+): .+", line) for line in lines if not line.startswith("/")]
    assert left
    for told in left:
        assert told
        assert told[1] not in paths
        assert 1 < int(told[2]) <= SCHEMA


def test_a_lost_key_is_seen(found: tuple[Results, Risk]) -> None:
    """Negative control: without one nested key the contract is broken."""
    results, _ = found
    document = results.to_json()
    del document["comparisons"]["watch"]["glue"]["at_five_years"]["nnt"]
    glue = set(key_paths(document["comparisons"]["watch"]["glue"], set()))
    assert "/at_five_years/nnt/5/kind" not in glue
    assert "/at_five_years/nnt/5/kind" in set(key_paths(results.to_json()["comparisons"]["watch"]["glue"], set()))


def test_json_holds_the_typed_figures(found: tuple[Results, Risk]) -> None:
    """A number in the file is the attribute that reports read."""
    results, risk = found
    document, glue = results.to_json(), results.strategy("glue")
    assert document["strategies"]["glue"]["cost_five_years"]["total"] == glue.cost_at(5) == glue.headline_cost
    now = document["comparisons"]["watch"]["glue"]["at_five_years"]
    typed = results.against("watch", "glue").headline
    assert (now["nnt"]["5"]["value"], now["break_even_nnt"]) == (typed.nnt[5].value, typed.break_even_nnt)
    spread = risk.to_json()["comparisons"]["watch"]["glue"]["incremental_cost_five_years"]
    assert spread == vars(risk.against("watch", "glue").headline_cost)
