"""Rates and matrix roots: what is refused, and what arrays give."""

import numpy as np
import pytest
from matrix_roots import check_embeddable, matrix_root

from econmodel.errors import AnalysisError, ModelError, ParameterError
from econmodel.evidence.rates import (
    convert_probability,
    cumulative_risk,
    odds_to_probability,
    probability_to_odds,
    probability_to_rate,
    rate_to_probability,
    relative_risk_to_hazard_ratio,
    treated_risk,
)


@pytest.mark.parametrize("bad", [-0.1, 1.0, 1.2, float("nan"), np.array([0.1, 1.5])])
def test_probabilities_out_of_range_are_refused(bad):
    """A probability of 1 has no finite rate, and one outside 0 to 1 is no probability."""
    with pytest.raises(ParameterError, match="probability"):
        probability_to_rate(bad, 1.0)


@pytest.mark.parametrize("years", [0.0, -1.0, float("inf"), float("nan")])
def test_periods_must_be_positive(years):
    """A period of 0, below 0 or without end is refused."""
    with pytest.raises(ParameterError, match="years"):
        rate_to_probability(0.1, years)


def test_negative_rates_are_refused():
    """A rate below 0 is refused, not clipped."""
    with pytest.raises(ParameterError, match="rate"):
        rate_to_probability(-0.1, 1.0)
    with pytest.raises(ParameterError, match="death rate"):
        cumulative_risk(0.1, -0.1, 1.0)


def test_arrays_of_independent_values_are_converted():
    """Draws convert one by one; shapes are kept."""
    draws = np.array([[0.1, 0.2, 0.3], [0.4, 0.5, 0.6]])
    assert convert_probability(draws, 1, 2) == pytest.approx(1 - (1 - draws) ** 2)
    assert cumulative_risk(np.array([0.0, 0.3]), 0.0, 1.0) == pytest.approx([0.0, 1 - np.exp(-0.3)])


@pytest.mark.parametrize("matrix", [[[0.9, 0.1], [0.0, 1.0]], [0.7, 0.2, 0.1], np.stack([np.eye(3)] * 4)])
def test_matrices_and_rows_are_refused(matrix):
    """A transition matrix, a stack of them or a row of one points to the matrix route."""
    with pytest.raises(AnalysisError, match="root of the whole matrix"):
        convert_probability(np.array(matrix), 1.0, 1 / 12)


def test_odds_round_trip():
    """Odds of a quarter are a third; back again; odds of a certainty do not exist."""
    assert probability_to_odds(0.25) == pytest.approx(1 / 3)
    assert odds_to_probability(1 / 3) == pytest.approx(0.25)
    with pytest.raises(ParameterError):
        probability_to_odds(1.0)


@pytest.mark.parametrize("measure", ["relative risk", "odds ratio"])
def test_cumulative_ratios_keep_their_horizon(measure):
    """A relative risk or odds ratio cannot be moved to another horizon, or used without one."""
    for effect_years in (None, 1.0):
        with pytest.raises(AnalysisError, match="hazard ratio"):
            treated_risk(0.4, 0.3, measure, years=2.0, effect_years=effect_years)
    assert treated_risk(0.4, 0.3, "hazard ratio", years=2.0) == pytest.approx(1 - 0.6**0.3)


def test_risks_are_never_clipped():
    """A relative risk that would pass 1 is refused; an odds ratio on a certainty stays 1."""
    with pytest.raises(AnalysisError, match="above 1"):
        treated_risk(0.6, 2.0, "relative risk", years=1, effect_years=1)
    assert treated_risk(1.0, 2.0, "odds ratio", years=1, effect_years=1) == 1.0


def test_relative_risk_understates_a_hazard_ratio():
    """0.29 on an untreated 45% is a hazard ratio of 0.23, and the two give the same treated risk."""
    hazard_ratio = relative_risk_to_hazard_ratio(0.29, 0.45)
    assert treated_risk(0.45, hazard_ratio, "hazard ratio", years=2) == pytest.approx(0.29 * 0.45)
    with pytest.raises(AnalysisError):
        relative_risk_to_hazard_ratio(2.5, 0.45)


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
