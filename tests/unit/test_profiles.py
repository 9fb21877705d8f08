"""Monthly activity of a patient who starts today."""

import numpy as np
import pytest

from econmodel.economics.activity import PROFILED, monthly_profiles


@pytest.fixture(scope="module")
def profiles(vary):
    return monthly_profiles(vary(horizon_years=5), 5)


def test_axes(profiles):
    """Counts are (draw, strategy, month, activity)."""
    assert profiles.counts.shape == (1, 7, 60, len(PROFILED))
    assert (profiles.activities, profiles.strategies[0]) == (PROFILED, "watch")


def test_months_sum_to_the_evaluation(profiles, five_years):
    """Over five years the months sum to the counts of an ordinary run, for every activity."""
    total = profiles.counts[0].sum(axis=1)
    expected = np.stack([five_years.count(name)[0, :, 0] for name in PROFILED], axis=1)
    np.testing.assert_allclose(total, expected, rtol=1e-9, atol=1e-13)


def test_years_of_months_are_the_years(profiles, five_years):
    """The first twelve months are the first year."""
    bleeds = profiles.counts[0, :, :12, PROFILED.index("first_bleeds")].sum(axis=1)
    np.testing.assert_allclose(bleeds, five_years.count("first_bleeds", 1)[0, :, 0], rtol=1e-10)


def test_the_first_month_holds_the_first_session(profiles):
    """Everyone treated has a session in the first month, and the course counts there."""
    sessions, courses = (profiles.counts[0, :, 0, PROFILED.index(n)] for n in ("sessions", "courses"))
    assert sessions.tolist() == [0, 0, 1, 1, 1, 1, 1]
    assert courses[:2].tolist() == [0, 0]
    assert np.all(courses[2:] >= 1)


def test_profiles_stop_at_the_horizon(vary):
    """No more months are given than the time horizon has."""
    assert monthly_profiles(vary(horizon_years=2), 5).counts.shape[2] == 24
