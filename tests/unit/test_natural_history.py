"""The untreated bleeding rate found from its year-1 risk; six-week mortality and acute fatality."""

import numpy as np
import pytest

from econmodel.errors import ModelError
from econmodel.model.natural_history import (
    acute_fatality,
    first_bleed,
    gamma_classes,
    reference_hazard,
    relative_hazards,
    shift_on_logit,
    solve_exposure,
)

SHARES = np.array([0.52, 0.13, 0.24, 0.06, 0.04, 0.01])
CHILD, SIZE, RED = np.array([0.0, 0, 1, 1, 2, 2]), np.full(6, 2.0), np.array([0.0, 1, 0, 1, 0, 1])
RISK, COURSE = np.array([0.18]), np.array([[0.9, 0.4]])


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
    """For a single group the rate is that of the year-1 risk, and the course is the patient's own."""
    found = first_bleed(RISK, COURSE, np.ones((1, 1)), np.ones(1), "time", 8)
    assert found.rate[0] == pytest.approx(-np.log(0.82))
    assert found.time_multipliers[0] == pytest.approx([1.0, 0.9, 0.4])


def test_the_later_rate_is_never_above_the_earlier():
    """A draw in which the rate from year 4 on would exceed that of years 2 and 3 keeps the lower."""
    found = first_bleed(RISK, np.array([[0.7, 1.1]]), relative(), SHARES, "time", 8)
    assert found.time_multipliers[0].tolist() == [1.0, 0.7, 0.7]


@pytest.mark.parametrize("decline", ["time", "constant", "frailty"])
def test_the_mix_has_the_year_1_risk_it_was_given(decline):
    """Whatever the course, the reference mix bleeds at its year-1 risk; frailty also meets the risk at 5 years."""
    first, time = (first_bleed(RISK, COURSE, relative(), SHARES, kind, 8) for kind in (decline, "time"))
    assert mixed_risk(first, relative(), 1) == pytest.approx(0.18, abs=1e-9)
    if decline == "frailty":
        assert mixed_risk(first, relative(), 5) == pytest.approx(mixed_risk(time, relative(), 5), abs=1e-9)
    if decline == "constant":
        assert mixed_risk(first, relative(), 5) > mixed_risk(time, relative(), 5) + 0.05
    # Negative control: another mix has another risk.
    assert mixed_risk(first, relative(b_red=1.5), 1) != pytest.approx(0.18, abs=1e-3)


def test_hazard_of_the_reference_mix():
    """Cumulative hazard at 1, 3 and 5 years is that of the risks worked out one by one."""
    first = first_bleed(RISK, COURSE, relative(), SHARES, "time", 8)
    found = reference_hazard(first, relative(), SHARES)
    assert found[0] == pytest.approx([-np.log1p(-mixed_risk(first, relative(), years)) for years in (1, 3, 5)])


def test_no_bleeding_at_all():
    """A first-year probability of 0 gives a rate of 0, not missing numbers."""
    assert first_bleed(np.zeros(1), COURSE, relative(), SHARES, "time", 8).rate[0] == 0.0


def test_gamma_classes():
    """Classes have mean 1, rise, and with many classes the variance asked for."""
    classes = gamma_classes(np.array([0.5, 2.0]), 400)
    assert classes.mean(axis=1) == pytest.approx([1.0, 1.0])
    assert np.all(np.diff(classes, axis=1) > 0)
    assert classes.var(axis=1) == pytest.approx([0.5, 2.0], rel=0.03)


def test_a_risk_that_does_not_fall_is_not_susceptibility():
    """A rate that rises cannot be explained by susceptibility; a base run says so, many draws go on."""
    rising = np.array([[1.5, 1.5]])
    with pytest.raises(ModelError, match="susceptibility"):
        first_bleed(RISK, rising, relative(), SHARES, "frailty", 8, strict=True)
    two = first_bleed(np.repeat(RISK, 2), np.repeat(rising, 2, axis=0), np.repeat(relative(), 2, axis=0), SHARES, "frailty", 8)
    assert np.all(np.isfinite(two.rate))


def six_weeks(f, odds, e, episodes=400):
    """Deaths within six weeks, one acute episode after another: f, then with the odds multiplied after each early rebleed."""
    dead, alive, fatality = 0.0, 1.0, f
    for _ in range(episodes):
        dead += alive * fatality
        alive *= (1 - fatality) * e
        fatality = odds * f / (1 - f + odds * f)
    return dead


@pytest.mark.parametrize(
    ("six_week", "odds", "e"),
    [(0.14, 1.25, 0.11), (0.412, 1.25, 0.11), (0.05, 1.0, 0.3), (0.0, 1.25, 0.11), (0.3, 0.8, 0.5), (0.95, 9.0, 0.4)],
)
def test_acute_fatality_adds_up_to_six_week_mortality(six_week, odds, e):
    """Summed over the bleed and every early rebleed, the solved fatality gives back the published mortality."""
    f, again = acute_fatality(np.array([[six_week]]), np.array([odds]), np.array([e]))
    assert six_weeks(float(f[0, 0]), odds, e) == pytest.approx(six_week, abs=1e-12)
    assert again[0, 0] == pytest.approx(odds * f[0, 0] / (1 - f[0, 0] + odds * f[0, 0]))
    # Negative control: the mortality itself, taken as fatality, would be too high.
    if 0 < six_week < 0.9:
        assert six_weeks(six_week, odds, e) > six_week + 1e-3


@pytest.mark.parametrize(("six_week", "e"), [(1.2, 0.1), (-0.1, 0.1), (0.14, 1.0)])
def test_impossible_fatality_is_refused(six_week, e):
    """A mortality outside 0 to 1, or certain rebleeding, is an error."""
    with pytest.raises(ModelError, match="six-week mortality"):
        acute_fatality(np.array([[six_week]]), np.array([1.25]), np.array([e]))


def test_no_odds_ratio_makes_death_more_than_certain():
    """However large the odds ratio and the mortality, both fatalities stay probabilities."""
    f, again = acute_fatality(np.array([[0.001, 0.5, 0.999]]), np.array([40.0]), np.array([0.5]))
    assert np.all((f > 0) & (f < 1) & (again > f) & (again < 1))


def test_classes_move_together_on_the_logit():
    """One shift of the logits brings 2.5, 10 and 40% to a mean of 13%: 3.7, 14.3 and 50.1% (worked out on paper)."""
    weights = np.array([[0.4985, 0.3909, 0.1106]])
    found = shift_on_logit(np.array([[0.025, 0.10, 0.40]]), weights, np.array([0.13]))
    assert found[0] == pytest.approx([0.037, 0.143, 0.501], abs=5e-4)
    assert (found * weights).sum() == pytest.approx(0.13, abs=1e-12)
    # Negative control: a common factor would put class C elsewhere.
    factor = 0.13 / (np.array([0.025, 0.10, 0.40]) @ weights[0])
    assert found[0, 2] != pytest.approx(0.40 * factor, abs=5e-3)


@pytest.mark.parametrize(("by_class", "pooled"), [([0.0, 0.0, 0.0], 0.1), ([0.1, 0.2, 0.3], 1.0), ([0.1, 0.2, 1.0], 0.05)])
def test_classes_that_cannot_meet_the_pooled_figure_are_refused(by_class, pooled):
    """All nil, a certain pooled death, or a class at certain death that alone exceeds it."""
    with pytest.raises(ModelError, match="cannot be moved"):
        shift_on_logit(np.array([by_class]), np.ones((1, 3)), np.array([pooled]))
