"""Numbers as text, tables as data, provenance and files."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest

from econmodel import files
from econmodel.economics.evaluate import evaluate
from econmodel.economics.results import result_document
from econmodel.parameters.loading import Case, demo_file, load_case
from econmodel.reporting import formatting as f
from econmodel.reporting import phrases, tables
from econmodel.reporting.provenance import provenance_rows, status_counts, unconfirmed
from econmodel.reporting.style import STRATEGY_STYLES, strategy_styles


@pytest.fixture(scope="module")
def case() -> Case:
    return load_case(demo_file())


@pytest.fixture(scope="module")
def document(case: Case) -> dict:
    return result_document(case, evaluate(case.parameters))


@pytest.mark.parametrize(
    ("value", "text"), [(1234.5, "$1,234"), (-0.4, "$0"), (-1234.5, "−$1,234"), (None, "–"), (float("nan"), "–"), (float("inf"), "–")]
)
def test_money_has_symbol_separators_and_true_minus(value: float | None, text: str) -> None:
    """Money prints whole units; what is undefined prints as a dash, never as a number."""
    assert f.money(value, "USD") == text


def test_money_of_another_currency() -> None:
    """Pounds and euros have their signs; an unknown currency is named."""
    assert [f.money(5.0, c) for c in ("GBP", "EUR", "CHF")] == ["£5", "€5", "CHF 5"]


@pytest.mark.parametrize(
    ("block", "text"),
    [
        ({"value": 4.93, "kind": "NNTB"}, "4.9"),
        ({"value": 23.4, "kind": "NNTB"}, "23"),
        ({"value": 7.3, "kind": "NNTH"}, "NNTH 7.3"),
        ({"value": None, "kind": "none"}, "no difference"),
        (None, "–"),
    ],
)
def test_nnt_of_harm_is_marked(block: dict | None, text: str) -> None:
    """An NNT for harm is never shown as a benefit."""
    assert f.nnt(block) == text


def test_headline_rows_are_the_results(document: dict) -> None:
    """Each cell of the headline table is a field of the result document."""
    row = next(r for r in tables.headline_rows(document) if r["key"] == "glue")
    block, versus = document["strategies"]["glue"], document["comparisons"]
    assert row["cost"] == block["cost_five_years"]["total"]
    assert row["qalys"] == block["qalys"]
    assert row["net_cost_watch"] == versus["watch"]["glue"]["at_five_years"]["incremental_cost"]
    assert row["net_cost_beta_blocker"] == versus["beta_blocker"]["glue"]["at_five_years"]["incremental_cost"]
    assert row["bleeds_averted_watch"] == versus["watch"]["glue"]["arr"]["5"]
    assert row["nnt_beta_blocker"] == versus["beta_blocker"]["glue"]["nnt"]["3"]
    assert row["procedure_deaths"] == block["deaths"]["procedure"]


def test_comparator_has_no_comparison_with_itself(document: dict) -> None:
    """The comparator's own row shows dashes, not zeros."""
    text = next(r for r in tables.headline_text(document) if r["key"] == "watch")
    assert (text["net_cost_watch"], text["nnt_watch"]) == ("–", "–")


def test_headline_columns_and_rows_agree(document: dict) -> None:
    """Every column has a cell in every row."""
    keys = {key for key, _ in tables.headline_columns(document)}
    assert all(keys <= set(row) for row in tables.headline_text(document))


def test_result_rows_hold_every_group(document: dict) -> None:
    """The long results table names all patients and each group."""
    rows = tables.result_rows(document)
    assert {r["group"] for r in rows} == {"all patients", *document["groups"]}
    cost = next(r for r in rows if r["group"] == "all patients" and r["strategy"] == "coil" and r["measure"] == "cost.total")
    assert cost["value"] == document["strategies"]["coil"]["cost"]["total"]


def test_answer_follows_the_sign_of_the_cost(document: dict) -> None:
    """The one-sentence answer says saves or costs as the increment says."""
    changed = json.loads(json.dumps(document))
    for versus in changed["comparisons"].values():
        for block in versus.values():
            block["at_five_years"]["incremental_cost"] = -500.0
    assert "costs" in phrases.answer(document, "coil_and_glue")
    assert "saves $500 per patient" in phrases.answer(changed, "coil_and_glue")


def test_answer_says_when_bleeds_are_added(document: dict) -> None:
    """A strategy that adds bleeds is not told as averting any."""
    changed = json.loads(json.dumps(document))
    changed["comparisons"]["watch"]["glue"]["at_five_years"]["nnt"]["5"] = {"value": 9.0, "kind": "NNTH"}
    assert "brings one more first bleed for every 9.0 treated" in phrases.answer(changed, "glue")


def test_provenance_names_value_source_and_place(case: Case) -> None:
    """Every input has a row that says what it is, where it stands and what it rests on."""
    rows = {row["name"]: row for row in provenance_rows(case.parameters)}
    assert set(rows) == set(case.parameters.parameters)
    assert rows["c_coil"]["changed_by"] == case.title
    assert rows["c_coil"]["base_value"] == 200.0
    assert "demo.toml, line" in rows["c_coil"]["where"]
    assert rows["hr_glue"]["source"].startswith("Mishra SR, et al.")
    assert rows["hr_glue"]["locator"] == "abstract"


def test_status_counts_add_up(case: Case) -> None:
    """Each input is counted once, and the unconfirmed are those of three statuses."""
    counts = status_counts(case.parameters)
    assert sum(counts.values()) == len(case.parameters.parameters)
    assert {status: len(found) for status, found in unconfirmed(case.parameters).items()} == {
        status: counts[status] for status in ("assumption", "from memory", "demo")
    }


def test_csv_text_never_becomes_a_formula(tmp_path: Path) -> None:
    """Text that a spreadsheet would run is quoted; numbers keep their precision and sign."""
    path = files.write_csv(tmp_path / "a.csv", [{"text": '=HYPERLINK("x")', "number": -0.1 / 3}])
    row = next(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))
    assert row["text"] == '\'=HYPERLINK("x")'
    assert float(row["number"]) == -0.1 / 3


def test_json_is_the_document(document: dict) -> None:
    """The quick JSON writer loses nothing."""
    assert json.loads(files.json_text(document)) == json.loads(json.dumps(document))


def test_styles_are_distinct_and_extend_to_new_strategies() -> None:
    """No two strategies share colour or marker, added ones included."""
    styles = strategy_styles([*STRATEGY_STYLES, "plug", "sponge"])
    assert len({s.colour for s in styles.values()}) == len({s.marker for s in styles.values()}) == len(styles)
