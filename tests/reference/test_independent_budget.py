"""``econmodel budget --json`` can be recomputed from its ``inputs`` block alone, to 1e-9: rows, years and every option."""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from independent_budget import Inputs, partner, recompute

from econmodel.package import params_folder
from econmodel.parameters import load_case
from econmodel.programme.report import evaluate_programme

TOLERANCE = 1e-9
TAXED = [
    "share_tax=0.2",
    "share_harms_paid=0.3",
    "n_session_slots=12",
    "n_spare_sessions=2",
    "n_spare_surveillance=3",
    "n_radiology_slots=9",
    "n_budget_years=3",
]
RUNS: dict[str, tuple[str, list[str]]] = {
    "demo hospital": ("demo", []),
    "UK hospital": ("demo_uk", []),
    "closes, bought, taxed": ("demo", [*TAXED, "at_end=closure", "capital_basis=purchase"]),
    "real, seven years, bottom-up": ("demo", ["cash_basis=real", "n_budget_years=7", "bleed_costing=bottom_up"]),
    "absent, employed": ("demo_uk", ["n_absence_start_month=13", "n_absence_months=6", "share_physician_employed=1"]),
    "stopped": ("demo", ["n_stop_month=12", "n_budget_years=3"]),
    "contract, closes": ("demo_block", ["at_end=closure", "n_budget_years=3"]),
    "hub and partners": ("demo_hub+partner_terms", [*TAXED, "at_end=closure"]),
}


def document(hospital: str, sets: list[str]) -> dict[str, Any]:
    """Contract of a run, as read back from JSON."""
    name, *more = hospital.split("+")
    files = [Path(__file__).parent / "data" / f"{file}.toml" for file in more]
    case = load_case(params_folder() / "hospitals" / f"{name}.toml", files, sets=sets)
    return json.loads(json.dumps(evaluate_programme(case.parameters, turning=False).contract(), allow_nan=False))


def far(mine: float, theirs: float, size: float) -> bool:
    """Whether two figures differ by more than 1e-9 of the larger, or of the largest of their row."""
    return abs(mine - theirs) > TOLERANCE * max(abs(theirs), size, 1e-6)


def row_differences(found: dict[str, Any], inputs: Inputs) -> Iterator[str]:
    """Every row, by month and by year, that the second reckoning finds otherwise."""
    rows, at_start, _ = recompute(inputs, inputs["proposed_mix"])
    names = [name for name in found["months"][0] if name != "month"]
    assert set(names) <= set(rows)
    for name in names:
        size = max(map(abs, rows[name]))
        for month, mine in zip(found["months"], rows[name], strict=True):
            if far(mine, month[name], size):
                yield f"{name}, month {month['month']}: {mine} against {month[name]}"
        for year in found["years"]:
            span = rows[name][12 * year["year"] - 12 : 12 * year["year"]] if year["year"] else []
            mine = sum(span) + {"R17": at_start, "R18": -at_start, "R19_present_value": -at_start}.get(name, 0.0) * (not year["year"])
            if name == "R19":
                mine = span[-1] if span else -at_start
            if far(mine, year[name], size):
                yield f"{name}, year {year['year']}: {mine} against {year[name]}"


def place_differences(found: dict[str, Any], inputs: Inputs) -> Iterator[str]:
    """Every row of a partner, by year, that the second reckoning finds otherwise."""
    for number, site in enumerate(inputs["sites"]):
        rows, years = partner(inputs, number), found["places"][site["name"]]["years"]
        for name in ("R4", "R4s", "R5", "R6h", "R7", "R8", "R9", "R10", "R11t", "R11", "R15", "R16", "R18", "RC"):
            mine = [sum(rows[name][12 * y : 12 * y + 12]) for y in range(inputs["years"])]
            size = max(map(abs, rows["R7"]))
            if any(far(a, b, size) for a, b in zip(mine, years[name][1:], strict=True)):
                yield f"{site['name']}, {name}: {mine} against {years[name][1:]}"


def test_the_do_minimum_is_usual_care_for_who_can_take_it(demo: dict[str, Any]) -> None:
    """Its shares follow from today's, the share who can take usual care, and which care that is."""
    inputs = demo["inputs"]
    share = max(inputs["current_mix"].get(inputs["usual_care"], 0.0), inputs["share_can_take_usual_care"])
    assert demo["options"]["do_minimum"]["mix"] == {inputs["usual_care"]: share, "watch": 1.0 - share}


def option_differences(key: str, option: dict[str, Any], inputs: Inputs) -> Iterator[str]:
    rows, _, figures = recompute(inputs, option["mix"])
    size = max(sum(map(abs, rows[name])) for name in ("R4", "R5", "R7", "R8", "R13"))
    yield from (f"{key}, {name}: {mine} against {option[name]}" for name, mine in figures.items() if far(mine, option[name], size))
    if any(far(mine, theirs, 1.0) for mine, theirs in zip(rows["R1"], option["starts"], strict=True)):
        yield f"{key}, starts"
    for name, wanted in (("qalys", "lifetime_qalys"), ("full_cost", "lifetime_full_cost")):
        each = sum(
            (option["mix"].get(s, 0.0) - inputs["current_mix"].get(s, 0.0)) * x[wanted] for s, x in inputs["strategies"].items()
        )
        if far(sum(rows["R1"]) * each, option[name], size):
            yield f"{key}, {name}"
    for view, theirs in option["views"].items() if key == "proposal" else ():
        mine = recompute(inputs | {"view": view}, option["mix"])[2]["npv_cash"]
        if far(mine, theirs, size):
            yield f"{key}, {view}: {mine} against {theirs}"


@pytest.mark.parametrize("name", RUNS)
def test_a_budget_is_recomputed_from_its_inputs_alone(name: str) -> None:
    """Rows by month and by year, options with both net present values, views, peak and starts, without the engine."""
    found = document(*RUNS[name])
    assert found["schema"] == 2
    inputs = found["inputs"]
    assert {name: inputs["index"][name][0] for name in inputs["carry"]} == inputs["carry"]
    assert list(row_differences(found, inputs)) == []
    assert list(place_differences(found, inputs)) == []
    if any(site["prices"] for site in inputs["sites"]):  # negative control: at the hub's prices it is another money
        plain = [site | {"payers": [], "prices": []} for site in inputs["sites"]]
        assert len({said.split(",")[0] for said in place_differences(found, inputs | {"sites": plain})}) == len(plain)
    assert [said for key, option in found["options"].items() for said in option_differences(key, option, inputs)] == []


@pytest.mark.parametrize(
    ("path", "rows"),
    [
        (("intake", "eligible_own"), {"R1", "R4"}),
        (("activities", "session_eus", "unit_cost"), {"R5"}),
        (("finance", "settlement_days"), {"R16", "R18"}),
        (("refill", "share"), {"R9"}),
    ],
)
def test_another_input_is_seen(demo: dict[str, Any], path: tuple[str, ...], rows: set[str]) -> None:
    """Negative control: an input changed in the block changes its rows."""
    inputs = copy.deepcopy(demo["inputs"])
    place = inputs
    for name in path[:-1]:
        place = place[name]
    place[path[-1]] *= 1.001
    assert rows <= {said.split(",")[0] for said in row_differences(demo, inputs)}


@pytest.fixture(scope="module")
def demo() -> dict[str, Any]:
    return document("demo", ["n_budget_years=3"])


PLANNED = (
    {"input": "c_coil", "year": 2027, "value": 300.0},
    {"input": "c_coil", "year": 2029, "value": 150.0},
    {"input": "c_bleed_mean_no_rescue", "year": 2028, "value": 9000.0},
    {"input": "payment_surveillance_eus", "year": 2028, "value": 700.0},
    {"input": "payment_professional_session", "year": 2028, "value": 400.0},
    {"input": "c_session_block", "year": 2028, "value": 9000.0},
    {"input": "c_coordinator", "year": 2029, "value": 20_000.0},
    {"input": "c_service_contract", "year": 2028, "value": 4000.0},
    {"input": "c_refill_contribution", "year": 2028, "value": 90.0},
    {"input": "c_displaced_contribution", "year": 2029, "value": 600.0},
    {"input": "c_exit", "year": 2029, "value": 5000.0},
    {"input": "n_session_slots", "year": 2028, "value": 9.0},
    {"input": "n_spare_sessions", "year": 2029, "value": 1.0},
    {"input": "r_escalator_tariff", "year": 2028, "value": 0.05},
    {"input": "r_escalator_pay", "year": 2029, "value": -0.01},
    {"input": "payers", "payer": "Commissioner", "year": 2028, "value": 0.6},
    {"input": "payers", "payer": "Other commissioners, per case", "year": 2028, "value": 0.4},
)


@pytest.fixture(scope="module")
def by_year() -> dict[str, Any]:
    """A contract, closure, taxed, in real terms, with a path of every kind."""
    sets = [*TAXED, "at_end=closure", "cash_basis=real", "share_physician_employed=1", "share_device_tax=0.1"]
    case = load_case(params_folder() / "hospitals" / "demo_block.toml", sets=sets)
    laid = {"paths": replace(case.parameters["paths"], table=PLANNED)}
    parameters = replace(case.parameters, parameters=case.parameters.parameters | laid)
    return json.loads(json.dumps(evaluate_programme(parameters, turning=False).contract(), allow_nan=False))


def test_paths_are_recomputed(by_year: dict[str, Any]) -> None:
    """Prices, payments, fees, fixed cost, slots, escalators and shares of payers by year: rows and options from the block alone."""
    found = by_year
    assert list(row_differences(found, found["inputs"])) == []
    assert [said for key, option in found["options"].items() for said in option_differences(key, option, found["inputs"])] == []


def test_a_path_left_out_is_seen(by_year: dict[str, Any]) -> None:
    """Negative control: without any one of the resolved paths that the proposal lives by, rows differ."""
    own = {f"activities.{place}" for place in ("coil.unit_cost", "bleed_survived.unit_cost", "session_eus.payment")}
    lived = [place for place in by_year["inputs"]["paths"] if not place.startswith("activities") or place in own]
    assert len(lived) == 10
    for place in lived:
        short = {key: values for key, values in by_year["inputs"]["paths"].items() if key != place}
        assert list(row_differences(by_year, by_year["inputs"] | {"paths": short})), place


def test_hire_and_own_fixed_costs_are_recomputed() -> None:
    """A lease taken again, a payment per use, fixed costs of each kind with a contingency, taxed: rows and options."""
    sets = ["share_tax=0.2", "share_device_tax=0.1", "share_contingency=0.05", "n_budget_years=3", "n_stop_month=30"]
    case = load_case(params_folder() / "hospitals" / "demo.toml", sets=sets)
    tables = {
        "capital": (
            {"item": "Processor", "basis": "lease", "monthly": 900.0, "term_months": 18, "month": 4},
            {"item": "Scope", "basis": "per_use", "amount": 60.0, "escalated": True},
        ),
        "loans": ({"name": "Bank", "amount": 20_000.0, "month": 2, "rate": 0.06, "term_months": 24},),
        "fixed_costs": (
            {"name": "Nurse", "amount": 9000.0, "until": 24, "needs": "coil_and_glue", "wte": 0.2, "band": "6"},
            {"name": "Audit", "amount": 700.0, "every": "once", "month": 13, "index": "none", "needs": "always"},
        ),
    }
    laid = {name: replace(case.parameters[name], table=rows) for name, rows in tables.items()}
    parameters = replace(case.parameters, parameters=case.parameters.parameters | laid)
    found = json.loads(json.dumps(evaluate_programme(parameters, turning=False).contract(), allow_nan=False))
    assert list(row_differences(found, found["inputs"])) == []
    assert [said for key, option in found["options"].items() for said in option_differences(key, option, found["inputs"])] == []
    assert all(any(year[row] for year in found["years"]) for row in ("R13c", "R17f"))
