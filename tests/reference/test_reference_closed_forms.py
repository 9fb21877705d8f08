"""Continuous-time models with closed forms, run cycle by cycle through the public engine."""

import numpy as np
import pytest
from integration import accumulate
from scipy.linalg import expm

from econmodel.model.cohort import run_matrices
from econmodel.model.hazards import per_unit_rate, sum_narrow_first


def competing(rates, cycle_years=1 / 12):
    """Probability of each competing event within a cycle, and of none, as the disease model makes them."""
    per_rate, none = per_unit_rate(sum_narrow_first(rates), cycle_years)
    return {kind: rate * per_rate for kind, rate in rates.items()}, none


def trace(generator, years, cycles_per_year=12):
    """Run a generator matrix through the engine in short cycles, from the first state."""
    matrix = expm(np.array(generator) / cycles_per_year)
    matrix /= matrix.sum(axis=1, keepdims=True)
    return run_matrices(np.repeat(matrix[None], years * cycles_per_year, axis=0), np.eye(len(matrix))[0])


FORWARD = [[-0.12, 0.10, 0.02], [0.0, -0.25, 0.25], [0.0, 0.0, 0.0]]
RECOVERY = [[-0.05, 0.05, 0.0], [0.08, -0.23, 0.15], [0.0, 0.0, 0.0]]


@pytest.mark.parametrize(("years", "expected"), [(1, [0.886920, 0.083169, 0.029911]), (10, [0.301194, 0.168546, 0.530260])])
def test_forward_illness_and_death(years, expected):
    """Healthy, ill, dead with rates 0.10, 0.02 and 0.25 (textbook identity, no source; half the last digit)."""
    found = trace(FORWARD, years)[-1]
    assert found == pytest.approx(expected, abs=5e-7)
    ill = 0.10 / (0.12 - 0.25) * (np.exp(-0.25 * years) - np.exp(-0.12 * years))
    assert found[1] == pytest.approx(ill, abs=1e-12)
    # Negative control: the one-event formula overstates the chance of being ill.
    assert 1 - np.exp(-0.10 * years) > expected[1] + 0.01


def test_forward_life_expectancy():
    """Life expectancy 35/3 years (textbook identity); Simpson's rule on monthly boundaries, 1e-8."""
    alive = 1 - trace(FORWARD, 300)[:, 2]
    assert accumulate(alive, cycle_years=1 / 12, timing="simpson") == pytest.approx(35 / 3, abs=1e-8)
    assert accumulate(alive, cycle_years=1 / 12, timing="end") != pytest.approx(35 / 3, abs=0.01)


@pytest.mark.parametrize(("years", "expected"), [(1, 0.953023), (5, 0.808508), (10, 0.680933)])
def test_illness_with_recovery(years, expected):
    """Rates 0.05, 0.08 and 0.15: (10 exp(-0.03 t) + exp(-0.25 t)) / 11.

    Source: worked multiple-state example for actuarial students (math.techqa.club, item 2764601); half the last digit,
    1e-9 against the formula.
    """
    found = trace(RECOVERY, years)[-1, 0]
    assert found == pytest.approx(expected, abs=5e-7)
    assert found == pytest.approx((10 * np.exp(-0.03 * years) + np.exp(-0.25 * years)) / 11, abs=1e-9)
    assert np.exp(-0.05 * years) != pytest.approx(expected, abs=1e-3)


def test_life_expectancy_with_recovery():
    """Life expectancy 112/3 years from healthy and 52/3 from ill (inverse of the generator, 1e-6)."""
    alive = 1 - trace(RECOVERY, 650, 4)[:, 2]
    assert accumulate(alive, cycle_years=1 / 4, timing="simpson") == pytest.approx(112 / 3, abs=1e-6)
    swapped = np.array(RECOVERY)[[1, 0, 2]][:, [1, 0, 2]]
    alive = 1 - trace(swapped, 650, 4)[:, 2]
    assert accumulate(alive, cycle_years=1 / 4, timing="simpson") == pytest.approx(52 / 3, abs=1e-6)


def test_competing_events_are_the_closed_form():
    """Two competing events over any cycle split 1 - exp(-R D) by their rates (textbook identity, 1e-14)."""
    rates = {"bleed": np.array(0.30), "death": np.array(0.15)}
    for years in (1 / 12, 1.0, 10.0):
        found, none = competing(rates, years)
        assert found["bleed"] == pytest.approx(2 / 3 * (1 - np.exp(-0.45 * years)), abs=1e-14)
        assert none == pytest.approx(np.exp(-0.45 * years), abs=1e-14)
    assert found["bleed"] != pytest.approx(1 - np.exp(-0.30 * years), abs=0.05)


def test_shorter_cycles_keep_annual_survival():
    """Twelve months of competing events equal one year of them, to rounding."""
    rates = {"bleed": np.array(0.30), "death": np.array(0.15)}
    _, month = competing(rates, 1 / 12)
    year, none = competing(rates, 1.0)
    bleeds = sum(month**k * competing(rates, 1 / 12)[0]["bleed"] for k in range(12))
    assert month**12 == pytest.approx(none, rel=1e-13)
    assert bleeds == pytest.approx(year["bleed"], rel=1e-13)


def test_no_rates_no_events():
    """Without any rate nothing happens, and nothing is undefined."""
    found, none = competing({"bleed": np.array(0.0), "death": np.array(0.0)})
    assert (float(found["bleed"]), float(found["death"]), float(none)) == (0.0, 0.0, 1.0)
