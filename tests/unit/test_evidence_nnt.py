"""NNT results: kinds, intervals, warnings and refusals."""

import pytest

from econmodel.errors import AnalysisError, ParameterError
from econmodel.evidence.nnt import (
    NO_HORIZON,
    NumberNeededToTreat,
    break_even_nnt,
    format_nnt_interval,
    format_patients,
    net_cost_per_event_averted,
    nnt_from_counts,
    nnt_from_draws,
    nnt_from_hazard_ratio,
    nnt_from_person_time,
    nnt_from_rates,
    nnt_from_relative_risk,
    nnt_from_risks,
    nnt_from_survival,
    nnt_over_groups,
)


def test_kinds():
    """A lower treated risk is NNTB, a higher one NNTH, an equal one none with no value."""
    benefit, harm, none = (nnt_from_risks(t, 0.3, years=1) for t in (0.1, 0.5, 0.3))
    assert (benefit.kind, harm.kind, none.kind) == ("NNTB", "NNTH", "none")
    assert (benefit.text, harm.text, none.text) == ("NNTB 5", "NNTH 5", "none (no difference)")
    assert none.value is None
    assert none.rounded_up is None
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
        nnt_from_risks(0.1, 0.2, years=0)


def test_no_events_and_all_events():
    """Degenerate counts keep an interval with width (Newcombe), unlike the textbook one."""
    found = nnt_from_counts((0, 10), (0, 10), years=1)
    assert found.kind == "none"
    assert found.interval_text == "NNTB 3.6 to ∞ to NNTH 3.6"
    assert nnt_from_counts((0, 10), (10, 10), years=1).value == 1.0


def test_rounding_up_is_only_display():
    """An NNT of 41.67 shows as 42, an exact 20 as 20."""
    assert nnt_from_relative_risk(0.92, 0.3, years=1).rounded_up == 42
    assert nnt_from_risks(0.2, 0.25, years=1).rounded_up == 20


def test_ratio_intervals_invert():
    """The interval of a ratio carries to the NNT, through infinity when it holds 1, and says the baseline is fixed."""
    found = nnt_from_hazard_ratio(0.5, 0.6, years=2, interval=(0.2, 1.2))
    assert "∞" in found.interval_text
    assert found.arr_low < 0 < found.arr < found.arr_high
    assert any("known exactly" in warning for warning in found.warnings)
    assert nnt_from_hazard_ratio(0.5, 0.6, years=2).interval_text is None


def test_survival_warns_of_competing_death():
    """Kaplan-Meier reading carries its warning, and wider errors a wider interval."""
    narrow = nnt_from_survival((0.9, 0.03), (0.6, 0.05), years=2)
    wide = nnt_from_survival((0.9, 0.06), (0.6, 0.10), years=2)
    assert any("death" in warning for warning in narrow.warnings)
    assert wide.arr_low < narrow.arr_low


def test_person_time():
    """Events and person-years give the NNT of constant rates, with the trap called out and an empty arm said."""
    found = nnt_from_person_time((6, 160), (16, 60), years=2)
    assert found.arr == pytest.approx(nnt_from_rates(6 / 160, 16 / 60, years=2).arr)
    assert any("person-years per event averted" in warning for warning in found.warnings)
    empty = nnt_from_person_time((0, 40), (10, 40), years=1)
    assert any("no event" in warning for warning in empty.warnings)
    assert empty.arr_low < empty.arr
    with pytest.raises(AnalysisError, match="person-years"):
        nnt_from_person_time((1, 0), (10, 40), years=1)


def test_equal_rates_have_no_nnt():
    """No difference in rates: no NNT, and no person-years figure to divide by zero for."""
    found = nnt_from_rates(0.2, 0.2, years=1, death_rate=0.1)
    assert found.value is None
    assert found.warnings == ()


def test_draws_and_groups():
    """Draws use the mean ARR, groups the share-weighted ARR; neither averages NNTs."""
    assert nnt_from_draws([0.1, 0.3], years=1).value == pytest.approx(5.0)
    assert nnt_over_groups([0.5, 0.5], [0.1, 0.3], years=1).value == pytest.approx(5.0)
    with pytest.raises(AnalysisError, match="shares sum"):
        nnt_over_groups([0.5, 0.6], [0.1, 0.3], years=1)


def test_costs_of_an_nnt():
    """Free prophylaxis has no break-even NNT, and an NNT below 1 does not exist."""
    assert break_even_nnt(0.0, 1.0) is None
    with pytest.raises(AnalysisError, match="NNT"):
        net_cost_per_event_averted(0.5, 1.0, 0.5)


def test_impossible_arms_are_refused():
    """Impossible counts and risks name the arm."""
    with pytest.raises(ParameterError, match="untreated"):
        nnt_from_counts((6, 80), (7, 5))
    with pytest.raises(ParameterError, match="treated risk"):
        nnt_from_risks(1.4, 0.3, years=1)
    assert NumberNeededToTreat(0.1).interval_text is None
