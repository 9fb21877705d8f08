"""Rates, curves, bounds and comparisons of small registries with answers worked out by hand."""

import math

import numpy as np
import pandas as pd
import pytest
from registry_tables import analyse

from econmodel.errors import AnalysisError
from econmodel.evidence.registry import BaseCase, Prior, prior_from_mean
from econmodel.evidence.registry.curves import cumulative_incidence
from econmodel.evidence.registry.estimates import gamma_posterior, poisson_rate

BLED = {"bled": "yes", "bleed_date": "2021-01-15", "bleed_source": "gastric"}


def test_counts_and_patient_years(tmp_path):
    """n/N, patient-years and rate: one bleed after 366 days, two patients followed 731 days."""
    row = analyse(tmp_path, BLED, {}, {}).rows[0]
    years = (366 + 731 + 731) / 365.25
    assert (row["n_over_N"], row["patient_years"]) == ("1/3", pytest.approx(years))
    assert row["rate"]["value"] == pytest.approx(1 / years)


def test_first_year_counts_only_the_first_year(tmp_path):
    """A bleed on day 366 is outside year 1; each patient gives at most one year."""
    first = analyse(tmp_path, BLED, BLED | {"bleed_date": "2020-07-15"}, {}).rows[0]["first_year"]
    assert (first["events"], first["patient_years"]) == (1, pytest.approx(2 + 182 / 365.25))


def test_sources_are_told_apart(tmp_path):
    """A bleed from the oesophagus is a bleed, but not a gastric one; an unrecorded source counts as gastric."""
    rows = [BLED, BLED | {"bleed_source": "oesophageal"}, BLED | {"bleed_source": ""}, {}]
    row = analyse(tmp_path, *rows).rows[0]
    assert row["sources"] == {"gastric": 1, "other": 1, "not_recorded": 1}
    assert (row["rate"]["events"], row["gastric_rate"]["events"]) == (3, 2)


def test_groups_within_a_strategy(tmp_path):
    """Groups add up to their strategy; an incomplete patient is in a group of its own."""
    full = {"child": "B", "size_mm": "12", "red_spot": "yes"}
    rows = analyse(tmp_path, full | BLED, full, {"child": "A", "size_mm": "10", "red_spot": "no"}, {}).rows
    groups = {r["group"]: r["n_over_N"] for r in rows}
    assert groups == {"all": "1/4", "Child B, above 10 mm, red spots": "1/2", "Child A, 5 to 10 mm": "0/1", "not recorded": "0/1"}


def test_curve_by_hand():
    """Five patients: bled 2, died 4, bled and died 6, censored 8. F(2) = 1/5, F(6) = 1/5 + 3/5 x 1/3 = 2/5."""
    days, event = pd.Series([2.0, 4.0, 6.0, 6.0, 8.0]), pd.Series([1, 2, 1, 2, 0])
    curve = cumulative_incidence(days, event)
    assert list(curve.days) == [0, 2, 4, 6, 8]
    assert curve.incidence == pytest.approx([0, 0.2, 0.2, 0.4, 0.4])
    assert list(curve.at_risk) == [5, 5, 4, 3, 1]
    death = cumulative_incidence(days, event, 2)
    assert death.incidence[-1] == pytest.approx(0.4)
    # Event-free at the end: 1/5, whatever the cause.
    assert curve.incidence[-1] + death.incidence[-1] + 0.2 == pytest.approx(1.0)


def test_curve_without_censoring_is_a_share():
    """Without censoring the incidence is n/N, its variance p(1 - p)/N."""
    days, event = pd.Series(np.arange(1.0, 21.0)), pd.Series([1, 2] * 10)
    found = cumulative_incidence(days, event).at(10)
    assert found["value"] == pytest.approx(5 / 20)
    assert found["se"] == pytest.approx(math.sqrt(0.25 * 0.75 / 20), rel=1e-9)


def test_beyond_follow_up_is_not_estimable():
    """A curve says nothing after its last patient."""
    curve = cumulative_incidence(pd.Series([2.0, 4.0]), pd.Series([1, 0]))
    assert curve.at(4)["value"] == 0.5
    assert curve.at(4.5) == {"value": None, "low": None, "high": None, "se": None, "at_risk": 0}


def test_no_bleed_still_has_an_upper_limit(tmp_path):
    """0/3 after a year: 1 - exp(-3.689/3), the exact Poisson limit, and not certainty."""
    found = analyse(tmp_path, {}, {}, {}).rows[0]["cumulative_incidence"]["1"]
    assert (found["value"], found["low"]) == (0.0, 0.0)
    assert found["high"] == pytest.approx(1 - math.exp(-3.688879454 / 3), abs=1e-6)


def test_rate_without_patient_years():
    """No time, no rate."""
    assert poisson_rate(0, 0.0)["value"] is None


def test_gamma_posterior_adds_counts():
    """Events add to the shape, patient-years to the rate."""
    found = gamma_posterior(2, 10.0, Prior(8.0, 40.0))
    assert (found["shape"], found["rate"], found["mean"], found["sd"]) == (10, 50, 0.2, pytest.approx(math.sqrt(10) / 50))
    assert gamma_posterior(0, 10.0)["mean"] == 0.05


def test_priors():
    """A prior keeps the mean and standard error asked for."""
    prior = prior_from_mean(0.2, 0.05)
    assert (prior.mean, math.sqrt(prior.shape) / prior.rate) == (pytest.approx(0.2), pytest.approx(0.05))
    for call in (lambda: prior_from_mean(0.0, 0.1), lambda: prior_from_mean(0.1, 0.0)):
        with pytest.raises(AnalysisError):
            call()


def test_bounds_leave_the_rest_alone(tmp_path):
    """Without lost patients, unknown deaths or undated bleeds every bound is the estimate itself."""
    row = analyse(tmp_path, BLED, {}).rows[0]
    for bound in row["bounds"].values():
        assert bound["changed"] == 0
        assert bound["rate"]["value"] == row["rate"]["value"]


def test_own_untreated_are_the_comparator(tmp_path):
    """1/2 untreated against 0/2 treated at two years: ARR 0.5, NNTB 2 and the caution."""
    glue = {"strategy": "glue", "session_date": "2020-02-01"}
    found = analyse(tmp_path, BLED, {}, glue, glue).comparison
    assert found["comparator"] == "own untreated patients"
    two = found["strategies"]["glue"]["2"]
    assert (two["arr"], two["nnt"]) == (pytest.approx(0.5), {"value": pytest.approx(2.0), "kind": "NNTB"})
    assert two["low"] < 0 < two["high"]
    assert "∞" in two["interval_text"]
    assert "not allocated at random" in found["caution"]


def test_without_untreated_the_comparator_is_borrowed(tmp_path):
    """The NNT is labelled; without anything to borrow there is none."""
    glue = {"strategy": "glue", "session_date": "2020-02-01"}
    rows = [glue | BLED, glue, glue, glue]
    found = analyse(tmp_path, *rows, base=BaseCase(untreated_risk={2: 0.45})).comparison
    two = found["strategies"]["glue"]["2"]
    assert found["comparator"] == two["comparator"] == "borrowed comparator"
    assert two["arr"] == pytest.approx(0.2)
    assert found["strategies"]["glue"]["1"] is None
    assert analyse(tmp_path, *rows).comparison == {
        "comparator": None,
        "strategies": {},
        "caution": "No untreated rows: only the risk of the treated is known, and no NNT follows from it.",
    }
