"""Rates and matrix roots: what is refused, and what arrays give."""

import numpy as np
import pytest
from matrix_roots import check_embeddable, matrix_root

from econmodel.errors import ModelError, ParameterError
from econmodel.evidence.rates import cumulative_risk, probability_to_rate


@pytest.mark.parametrize("bad", [-0.1, 1.0, 1.2, float("nan"), np.array([0.1, 1.5])])
def test_probabilities_out_of_range_are_refused(bad):
    """A probability of 1 has no finite rate, and one outside 0 to 1 is no probability."""
    with pytest.raises(ParameterError, match="probability"):
        probability_to_rate(bad, 1.0)


@pytest.mark.parametrize("years", [0.0, -1.0, float("inf"), float("nan")])
def test_periods_must_be_positive(years):
    """A period of 0, below 0 or without end is refused."""
    with pytest.raises(ParameterError, match="years"):
        probability_to_rate(0.1, years)


def test_negative_rates_are_refused():
    """A rate below 0 is refused, not clipped."""
    for rates, name in (((-0.1, 0.1), "rate"), ((0.1, -0.1), "death rate")):
        with pytest.raises(ParameterError, match=name):
            cumulative_risk(*rates, 1.0)
    assert cumulative_risk(np.array([0.0, 0.3]), 0.0, 1.0) == pytest.approx([0.0, 1 - np.exp(-0.3)])


@pytest.mark.parametrize(
    ("matrix", "rule"),
    [
        ([[0.5, 0.5]], "square"),
        ([[0.5, 0.4], [0.0, 1.0]], "row 0 sums to 0.900000"),
        ([[1.1, -0.1], [0.0, 1.0]], "between 0 and 1"),
        ([[float("nan"), 1.0], [0.0, 1.0]], "between 0 and 1"),
    ],
)
def test_malformed_matrices_are_refused(matrix, rule):
    """Shape, range and row sums are checked, never renormalised."""
    with pytest.raises(ModelError, match=rule):
        check_embeddable(matrix)


def test_alternating_matrix_has_no_logarithm():
    """A matrix with a negative eigenvalue has no real logarithm and no square root."""
    found = check_embeddable([[0.1, 0.9], [0.9, 0.1]])
    assert not found.embeddable
    assert any("determinant" in fault for fault in found.faults)
    with pytest.raises(ModelError, match="no root"):
        matrix_root([[0.1, 0.9], [0.9, 0.1]], 2)


def test_root_powers_back():
    """The twelfth root of an embeddable matrix, to the twelfth, is the matrix; it is itself a transition matrix."""
    matrix = np.array([[0.8, 0.15, 0.05], [0.1, 0.7, 0.2], [0.0, 0.0, 1.0]])
    root = matrix_root(matrix, 12)
    assert np.linalg.matrix_power(root, 12) == pytest.approx(matrix, abs=1e-12)
    assert root.min() >= 0
    assert root.sum(axis=1) == pytest.approx(1.0)
