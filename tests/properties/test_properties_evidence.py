"""What must hold for every rate, NNT, claim and pool."""

import json
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from matrix_roots import matrix_root

from econmodel.errors import EconModelError
from econmodel.evidence.claims import Claim, check_claim
from econmodel.evidence.nnt import nnt_from_counts
from econmodel.evidence.pooling import pool
from econmodel.evidence.power import fisher_power
from econmodel.evidence.rates import cumulative_risk, probability_to_rate
from econmodel.evidence.studies import StudyEffect

RISK = st.floats(0.0, 0.99)
POSITIVE = st.floats(0.01, 50.0)
COUNTS = st.integers(1, 60).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
DECIMAL = st.decimals(0, 1, places=3).map(str)


@given(RISK, POSITIVE)
def test_a_rate_gives_its_probability_back(risk, years):
    """A probability, as a rate without death beside it, is that probability again."""
    assert cumulative_risk(probability_to_rate(risk, years), 0.0, years) == pytest.approx(risk, abs=1e-12)


@given(st.floats(0, 5), st.floats(0, 5), POSITIVE)
def test_death_only_takes_events_away(rate, death, years):
    """With death competing the risk is lower, and bleeding plus dying first is the chance of leaving."""
    risk = cumulative_risk(rate, death, years)
    assert 0 <= risk <= -math.expm1(-rate * years) + 1e-12
    assert risk + cumulative_risk(death, rate, years) == pytest.approx(-math.expm1(-(rate + death) * years), abs=1e-12)


@given(COUNTS, COUNTS)
@settings(max_examples=60, deadline=None)
def test_swapping_arms_flips_the_sign(one, two):
    """Benefit becomes harm of the same size, and the interval holds the estimate."""
    found, swapped = nnt_from_counts(one, two, years=1), nnt_from_counts(two, one, years=1)
    assert found.arr == pytest.approx(-swapped.arr)
    assert found.arr_low - 1e-9 <= found.arr <= found.arr_high + 1e-9
    assert found.arr_low == pytest.approx(-swapped.arr_high, abs=1e-9)
    assert found.value is None or found.value >= 1 - 1e-12


@given(
    st.fixed_dictionaries(
        {},
        optional={
            "treated": COUNTS,
            "untreated": COUNTS,
            "treated_risk": DECIMAL,
            "untreated_risk": DECIMAL,
            "nnt": st.one_of(st.integers(-50, 50), st.decimals(-30, 30, places=1)).map(str),
            "years": st.floats(0.1, 20),
            "cost_ratio": st.decimals(0, 3, places=2).map(str),
            "course_cost": st.integers(0, 9000),
            "bleed_cost": st.integers(1, 90000),
            "admissions_saved": st.decimals("0.1", 3, places=1).map(str),
            "sessions": st.floats(1, 6),
        },
    )
)
@settings(max_examples=300, deadline=None)
def test_every_claim_is_answered_or_refused(stated):
    """Any claim gives finite JSON with ranges that hold their values, or one named error."""
    try:
        check = check_claim(Claim(**stated), lambda years: 1 - math.exp(-0.2 * years))
    except EconModelError:
        return
    found = check.to_dict()
    json.dumps(found, allow_nan=False)
    solution = check.solution
    for span in (
        solution.treated,
        solution.untreated,
        solution.arr,
        solution.relative_risk,
        solution.rate_ratio,
        solution.break_even_nnt,
        solution.per_patient,
        solution.per_bleed_averted,
    ):
        assert span is None or span.low - 1e-9 <= span.value <= span.high + 1e-9
    if solution.saves is not None and solution.per_patient is not None:
        assert solution.saves == (solution.per_patient.value < -1e-12)
    assert all(sentence.strip() and "nan" not in sentence.split() for sentence in found["sentences"])


@given(st.lists(st.tuples(st.floats(-2, 2), st.floats(0.05, 1)), min_size=1, max_size=8), st.floats(-1, 1))
@settings(max_examples=60, deadline=None)
def test_pooling_shifts_with_its_studies(pairs, shift):
    """The pooled value lies among the studies, and adding a constant to all shifts it by that."""
    one = pool([StudyEffect(str(k), "", y, s) for k, (y, s) in enumerate(pairs)])
    two = pool([StudyEffect(str(k), "", y + shift, s) for k, (y, s) in enumerate(pairs)])
    assert two.log_ratio == pytest.approx(one.log_ratio + shift, abs=1e-6)
    assert min(y for y, _ in pairs) - 1e-9 <= one.log_ratio <= max(y for y, _ in pairs) + 1e-9
    assert 0 <= one.i2 <= 1


@given(st.floats(0, 1), st.floats(0, 1), st.integers(1, 12), st.integers(1, 12))
@settings(max_examples=60, deadline=None)
def test_power_is_a_probability(one, two, n, m):
    """Power lies in 0 to 1 for every truth and size."""
    assert -1e-12 <= fisher_power(one, two, n, m) <= 1 + 1e-9


@given(st.lists(st.floats(0.0, 0.5), min_size=6, max_size=6), st.integers(2, 12))
@settings(max_examples=60, deadline=None)
def test_roots_of_embeddable_matrices(rates, cycles):
    """A matrix made from rates always has a root that powers back to it."""
    from scipy.linalg import expm

    generator = np.zeros((3, 3))
    generator[~np.eye(3, dtype=bool)] = rates
    generator -= np.diag(generator.sum(axis=1))
    matrix = np.clip(expm(generator), 0, 1)
    matrix /= matrix.sum(axis=1, keepdims=True)
    root = matrix_root(matrix, cycles, allow_invalid=True)
    assert np.linalg.matrix_power(root, cycles) == pytest.approx(matrix, abs=1e-9)
