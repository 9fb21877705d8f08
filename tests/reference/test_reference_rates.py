"""Rates, probabilities and matrix roots against published and closed-form values."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from matrix_roots import check_embeddable, matrix_root

from econmodel.errors import ModelError
from econmodel.evidence.rates import cumulative_risk, probability_to_rate
from econmodel.parameters.derive import OPERATIONS

# Chancellor JV et al., PharmacoEconomics 1997 (annual counts from memory; they reproduce the published ICER).
HIV = np.array([[1251, 350, 116, 17], [0, 731, 512, 15], [0, 0, 1312, 437], [0, 0, 0, 1]], dtype=float)
HIV /= HIV.sum(axis=1, keepdims=True)

DATA = Path(__file__).parent / "data"


rate, prob = OPERATIONS["rate"], OPERATIONS["prob"]


def test_probability_and_rate_closed_forms():
    """Five-year 0.20 and annual 0.15 move to other periods by the exponential (closed form, tolerance 1e-7)."""
    assert prob(rate(0.20, 5), 1) == pytest.approx(0.0436475, abs=5e-8)
    assert probability_to_rate(0.20, 5) == rate(0.20, 5) == pytest.approx(0.0446287, abs=5e-8)
    assert prob(rate(0.15, 1), 1 / 12) == pytest.approx(0.0134519, abs=5e-8)
    # Negative control: dividing the probability by twelve is not the conversion.
    assert 0.15 / 12 != pytest.approx(0.0134519, abs=5e-8)


def test_published_change_of_period():
    """4% over 5 years is 15.07% over 20 years.

    Source: risk-assessment note of the Cabot Institute, University of Bristol (environment.blogs.bristol.ac.uk).
    """
    assert prob(rate(0.04, 5), 20) == pytest.approx(0.1507, abs=5e-5)
    assert prob(rate(0.05, 5), 20) != pytest.approx(0.1507, abs=5e-5)


def test_element_by_element_conversion_is_wrong():
    """Converting the HIV matrix cell by cell and running 12 months misses it by up to 0.0554.

    Statement: Chhatwal J, Jayasuriya S, Elbasha EH, Med Decis Making 2016 (PMC5045797). Numbers: computed, tolerance
    5e-5.
    """
    monthly = np.triu(1 - (1 - HIV) ** (1 / 12), 1)
    monthly += np.diag(1 - monthly.sum(axis=1))
    year = np.linalg.matrix_power(monthly, 12)
    assert year[0, :2] == pytest.approx([0.7363, 0.1522], abs=5e-5)
    assert HIV[0, :2] == pytest.approx([0.7215, 0.2018], abs=5e-5)
    assert np.abs(year - HIV).max() == pytest.approx(0.0554, abs=5e-5)


def test_hiv_matrix_is_not_embeddable():
    """The HIV matrix's logarithm and monthly root have negative entries from B to dead (computed, 5e-5 and 5e-6)."""
    found = check_embeddable(HIV, "ABCD")
    assert not found.embeddable
    assert found.generator[1, 3] == pytest.approx(-0.0719, abs=5e-5)
    assert matrix_root(HIV, 12, allow_invalid=True)[1, 3] == pytest.approx(-0.00526, abs=5e-6)
    with pytest.raises(ModelError, match="from B to D"):
        matrix_root(HIV, 12, "ABCD")


def test_well_ill_dead_without_direct_death_is_not_embeddable():
    """Annual well -> ill -> dead with no well -> dead has a negative rate and a negative monthly entry (computed)."""
    matrix = [[0.9, 0.1, 0], [0, 0.8, 0.2], [0, 0, 1]]
    found = check_embeddable(matrix)
    assert found.generator[0, 2] == pytest.approx(-0.01242, abs=5e-6)
    assert matrix_root(matrix, 12, allow_invalid=True)[0, 2] == pytest.approx(-0.00094, abs=5e-6)
    assert any("never in one" in fault for fault in found.faults)


def test_published_three_year_matrix_has_no_cube_root():
    """A published 4-state 3-year matrix has negative entries in its cube root (matrix: smard.org/blog-2).

    Tolerance 1e-4: the matrix is printed to three digits and one row sums to 0.999.
    """
    matrix = np.array([[0.251, 0.495, 0.200, 0.054], [0.078, 0.426, 0.304, 0.191], [0, 0.103, 0.310, 0.586], [0, 0, 0.091, 0.909]])
    root = matrix_root(matrix / matrix.sum(axis=1, keepdims=True), 3, allow_invalid=True)
    assert sorted(root[root < 0]) == pytest.approx([-0.0088, -0.0066, -0.0044], abs=1e-4)


def test_cube_root_of_published_three_year_matrix():
    """The cube root of a published 3-year matrix is the published annual one within 0.001.

    Source: Mathematical Problems in Engineering 2022, article 7980111, tables 3 and 4 (men aged 65 to 70), rows
    renormalised.
    """
    three = np.array([[0.675, 0.240, 0.024, 0.061], [0.387, 0.420, 0.100, 0.093], [0.201, 0.400, 0.249, 0.150], [0, 0, 0, 1]])
    one = np.array([[0.847, 0.133, 0.001, 0.019], [0.211, 0.677, 0.080, 0.033], [0.039, 0.311, 0.587, 0.063], [0, 0, 0, 1]])
    root = matrix_root(three / three.sum(axis=1, keepdims=True), 3, allow_invalid=True)
    assert np.abs(root - one).max() < 0.001
    assert np.abs(matrix_root(three / three.sum(axis=1, keepdims=True), 2, allow_invalid=True) - one).max() > 0.01


def test_cumulative_risk_with_competing_death():
    """The closed form meets the vectors at every horizon; ignoring death does not (computed, tolerance 1e-9)."""
    table = pd.read_csv(DATA / "nnt_cost_horizon.csv")
    for row in table.to_dict("records"):
        assert cumulative_risk(0.30, 0.15, row["T_years"]) == pytest.approx(row["cif_control"], abs=1e-9)
        assert cumulative_risk(0.15, 0.15, row["T_years"]) == pytest.approx(row["cif_prophylaxis"], abs=1e-9)
        assert prob(0.30, row["T_years"]) > row["cif_control"] + 0.004
    assert cumulative_risk(0.30, 0.15, float("inf")) == pytest.approx(2 / 3, abs=1e-12)
