"""Numbers as text, tables as data, provenance and files."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path

import pytest

from econmodel import files
from econmodel.economics.evaluate import evaluate
from econmodel.economics.results import Compared, Results, case_results
from econmodel.evidence.nnt import NumberNeededToTreat
from econmodel.parameters.loading import Case, demo_file, load_case
from econmodel.reporting import formatting as f
from econmodel.reporting.charts.style import STRATEGY_STYLES, strategy_styles
from econmodel.reporting.papers import phrases
from econmodel.reporting.tables import results as tables
from econmodel.reporting.tables.provenance import provenance_rows, status_counts, unconfirmed


@pytest.fixture(scope="module")
def case() -> Case:
    return load_case(demo_file())


@pytest.fixture(scope="module")
def results(case: Case) -> Results:
    return case_results(case, evaluate(case.parameters))


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
    ("arr", "text"),
    [
        (1 / 4.93, "4.9"),
        (1 / 23.4, "23"),
        (-1 / 7.3, "NNTH 7.3"),
        (0.0, "about equal"),
        (-1e-4, "about equal"),
        (1 / 199, "199"),
        (None, "–"),
    ],
)
def test_nnt_of_harm_is_marked(arr: float | None, text: str) -> None:
    """An NNT for harm is never shown as a benefit."""
    assert f.nnt(None if arr is None else NumberNeededToTreat(arr)) == text


def test_headline_rows_are_the_results(results: Results) -> None:
    """Each cell of the headline table is a field of the results."""
    row = next(r for r in tables.headline_rows(results) if r.key == "glue")
    found, versus = results.strategy("glue"), results.comparisons
    assert (row.cost, row.qalys, row.procedure_deaths) == (found.cost_at(5), found.qalys, found.deaths["procedure"])
    assert row.compared == {key: versus[key]["glue"] for key in ("watch", "beta_blocker")}
    text = next(r for r in tables.headline_text(results) if r["key"] == "glue")
    now, usual = versus["watch"]["glue"].headline, versus["beta_blocker"]["glue"].headline
    assert text["net_cost_watch"] == f.money_change(now.incremental_cost, "USD")
    assert text["net_cost_beta_blocker"] == f.money_change(usual.incremental_cost, "USD")
    assert text["bleeds_averted_watch"] == f.per(now.arr[5], 100)
    assert text["nnt_beta_blocker"] == f.nnt(usual.nnt[3])


def test_comparator_has_no_comparison_with_itself(results: Results) -> None:
    """The comparator's own row shows dashes, not zeros."""
    text = next(r for r in tables.headline_text(results) if r["key"] == "watch")
    assert (text["net_cost_watch"], text["nnt_watch"]) == ("–", "–")


def test_headline_columns_and_rows_agree(results: Results) -> None:
    """Every column has a cell in every row."""
    keys = {key for key, _ in tables.headline_columns(results)}
    assert all(keys <= set(row) for row in tables.headline_text(results))


def test_result_rows_hold_every_group(results: Results) -> None:
    """The long results table names all patients and each group."""
    rows = tables.result_rows(results.to_json())
    assert {r["group"] for r in rows} == {"all patients", *results.groups}
    cost = next(r for r in rows if r["group"] == "all patients" and r["strategy"] == "coil" and r["measure"] == "cost.total")
    assert cost["value"] == results.strategy("coil").cost


def with_headline(results: Results, **figures: object) -> Results:
    """The same results, some totals of every strategy but the comparator's changed at the headline years."""

    def changed(found: Compared) -> Compared:
        now = found.headline
        return replace(found, at_headline_years=replace(now, strategy=replace(now.strategy, **figures)))

    blocks = {versus: {key: changed(found) for key, found in block.items()} for versus, block in results.comparisons.items()}
    return replace(results, whole=replace(results.whole, comparisons=blocks))


def test_answer_follows_the_sign_of_the_cost(results: Results) -> None:
    """The one-sentence answer says saves or costs as the increment says."""
    base = results.against("watch", "coil_and_glue").headline.comparator.cost
    assert "costs" in phrases.answer(results, "coil_and_glue")
    assert "saves $500 per patient" in phrases.answer(with_headline(results, cost=base - 500.0), "coil_and_glue")


def test_answer_says_when_bleeds_are_added(results: Results) -> None:
    """A strategy that adds bleeds is not told as averting any."""
    risk = results.strategy("watch").first_bleed_risk
    worse = with_headline(results, first_bleed_risk={year: risk[year] + 1 / 9 for year in (1, 2, 3, 5)})
    assert "brings one more first bleed for every 9.0 treated" in phrases.answer(worse, "glue")


def test_provenance_names_value_source_and_place(case: Case) -> None:
    """Every input has a row that says what it is, where it stands and what it rests on."""
    rows = {row["name"]: row for row in provenance_rows(case.parameters)}
    assert set(rows) == set(case.parameters.parameters)
    assert rows["c_coil"]["changed_by"] == case.title
    assert rows["c_coil"]["base_value"] == 150.0
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


def test_json_is_the_document(results: Results) -> None:
    """The quick JSON writer loses nothing."""
    document = results.to_json()
    assert json.loads(files.json_text(document)) == json.loads(json.dumps(document))


def test_styles_are_distinct_and_extend_to_new_strategies() -> None:
    """No two strategies share colour or marker, added ones included."""
    styles = strategy_styles([*STRATEGY_STYLES, "plug", "sponge"])
    assert len({s.colour for s in styles.values()}) == len({s.marker for s in styles.values()}) == len(styles)
