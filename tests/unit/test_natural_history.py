"""The untreated bleeding rate and the acute fatality solved from pooled figures."""

import numpy as np
import pytest

from econmodel.errors import ModelError
from econmodel.model.natural_history import (
    gamma_classes,
    pooled_hazard,
    relative_hazards,
    solve_acute_fatality,
    solve_exposure,
    solve_first_bleed,
)

SHARES = np.array([0.52, 0.13, 0.24, 0.06, 0.04, 0.01])
CHILD, SIZE, RED = np.array([0.0, 0, 1, 1, 2, 2]), np.full(6, 2.0), np.array([0.0, 1, 0, 1, 0, 1])
HAZARD = pooled_hazard(np.array([0.18]), np.array([0.78]), np.array([0.38]))


def relative(b_child=0.53, b_size=0.78, b_red=0.72):
    return relative_hazards(CHILD, SIZE, RED, np.array([b_child]), np.array([b_size]), np.array([b_red]))


def mixed_risk(first, mix, years, weights=SHARES):
    """Risk of the mix without death at a number of years, from the solved rate and time steps."""
    steps = [min(years, 1.0), min(max(years - 1, 0), 2.0), max(years - 3, 0)]
    exposure = first.rate[0] * np.dot(steps, first.time_multipliers[0])
    cells = mix[0][:, None] * first.frailty[0][None, :]
    return 1 - np.dot(weights, np.exp(-cells * exposure).mean(axis=1))


def test_relative_hazards():
    """The reference cell is 1; Child class and red spots multiply it; smaller varices lower it."""
    assert relative()[0] == pytest.approx(np.exp([0, 0.72, 0.53, 1.25, 1.06, 1.78]))
    none = np.zeros(1)
    small = relative_hazards(none, none, none, np.array([0.53]), np.array([0.78]), np.array([0.72]))
    assert small[0, 0] == pytest.approx(np.exp(-1.56))


def test_pooled_hazard():
    """Cumulative hazards at 1, 3 and 5 years from the first year's probability and later ratios."""
    year = -np.log(0.82)
    assert HAZARD[0] == pytest.approx([year, year * 2.56, year * (2.56 + 0.76)])


def test_exposure_by_bisection():
    """Newton's solution is that of plain bisection, for weak and strong targets, in every draw."""
    target = np.array([[0.01, 0.2, 3.0], [0.5, 0.6, 0.7]])
    mix = np.vstack([relative()[0], relative(b_child=0.1)[0]])
    found = solve_exposure(target, mix, SHARES)
    for draw in range(2):
        for k in range(3):
            low, high = 0.0, 50.0
            for _ in range(200):
                middle = (low + high) / 2
                alive = np.dot(SHARES, np.exp(-mix[draw] * middle))
                low, high = (middle, high) if alive > np.exp(-target[draw, k]) else (low, middle)
            assert found[draw, k] == pytest.approx(low, rel=1e-12)


def test_one_group_needs_no_mixing():
    """For a single group the rate is the pooled one."""
    one = np.ones((1, 1))
    found = solve_first_bleed(HAZARD, one, np.ones(1), "time", 8)
    assert found.rate[0] == pytest.approx(-np.log(0.82))
    assert found.time_multipliers[0] == pytest.approx([1.0, 0.78, 0.38])


@pytest.mark.parametrize("decline", ["time", "frailty"])
def test_evidence_mix_meets_its_pooled_risks(decline):
    """The mix reproduces the pooled risk at 1 and 5 years; with time steps also at 3, with frailty within 0.03."""
    first = solve_first_bleed(HAZARD, relative(), SHARES, decline, 8)
    for years, hazard in zip((1, 3, 5), HAZARD[0], strict=True):
        tolerance = 1e-9 if (decline == "time" or years != 3) else 0.03
        assert mixed_risk(first, relative(), years) == pytest.approx(1 - np.exp(-hazard), abs=tolerance)
    # Negative control: another mix has another risk.
    assert mixed_risk(first, relative(b_red=1.5), 1) != pytest.approx(0.18, abs=1e-3)


def test_constant_hazard_meets_the_first_year_only():
    """A constant rate meets the first year and overstates the fifth."""
    first = solve_first_bleed(HAZARD, relative(), SHARES, "constant", 8)
    assert mixed_risk(first, relative(), 1) == pytest.approx(0.18)
    assert mixed_risk(first, relative(), 5) > 1 - np.exp(-HAZARD[0, 2]) + 0.1


def test_no_bleeding_at_all():
    """A first-year probability of 0 gives a rate of 0 and steps of 1, not missing numbers."""
    first = solve_first_bleed(pooled_hazard(np.zeros(1), np.ones(1), np.ones(1)), relative(), SHARES, "time", 8)
    assert first.rate[0] == 0.0
    assert first.time_multipliers[0].tolist() == [1.0, 1.0, 1.0]


def test_gamma_classes():
    """Classes have mean 1, rise, and with many classes the variance asked for."""
    classes = gamma_classes(np.array([0.5, 2.0]), 400)
    assert classes.mean(axis=1) == pytest.approx([1.0, 1.0])
    assert np.all(np.diff(classes, axis=1) > 0)
    assert classes.var(axis=1) == pytest.approx([0.5, 2.0], rel=0.03)


def test_a_risk_that_does_not_fall_is_not_susceptibility():
    """A rate that rises cannot be explained by susceptibility; a base run says so, many draws go on."""
    rising = pooled_hazard(np.array([0.18]), np.array([1.5]), np.array([1.5]))
    with pytest.raises(ModelError, match="susceptibility"):
        solve_first_bleed(rising, relative(), SHARES, "frailty", 8)
    two = solve_first_bleed(np.repeat(rising, 2, axis=0), np.repeat(relative(), 2, axis=0), SHARES, "frailty", 8)
    assert np.all(np.isfinite(two.rate))


def six_weeks(f, rr, e, episodes=400):
    """Deaths within six weeks, one acute episode after another: f, then rr f after each early rebleed."""
    dead, alive, fatality = 0.0, 1.0, f
    for _ in range(episodes):
        dead += alive * fatality
        alive *= (1 - fatality) * e
        fatality = rr * f
    return dead


@pytest.mark.parametrize(
    ("six_week", "rr", "e"), [(0.14, 1.25, 0.11), (0.412, 1.25, 0.11), (0.05, 1.0, 0.3), (0.0, 1.25, 0.11), (0.3, 0.8, 0.5)]
)
def test_acute_fatality_adds_up_to_six_week_mortality(six_week, rr, e):
    """Summed over the bleed and every early rebleed, the solved fatality gives back the published mortality."""
    found, held = solve_acute_fatality(np.array([[six_week]]), np.array([rr]), np.array([e]))
    assert six_weeks(float(found[0, 0]), rr, e) == pytest.approx(six_week, abs=1e-12)
    assert not held.any()
    # Negative control: the mortality itself, taken as fatality, would be too high.
    if six_week:
        assert six_weeks(six_week, rr, e) > six_week + 1e-3


@pytest.mark.parametrize(("six_week", "rr", "e"), [(1.2, 1.0, 0.1), (0.9, 2.0, 0.1), (0.14, 1.25, 1.0)])
def test_impossible_fatality_is_refused(six_week, rr, e):
    """A fatality above 1, of the bleed or its rebleed, or certain rebleeding, is an error."""
    with pytest.raises(ModelError, match="six-week mortality"):
        solve_acute_fatality(np.array([[six_week]]), np.array([rr]), np.array([e]))
