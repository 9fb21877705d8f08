"""Power and events: refusals, monotonicity and agreement of forms."""

import numpy as np
import pytest
from power import events_needed, exact_upper_bound, expected_events, fisher_sample_size, log_rank_power, normal_power

from econmodel.errors import AnalysisError, ParameterError
from econmodel.evidence.power import assurance_two_proportions, fisher_p_values, fisher_power, sample_size


def test_power_under_the_null_is_at_most_alpha():
    """With equal risks Fisher's test rejects no more often than alpha."""
    assert np.all(fisher_power([0.1, 0.3, 0.5], [0.1, 0.3, 0.5], 20, 30) <= 0.05)


def test_arms_may_be_swapped():
    """Swapping the arms and their sizes keeps the power."""
    assert fisher_power(0.2, 0.5, 15, 25) == pytest.approx(fisher_power(0.5, 0.2, 25, 15), abs=1e-12)
    assert normal_power(0.2, 0.5, 30) == pytest.approx(normal_power(0.5, 0.2, 30), abs=1e-12)


def test_p_values_are_probabilities_and_read_only():
    """All p-values lie in 0 to 1, and the cached table cannot be changed."""
    table = fisher_p_values(6, 9)
    assert table.shape == (7, 10)
    assert table.min() > 0
    assert table.max() <= 1
    with pytest.raises(ValueError, match="read-only"):
        table[0, 0] = 0.0


def test_impossible_designs_are_refused():
    """Equal risks, no patients, risks outside 0 to 1, an unreachable target and negative rates are refused."""
    with pytest.raises(AnalysisError, match="no sample size"):
        sample_size(0.3, 0.3)
    with pytest.raises(ParameterError, match="at least one patient"):
        fisher_power(0.2, 0.5, 0)
    with pytest.raises(ParameterError, match="risk"):
        fisher_power(1.2, 0.5, 10)
    with pytest.raises(AnalysisError, match="not reached"):
        fisher_sample_size(0.50, 0.52, largest=20)
    with pytest.raises(ParameterError, match="death_rate"):
        expected_events(10, 0.1, follow_up_years=1, death_rate=-0.1)
    with pytest.raises(AnalysisError, match="hazard ratio"):
        events_needed(1.0)


def test_events():
    """No rate, no event; death and drop-out take events away; more follow-up adds them."""
    assert expected_events(100, 0.0, follow_up_years=5) == 0.0
    few = expected_events(100, 0.2, follow_up_years=2, death_rate=0.1, dropout_rate=0.1)
    more = expected_events(100, 0.2, follow_up_years=2, accrual_years=1)
    assert few < expected_events(100, 0.2, follow_up_years=2) < more


def test_log_rank_power_meets_its_events():
    """The events that 80% power needs give 80% power; a null effect gives alpha; unequal arms need more."""
    assert log_rank_power(events_needed(0.5), 0.5) == pytest.approx(0.80, abs=1e-4)
    assert log_rank_power(40, 1.0) == pytest.approx(0.05)
    assert events_needed(0.5, treated_share=0.25) > events_needed(0.5)


def test_assurance():
    """Assurance averages the power over draws, with its Monte Carlo error; no draws is an error."""
    found = assurance_two_proportions([0.25, 0.25], [0.5, 0.3], 30)
    assert found.mean == pytest.approx(np.mean([fisher_power(0.25, p, 30) for p in (0.5, 0.3)]))
    assert found.n_draws == 2
    assert assurance_two_proportions(0.25, 0.5, 16).se == 0.0
    with pytest.raises(AnalysisError, match="no draws"):
        assurance_two_proportions([], [], 16)


def test_exact_upper_bound_of_all():
    """All of n with the event leaves 1."""
    assert exact_upper_bound(5, 5) == 1.0
