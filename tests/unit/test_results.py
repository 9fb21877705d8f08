"""The result document: its keys, its numbers and what it says of the run."""

import json
from itertools import pairwise

import numpy as np
import pytest

from econmodel.economics.evaluate import evaluate
from econmodel.economics.results import case_results, comparators, result_document, yearly_table
from econmodel.parameters import load_case

BLOCKS = ("schema", "case", "settings", "inputs", "strategies", "comparisons", "groups", "frontier")
STRATEGY = (
    "label",
    "cost",
    "life_years",
    "qalys",
    "undiscounted",
    "first_bleed_risk",
    "gastric_first_bleed_risk",
    "first_bleeds",
    "rebleeds",
    "deaths",
    "sessions",
    "courses",
    "transplants",
    "state_years",
    "icu_days",
    "ward_days",
    "yearly",
)
COMPARISON = (
    "versus",
    "incremental_cost",
    "incremental_life_years",
    "incremental_qalys",
    "icer",
    "icer_status",
    "net_monetary_benefit",
    "bleeds_averted_per_100",
    "arr",
    "nnt",
    "break_even_nnt",
    "net_cost_per_first_bleed_averted",
    "net_cost_per_any_bleed_averted",
    "at_five_years",
)
INPUTS = (
    "horizon_years",
    "start_age",
    "share_female",
    "life_table",
    "groups",
    "r_first_bleed",
    "first_bleed_time",
    "b_child",
    "b_size",
    "b_red",
    "r_other_bleed",
    "excess_death",
    "hr_death_after_bleed",
    "p_death_bleed",
    "p_death_rebleed",
    "p_early_rebleed",
    "r_transplant",
    "excess_death_transplanted",
    "discount_costs",
    "discount_outcomes",
    "strategies",
    "effect_basis",
    "prices",
    "utilities",
    "qaly_losses",
    "activity_rates",
    "bleed_admissions",
)
YEAR = {"year", "cost_undiscounted", "first_bleeds", "rebleeds", "sessions", "icu_days", "ward_days", "alive"}


@pytest.fixture(scope="module")
def document():
    case = load_case(None, (), ["horizon_years=7"])
    return json.loads(json.dumps(result_document(case, evaluate(case.parameters)), allow_nan=False))


def test_contract(document):
    """Every promised key is there, and no number is missing or infinite."""
    assert set(BLOCKS) <= set(document)
    assert set(INPUTS) <= set(document["inputs"])
    for strategy in document["strategies"].values():
        assert set(STRATEGY) <= set(strategy)
        assert {frozenset(row) for row in strategy["yearly"]} == {frozenset(YEAR)}
    for versus, block in document["comparisons"].items():
        for key, comparison in block.items():
            assert set(COMPARISON) <= set(comparison)
            assert comparison["versus"] == versus != key


def test_comparators_are_shown(document):
    """Beta-blocker, first, no prophylaxis and the next of the lead's route are compared with, each left out of its own block."""
    assert list(document["comparisons"]) == ["beta_blocker", "watch", "eus_glue"]
    assert set(document["comparisons"]["watch"]) == set(document["strategies"]) - {"watch"}
    assert set(document["groups"]) == {g["name"] for g in document["inputs"]["groups"]}


def test_a_chosen_comparator_is_added(vary):
    """Another comparator joins the two that are always shown."""
    assert comparators(vary(comparator="glue"), "beta_blocker") == ("beta_blocker", "watch", "glue")


def test_years_add_up(document):
    """Yearly rows sum to the horizon's counts, and survivors fall from year to year."""
    for strategy in document["strategies"].values():
        rows = strategy["yearly"]
        assert [row["year"] for row in rows] == list(range(1, 8))
        for name in ("first_bleeds", "rebleeds", "sessions", "icu_days", "ward_days"):
            assert sum(row[name] for row in rows) == pytest.approx(strategy[name])
        assert sum(row["cost_undiscounted"] for row in rows) == pytest.approx(strategy["undiscounted"]["cost"])
        alive = [1.0, *(row["alive"] for row in rows)]
        assert all(a > b > 0 for a, b in pairwise(alive))


def test_a_year_is_counted_not_subtracted():
    """A late year keeps all its digits: it is the period's own sum, which no difference of long sums would give."""
    found = evaluate(load_case().parameters)
    table = yearly_table(found)
    counted = found.activity.by_period("sessions")[:, 0]
    assert np.array_equal(table["sessions"], counted)
    subtracted = np.diff(np.stack([found.count("sessions", year)[0] for year in found.activity.report_years]), axis=0, prepend=0.0)
    late = counted[-1] > 0
    assert not np.allclose(subtracted[-1][late], counted[-1][late], rtol=1e-9, atol=0)


def test_risks_rise_with_time(document):
    """Risk at the horizon is the count of first bleeds, and no earlier risk is higher."""
    for strategy in document["strategies"].values():
        risks = strategy["first_bleed_risk"]
        assert list(risks) == ["1", "2", "3", "5", "7"]
        assert list(risks.values()) == sorted(risks.values())
        assert risks["7"] == strategy["first_bleeds"]
        assert all(strategy["gastric_first_bleed_risk"][y] <= r for y, r in risks.items())


def test_increments_are_additive(document):
    """Against the drug, a strategy gains what it gains against nothing less what the drug gains."""
    watch, drug = document["comparisons"]["watch"], document["comparisons"]["beta_blocker"]
    for name in ("incremental_cost", "incremental_qalys", "bleeds_averted_per_100", "net_monetary_benefit"):
        assert drug["coil"][name] == pytest.approx(watch["coil"][name] - watch["beta_blocker"][name])
    assert drug["watch"]["incremental_cost"] == pytest.approx(-watch["beta_blocker"]["incremental_cost"])


def test_the_run_is_named(document):
    """Case, version, seed, hash and settings are told."""
    assert document["case"]["name"] == "base_case"
    assert len(document["case"]["parameters_sha256"]) == 64
    assert document["settings"]["horizon_years"] == 7
    assert document["settings"]["currency"] == "USD"


def test_a_short_horizon_leaves_five_years_out():
    """Beyond the horizon nothing is shown."""
    case = load_case(None, (), ["horizon_years=2"])
    found = result_document(case, evaluate(case.parameters))
    comparison = found["comparisons"]["watch"]["coil"]
    assert "at_five_years" not in comparison
    assert list(comparison["arr"]) == ["1", "2"]


def test_the_frontier_covers_every_strategy(document):
    """Every strategy is ranked, by cost, with one reference."""
    rows = document["frontier"]
    assert {row["key"] for row in rows} == set(document["strategies"])
    assert [row["cost"] for row in rows] == sorted(row["cost"] for row in rows)
    assert [row["status"] for row in rows].count("reference") == 1


def test_inputs_are_resolved(document):
    """Inputs hold what the run used: solved rates, products of ratios, every multiplier applied."""
    inputs = document["inputs"]
    given = load_case().parameters
    product = given.number("hr_glue") * given.number("hr_coil_and_glue_vs_glue")
    assert inputs["strategies"]["coil_and_glue"]["hr_itt"] == pytest.approx(product)
    assert inputs["strategies"]["coil_and_glue"]["hr_itt"] < inputs["strategies"]["glue"]["hr_itt"] == given.number("hr_glue")
    assert inputs["first_bleed_time"][0] == [0, 1.0]
    assert inputs["susceptibility"] == [1.0]
    assert sum(g["share"] for g in inputs["groups"]) == pytest.approx(1)


def test_a_run_with_susceptibility_gives_its_classes():
    """Eight classes, their mean 1."""
    case = load_case(None, (), ["horizon_years=1", "hazard_decline=frailty"])
    inputs = result_document(case, evaluate(case.parameters))["inputs"]
    assert len(inputs["susceptibility"]) == 2
    assert sum(inputs["susceptibility"]) == pytest.approx(2)


def test_every_bleed_per_first_bleed():
    """What an NNT of first bleeds leaves out: 2.41 bleeds for each first one untreated, 2.02 after coil and glue."""
    found = case_results(load_case(), evaluate(load_case().parameters)).strategies
    assert found["watch"].bleeds_per_first_bleed == pytest.approx(2.41, abs=0.02)
    assert found["coil_and_glue"].bleeds_per_first_bleed == pytest.approx(2.02, abs=0.02)
