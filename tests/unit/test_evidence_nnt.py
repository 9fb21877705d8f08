"""NNT results: kinds, intervals, warnings and refusals."""

import pytest

from econmodel.errors import ParameterError
from econmodel.evidence.nnt import (
    NO_HORIZON,
    NumberNeededToTreat,
    break_even_nnt,
    format_nnt_interval,
    format_patients,
    nnt_from_counts,
    nnt_from_draws,
    nnt_from_rates,
)


def test_kinds():
    """A lower treated risk is NNTB, a higher one NNTH, an equal one none with no value."""
    benefit, harm, none = (NumberNeededToTreat(0.3 - treated) for treated in (0.1, 0.5, 0.3))
    assert (benefit.kind, harm.kind, none.kind) == ("NNTB", "NNTH", "none")
    assert (benefit.text, harm.text, none.text) == ("NNTB 5", "NNTH 5", "none (no difference)")
    assert none.value is None
    assert harm.value == pytest.approx(5.0)


@pytest.mark.parametrize(
    ("low", "high", "text"),
    [
        (0.05, 0.25, "NNTB 4 to 20"),
        (-0.05, 0.25, "NNTB 4 to ∞ to NNTH 20"),
        (-0.25, -0.05, "NNTH 4 to 20"),
        (0.0, 0.25, "NNTB 4 to ∞"),
        (-0.25, 0.0, "NNTH 4 to ∞"),
        (0.0, 0.0, "∞"),
        (0.25, -0.05, "NNTB 4 to ∞ to NNTH 20"),
    ],
)
def test_interval_text(low, high, text):
    """An interval that spans 0 passes through infinity; a bound of 0 ends there."""
    assert format_nnt_interval(low, high) == text


def test_patients_are_written_to_three_digits():
    """Three significant digits, whole numbers above a thousand."""
    assert [format_patients(n) for n in (4.0, 12.615, 999.4, 999.6, 12345.6)] == ["4", "12.6", "999", "1000", "12346"]


def test_missing_horizon_is_called_out():
    """Without a horizon the warning says so; with one it does not; a horizon of 0 is refused."""
    assert NO_HORIZON in nnt_from_counts((6, 80), (16, 40)).warnings
    assert NO_HORIZON not in nnt_from_counts((6, 80), (16, 40), years=2).warnings
    with pytest.raises(ParameterError, match="years"):
        nnt_from_counts((6, 80), (16, 40), years=0)


def test_no_events_and_all_events():
    """Degenerate counts keep an interval with width (Newcombe), unlike the textbook one."""
    found = nnt_from_counts((0, 10), (0, 10), years=1)
    assert found.kind == "none"
    assert found.interval_text == "NNTB 3.6 to ∞ to NNTH 3.6"
    assert nnt_from_counts((0, 10), (10, 10), years=1).value == 1.0


def test_equal_rates_have_no_nnt():
    """No difference in rates: no NNT, and no person-years figure to divide by zero for."""
    found = nnt_from_rates(0.2, 0.2, years=1, death_rate=0.1)
    assert found.value is None
    assert found.warnings == ()


def test_draws_use_their_mean():
    """One over the mean ARR, never the mean of NNTs (here 10 and 3.3)."""
    assert nnt_from_draws([0.1, 0.3], years=1).value == pytest.approx(5.0)


def test_free_prophylaxis_has_no_break_even():
    """Nothing spent has no NNT to be below."""
    assert break_even_nnt(0.0, 1.0) is None
    assert break_even_nnt(0.5, 1.0) == 2.0


def test_impossible_arms_are_refused():
    """Impossible counts name the arm; an ARR alone has no interval."""
    with pytest.raises(ParameterError, match="untreated"):
        nnt_from_counts((6, 80), (7, 5))
    assert NumberNeededToTreat(0.1).interval_text is None
