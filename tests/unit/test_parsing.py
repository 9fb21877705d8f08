"""Parsing: from the tables of a document to inputs, rows, groups and sources."""

import copy
from pathlib import Path

import pytest

from econmodel.errors import EconModelError, ParameterError, SourceError
from econmodel.parameters.board import read_board, read_own_option
from econmodel.parameters.countries import read_country
from econmodel.parameters.documents import Document
from econmodel.parameters.parsing import (
    collect,
    parse_distribution,
    parse_joint,
    parse_parameter,
    parse_row,
    parse_sources,
    parse_table,
    parse_value,
)
from econmodel.parameters.schema import SecondaryRow, StrategyRow, Where
from econmodel.wording import nearest

WHERE = Where("params/base_case/x.toml", 3, "c_new")
RAW = {
    "label": "Cost of a new device",
    "value": 120,
    "unit": "USD/session",
    "price_year": 2024,
    "status": "assumption",
    "rationale": "Invented.",
    "distribution": {"family": "gamma", "se": 12.0},
    "range": {"low": 90, "high": 150.0, "basis": "judgement"},
}


def test_a_complete_input():
    """A complete table becomes an input; whole numbers become floats."""
    found = parse_parameter("c_new", RAW, WHERE)
    assert (found.value, found.unit, found.price_year, found.status) == (120.0, "USD/session", "2024", "assumption")
    assert isinstance(found.value, float)
    assert (found.range.low, found.range.high, found.range.basis) == (90.0, 150.0, "judgement")
    assert found.is_numeric
    assert found.is_uncertain


@pytest.mark.parametrize("field", ["label", "unit", "status", "distribution", "range", "price_year", "rationale", "value"])
def test_every_field_is_needed(field):
    """An input without one of its fields is refused, and the message names the input."""
    raw = copy.deepcopy(RAW)
    del raw[field]
    with pytest.raises(ParameterError, match="c_new"):
        parse_parameter("c_new", raw, WHERE)


def test_a_plain_value_is_refused():
    """An input that is not a table is one fault, not a traceback."""
    with pytest.raises(ParameterError, match="must be a table"):
        parse_parameter("c_new", 120, WHERE)


@pytest.mark.parametrize(
    ("unit", "value"),
    [
        ("probability", 0.0),
        ("probability", 1.0),
        ("share", 0.5),
        ("utility", -0.5),
        ("USD/coil", 0.0),
        ("per year", 3.0),
        ("hazard ratio", 1e-6),
        ("log hazard", -2.0),
        ("QALY", 0.1),
    ],
)
def test_values_inside_their_bounds(unit, value):
    """Values at and inside the bounds of their unit pass as they are."""
    assert parse_value("x", value, unit, WHERE) == value


@pytest.mark.parametrize(
    ("unit", "value"),
    [
        ("probability", 1.0001),
        ("share", -0.1),
        ("utility", 1.2),
        ("utility", -1.2),
        ("USD/coil", -1),
        ("per year", -1e-9),
        ("hazard ratio", 0),
        ("ratio", -1),
        ("sessions", -1),
        ("QALY", -0.1),
        ("years", float("nan")),
        ("years", True),
    ],
)
def test_values_outside_their_bounds(unit, value):
    """Values outside the bounds of their unit are refused, with the unit in the message."""
    with pytest.raises(ParameterError, match=unit.replace("/", "/")):
        parse_value("x", value, unit, WHERE)


def test_numbers_typed_as_text_are_read_one_way():
    """In tables, distributions, the country and the board, with TOML's point; names stay text, what is no number is refused."""
    rows = [{"name": "12", "share": "0,44", "cost": "1,250.5", "month": "3", "index": "pay", "scope": ["a"]}]
    assert parse_table("capital", rows, WHERE) == (
        {"name": "12", "share": 0.44, "cost": 1250.5, "month": 3, "index": "pay", "scope": ["a"]},
    )
    spread, _ = parse_distribution("c_coil", {"family": "gamma", "cv": "0,25"}, 200.0, WHERE)
    assert spread.sd == pytest.approx(50.0)
    document = Document(Path("x.toml"), {"country": {"code": "KE", "currency": "KES", "ppp": "43,5", "fx": "1,350"}}, "")
    country = read_country(document)
    assert (country.ppp, country.fx) == (43.5, 1350.0)
    assert read_board({"bleeds_last_year": "5"}, lambda _: WHERE) == {"bleeds_last_year": 5}
    assert read_own_option("half", {"label": "Half", "mix": {"glue": "0,5", "watch": 0.5}}, WHERE).mix == {"glue": 0.5, "watch": 0.5}
    with pytest.raises(ParameterError, match="must be a number >= 0"):
        read_board({"bleeds_last_year": "1,25,00"}, lambda _: WHERE)


def test_nearest_name():
    """A near name is suggested; without one, a short list is told and a long one is pointed to."""
    assert nearest("hr_glu", ["hr_glue", "c_coil"]) == "did you mean 'hr_glue'?"
    assert nearest("zzz", ["hr_glue", "c_coil"]) == "choose one of c_coil, hr_glue"
    assert nearest("zzz", ["hr_glue"], "mend it") == "mend it"
    assert "econmodel where" in nearest("zzz", [f"c_{i}" for i in range(100)])


def test_a_strategy_row():
    """A row keeps lists as tuples and its surveillance plan as months, interval and visit."""
    raw = {
        "label": "Sponge",
        "starts_in": "in_course",
        "hr_gastric": ["hr_a", "hr_b"],
        "complications": {},
        "surveillance": {"months": [3, 6], "interval": 12, "visit": "surveillance_eus"},
    }
    row = parse_row(StrategyRow, "sponge", raw, WHERE)
    assert row.hr_gastric == ("hr_a", "hr_b")
    assert [m for m in range(40) if row.surveillance.at(m)] == [3, 6, 18, 30]
    assert row.input_names() == ("hr_a", "hr_b")


def test_a_plan_without_interval_ends():
    """Interval 0 means no visits after the listed months."""
    raw = {"label": "Drug", "starts_in": "protected", "surveillance": {"months": [1, 3], "interval": 0, "visit": "clinic_visit"}}
    row = parse_row(StrategyRow, "drug", raw, WHERE)
    assert [m for m in range(40) if row.surveillance.at(m)] == [1, 3]


def test_a_secondary_row_needs_its_activity():
    """Secondary prophylaxis without an activity is refused."""
    with pytest.raises(ParameterError, match="'activity' is missing"):
        parse_row(SecondaryRow, "x", {"label": "X"}, WHERE)


@pytest.mark.parametrize(
    "raw",
    [
        {},
        {"members": []},
        {"members": ["a", "b"], "correlation": 0.5},
        {"members": ["a", "b"], "correlation": [[1, 0.5]]},
        {"members": ["a", "b"], "correlation": [[1, 0.5], [0.4, 1]]},
        {"members": ["a", "b"], "correlation": [[2, 0.5], [0.5, 1]]},
        {"members": ["a", "b"], "correlation": [[1, 1], [1, 1]]},
        {"members": ["a", "b", "c"], "correlation": [[1, 0.9, 0.9], [0.9, 1, -0.9], [0.9, -0.9, 1]]},
        {"members": ["a", "b"], "correlation": [[1, 0.5], [0.5, 1]], "rho": 1},
    ],
)
def test_faulty_groups(raw):
    """A group without members, with an impossible correlation or an unknown field is refused."""
    with pytest.raises(ParameterError):
        parse_joint("g", raw, Where("f", 1, "correlated.g"))


def test_an_ordered_group_needs_a_direction():
    """Order goes up or down, nothing else."""
    with pytest.raises(ParameterError, match="up or down"):
        parse_joint("g", {"members": ["a", "b"], "direction": "left"}, Where("f", 1, "ordered.g"))


def test_a_source_needs_citation_and_kind(tmp_path):
    """A source without citation, or of unknown kind, is refused."""
    for raw in ({"kind": "trial"}, {"citation": "A 2020", "kind": "rumour"}):
        with pytest.raises(SourceError, match="'a2020'"):
            parse_sources(Document(tmp_path / "s.toml", {"a2020": raw}, ""))
    found = parse_sources(Document(tmp_path / "s.toml", {"a2020": {"citation": "A", "kind": "trial", "pmid": "1"}}, ""))
    assert found["a2020"].reference == "A. PMID 1"
    unseen = {"citation": "B", "kind": "trial", "confirm": "authors: not seen"}
    assert parse_sources(Document(tmp_path / "s.toml", {"b2020": unseen}, ""))["b2020"].confirm == "authors: not seen"


def test_faults_are_collected():
    """A fault is kept for later and the call gives nothing; other errors are not swallowed."""
    faults: list[EconModelError] = []
    assert collect(faults, parse_value, "x", -1.0, "per year", WHERE) is None
    assert len(faults) == 1
    with pytest.raises(ZeroDivisionError):
        collect(faults, lambda: 1 / 0)
