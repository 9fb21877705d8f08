"""Discounting and integration against closed forms and a published Gompertz integral."""

import json
from pathlib import Path

import numpy as np
import pytest
from integration import accumulate

from econmodel.economics.validation import discount_factors
from econmodel.errors import AnalysisError
from econmodel.model.cohort import Moves, Schedule, run_cohort

DATA = Path(__file__).parent / "data"
INTEGRALS = json.loads((DATA / "discounting_integrals.json").read_text(encoding="utf-8"))
CASES = [key for key in INTEGRALS if key.startswith("hazard")]
RULES = {"left": "start", "right": "end", "trapezoid": "trapezoid", "simpson": "simpson"}


def survival(key):
    """Exponential survival at cycle boundaries, from a key such as hazard0.2_r0.035_T40_annual."""
    hazard, rate, years, cycle = key.split("_")
    per_year = 12 if cycle == "monthly" else 1
    times = np.arange(int(years[1:]) * per_year + 1) / per_year
    return np.exp(-float(hazard[6:]) * times), float(rate[1:]), 1 / per_year


@pytest.mark.parametrize("key", CASES)
@pytest.mark.parametrize("rule", RULES)
def test_exponential_survival(key, rule):
    """Sums by four rules, annual and monthly cycles, with and without discount (computed, 1e-6)."""
    values, rate, cycle = survival(key)
    found = accumulate(values, rate=rate, cycle_years=cycle, timing=RULES[rule])
    assert found == pytest.approx(INTEGRALS[key][rule], abs=1e-6)
    assert accumulate(values, rate=rate + 1e-4, cycle_years=cycle, timing=RULES[rule]) != pytest.approx(INTEGRALS[key][rule], abs=1e-6)


def test_trapezoid_error_is_as_theory_says():
    """The trapezoid's error is h^2/12 (f'(T) - f'(0)) to 1%; monthly cycles divide it by 144."""
    decay = 0.2 + np.log(1.035)
    theory = decay * (1 - np.exp(-decay * 40)) / 12
    errors = [
        INTEGRALS[f"hazard0.2_r0.035_T40_{c}"]["trapezoid"] - INTEGRALS["hazard0.2_r0.035_T40_annual"]["exact"]
        for c in ("annual", "monthly")
    ]
    assert errors[0] == pytest.approx(theory, rel=0.01)
    assert errors[1] == pytest.approx(theory / 144, rel=0.01)


def test_engine_years_are_the_trapezoid():
    """Patient-years of the engine equal the trapezoid on its own trace, discounted or not (1e-12)."""
    p = np.array([[1 - np.exp(-0.2 / 12)]])
    found = run_cohort(
        Moves(2, (0,), (1,)), lambda stage: p, np.array([[1.0], [0.0]]), Schedule(12, tuple(range(40)), 12, (0.0, 0.035))
    )
    assert found.years[0, :, 0].sum() == pytest.approx(INTEGRALS["hazard0.2_r0.0_T40_monthly"]["trapezoid"], abs=1e-6)
    assert found.years[1, :, 0].sum() == pytest.approx(4.265960, abs=1e-6)
    assert found.years[1, :, 0].sum() != pytest.approx(4.265824, abs=1e-5)


def test_annuities():
    """Twenty years at 3.5%: 14.212403 in arrears, 14.709837 in advance, 14.459694 through the year (closed form)."""
    once_a_year = np.ones(21)
    assert accumulate(once_a_year, rate=0.035, timing="end") == pytest.approx(14.212403, abs=5e-7)
    assert accumulate(once_a_year, rate=0.035, timing="start") == pytest.approx(14.709837, abs=5e-7)
    assert accumulate(once_a_year, timing="end") == 20
    monthly = accumulate(np.ones(20 * 12 * 100 + 1), rate=0.035, cycle_years=1 / 1200)
    assert monthly == pytest.approx(14.459694, abs=5e-6)
    assert accumulate(once_a_year, rate=0.036, timing="end") != pytest.approx(14.212403, abs=1e-3)


def test_annual_rates_compound():
    """1.035^-10 is 0.708919, not exp(-0.35); a month's factor is 1 / 1.00287090, not a twelfth of the rate (closed form)."""
    assert float(discount_factors(0.035, [10.0])[0]) == pytest.approx(0.708919, abs=5e-7)
    assert float(discount_factors(0.035, [10.0])[0]) != pytest.approx(0.704688, abs=1e-3)
    month = float(discount_factors(0.035, [1 / 12])[0])
    assert 1 / month - 1 == pytest.approx(0.00287090, abs=5e-9)
    assert 1 / month - 1 != pytest.approx(0.00291667, abs=1e-5)


def gompertz(h, to=35.0):
    """Survival from age 65 under the hazard exp(-12 + 0.12 age), every h years."""
    ages = 65 + np.arange(round(to / h) + 1) * h
    cumulative = (np.exp(-12 + 0.12 * ages) - np.exp(-12 + 0.12 * 65)) / 0.12
    return np.exp(-cumulative)


@pytest.mark.parametrize(("h", "published"), [(1, 15.83259), (0.01, 15.33650), (0.001, 15.33200)])
def test_published_gompertz_sums(h, published):
    """Rectangle sums from 65 to 100 (published by Longevitas, 2016; half the last digit).

    The published formula starts at i = 1, the published numbers at i = 0: they are the left rule.
    """
    assert accumulate(gompertz(h), cycle_years=h, timing="start") == pytest.approx(published, abs=6e-6)
    assert accumulate(gompertz(h), cycle_years=h, timing="end") != pytest.approx(published, abs=5e-5)


def test_gompertz_rules_that_converge():
    """The trapezoid with h = 1 gives 15.332726, Simpson with h = 0.1 the exact 15.331499 (computed, 1e-6).

    The published sum for h = 0.1, 15.38153, is 15.38150 when recomputed: a misprint of the last digits.
    """
    assert accumulate(gompertz(1)) == pytest.approx(15.332726, abs=1e-6)
    assert accumulate(gompertz(0.1), cycle_years=0.1, timing="simpson") == pytest.approx(15.331499, abs=1e-6)
    assert accumulate(gompertz(0.1), cycle_years=0.1, timing="start") == pytest.approx(15.38150, abs=5e-6)
    assert accumulate(gompertz(0.1, 60), cycle_years=0.1, timing="simpson") == pytest.approx(15.331745, abs=1e-6)


def test_gompertz_makeham_life_expectancy():
    """Life expectancy at 30 under 0.00014 exp(0.11521 x) + 0.00033 is 24.4011.

    Source: worked answer on Cross Validated, question 544081; half the last digit.
    """
    a, b, c, h = 0.00014, 0.11521, 0.00033, 0.1
    ages = 30 + np.arange(901) * h
    alive = np.exp(-c * (ages - 30) - a / b * (np.exp(b * ages) - np.exp(b * 30)))
    assert accumulate(alive, cycle_years=h, timing="simpson") == pytest.approx(24.4011, abs=5e-5)
    assert accumulate(alive, cycle_years=h, timing="end") != pytest.approx(24.4011, abs=5e-3)


def test_simpson_needs_an_even_number_of_cycles():
    """Simpson's rule over an odd number of cycles is refused, not approximated."""
    with pytest.raises(AnalysisError, match="even"):
        accumulate(np.ones(4), timing="simpson")
