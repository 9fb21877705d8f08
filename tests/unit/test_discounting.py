"""Discounting and integration on values that can be checked by hand."""

import numpy as np
import pytest
from integration import accumulate

from econmodel.economics.validation import discount_factors
from econmodel.errors import AnalysisError


def test_rules_by_hand():
    """Values 1, 2, 4 over two years: starts 3, ends 6, trapezoid 4.5, Simpson 13/3."""
    values = np.array([1.0, 2.0, 4.0])
    found = [float(accumulate(values, timing=t)) for t in ("start", "end", "trapezoid", "simpson")]
    assert found == pytest.approx([3, 6, 4.5, 13 / 3])


def test_the_default_is_the_trapezoid():
    """The half-cycle correction of the model is the trapezoid on cycle boundaries."""
    values = np.array([1.0, 0.7, 0.2])
    assert accumulate(values) == accumulate(values, timing="trapezoid")
    assert accumulate(values) == pytest.approx((accumulate(values, timing="start") + accumulate(values, timing="end")) / 2)


def test_discounting_at_boundaries():
    """At 10% values at years 0, 1, 2 carry 1, 1/1.1 and 1/1.21."""
    assert accumulate(np.ones(3), rate=0.1, timing="end") == pytest.approx(1 / 1.1 + 1 / 1.21)


def test_columns_are_summed_apart():
    """A second axis is kept."""
    assert accumulate(np.array([[1.0, 2.0], [3.0, 4.0]])).tolist() == [2.0, 3.0]


def test_no_discount_leaves_values_alone():
    """A rate of 0 gives factors of 1."""
    assert discount_factors(0.0, [0.0, 5.5, 40.0]).tolist() == [1.0, 1.0, 1.0]


@pytest.mark.parametrize("rate", [-1.0, -2.0])
def test_impossible_rates(rate):
    """A rate of -100% or less has no factor."""
    with pytest.raises(AnalysisError, match="above -1"):
        discount_factors(rate, [1.0])
