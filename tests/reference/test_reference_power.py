"""Power, sample size and expected events against exact enumeration and closed forms."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from power import exact_upper_bound, expected_events, fisher_sample_size, normal_power
from scipy.stats import barnard_exact, boschloo_exact, fisher_exact

from econmodel.evidence.nnt import nnt_from_counts
from econmodel.evidence.power import assurance_two_proportions, fisher_p_values, fisher_power, sample_size
from econmodel.evidence.rates import cumulative_risk

DATA = Path(__file__).parent / "data"


def test_power_table():
    """Fisher's exact and the pooled normal power at eight designs (computed by enumeration, tolerance 5e-8)."""
    for row in pd.read_csv(DATA / "power_two_proportions.csv").to_dict("records"):
        design = (row["p1"], row["p2"], row["n_per_arm"])
        assert fisher_power(*design) == pytest.approx(row["fisher_exact_power"], abs=5e-8)
        assert normal_power(*design) == pytest.approx(row["normal_pooled_null"], abs=5e-8)
        # Negative control: neither the arcsine nor the unpooled approximation is the exact power.
        assert fisher_power(*design) != pytest.approx(row["arcsine_cohen_h"], abs=5e-3)
        assert normal_power(*design) != pytest.approx(row["normal_unpooled"], abs=5e-4)


def test_small_embolism_trial():
    """Emboli in 25% against 50%, 16 an arm: power 0.18, so a p of 0.27 shows little (computed)."""
    assert fisher_power(0.25, 0.50, 16) == pytest.approx(0.183808, abs=5e-7)
    assert fisher_p_values(16, 16)[4, 8] == pytest.approx(0.27337, abs=5e-6)
    table = [[4, 12], [8, 8]]
    assert fisher_exact(table).pvalue == pytest.approx(fisher_p_values(16, 16)[4, 8], abs=1e-12)
    assert boschloo_exact(table).pvalue == pytest.approx(0.17123, abs=5e-5)
    assert barnard_exact(table).pvalue == pytest.approx(0.14621, abs=5e-5)
    found = nnt_from_counts((4, 16), (8, 16), years=0.5)
    assert (found.arr_low, found.arr_high) == pytest.approx((-0.0793, 0.5153), abs=5e-5)
    assert fisher_power(0.05, 0.50, 16) == pytest.approx(0.777, abs=5e-4)


def test_every_fisher_p_of_unequal_arms():
    """The whole table of p-values equals the library's one by one, arms of 7 and 5."""
    ours = fisher_p_values(7, 5)
    theirs = [[fisher_exact([[a, 7 - a], [c, 5 - c]]).pvalue for c in range(6)] for a in range(8)]
    np.testing.assert_allclose(ours, theirs, atol=1e-10)


def test_sample_sizes():
    """25% against 50% at 80%: 57.67 an arm, 65.43 with continuity correction (computed, tolerance 5e-3)."""
    assert sample_size(0.25, 0.50, continuity=False) == pytest.approx(57.67, abs=5e-3)
    assert sample_size(0.25, 0.50) == pytest.approx(65.43, abs=5e-3)
    # Negative control and known trap: a second halving of alpha asks for 69.97.
    assert sample_size(0.25, 0.50, alpha=0.025, continuity=False) == pytest.approx(69.97, abs=0.1)
    assert fisher_power(0.25, 0.50, 66) == pytest.approx(0.8133, abs=5e-5)
    found = fisher_sample_size(0.25, 0.50)
    assert fisher_power(0.25, 0.50, found) >= 0.80 > fisher_power(0.25, 0.50, found - 1)


def test_none_seen():
    """0 of 16 leaves a one-sided 95% upper bound of 0.170750; the rule of three says 0.1875 (closed form)."""
    assert exact_upper_bound(0, 16) == pytest.approx(0.170750, abs=5e-7)
    assert 3 / 16 != pytest.approx(exact_upper_bound(0, 16), abs=1e-2)


def test_expected_events_closed_form():
    """With no accrual: n times the cumulative incidence; with accrual: its mean over follow-up (closed form)."""
    n, at = 100, dict(death_rate=0.15)
    two_years = n * cumulative_risk(0.3, 0.15, 2)
    assert expected_events(n, 0.3, follow_up_years=2, **at) == pytest.approx(two_years, abs=1e-9)
    times = np.linspace(1, 3, 20_001)
    mean = np.trapezoid([cumulative_risk(0.3, 0.15, t) for t in times], times) / 2
    assert expected_events(n, 0.3, follow_up_years=1, accrual_years=2, **at) == pytest.approx(n * mean, abs=1e-6)
    assert expected_events(n, 0.3, follow_up_years=2) > expected_events(n, 0.3, follow_up_years=2, **at) + 1


def test_assurance_is_power_when_the_truth_is_known():
    """Draws all alike give the power itself, without error; spread draws give less than the power at their mean."""
    sure = assurance_two_proportions(np.full(50, 0.25), np.full(50, 0.50), 66)
    assert (sure.mean, sure.se) == pytest.approx((0.813293, 0.0), abs=5e-7)
    rng = np.random.default_rng(3)
    spread = assurance_two_proportions(rng.beta(4, 12, 2000), rng.beta(8, 8, 2000), 66)
    assert spread.mean < sure.mean - 0.05
