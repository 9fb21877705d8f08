"""NNT, intervals and cost identities against published and computed values."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from econmodel.evidence.nnt import (
    break_even_nnt,
    format_nnt_interval,
    net_cost_per_event_averted,
    net_cost_per_patient,
    nnt_from_counts,
    nnt_from_draws,
    nnt_from_hazard_ratio,
    nnt_from_odds_ratio,
    nnt_from_rates,
    nnt_from_relative_risk,
    nnt_from_risks,
    nnt_from_survival,
)
from econmodel.evidence.rates import cumulative_risk, treated_risk

DATA = Path(__file__).parent / "data"


def test_newcombe_intervals():
    """Newcombe's method 10 on his eight cases and a 16-a-arm trial; Wald limits differ.

    Source: Newcombe RG, Stat Med 1998;17:873-890 (cases from memory); limits computed, tolerance 5e-5. The library's
    score interval for a difference is wrong (statsmodels issue 10269) and is not used.
    """
    for row in pd.read_csv(DATA / "nnt_examples.csv").to_dict("records"):
        found = nnt_from_counts((row["x2"], row["n2"]), (row["x1"], row["n1"]), years=1)
        assert found.arr == pytest.approx(row["diff"], abs=5e-9)
        assert found.arr_low == pytest.approx(row["newcombe_lo"], abs=5e-7)
        assert found.arr_high == pytest.approx(row["newcombe_hi"], abs=5e-7)
        assert abs(found.arr_low - row["wald_lo"]) > 1e-3
        through_infinity = "crosses" in row["nnt_interval_type"]
        assert ("∞" in found.interval_text) == through_infinity


def test_published_inversions():
    """An ARR of 10% (-5% to 25%) is NNTB 10 (4 to ∞ to NNTH 20); 16.6% (0.9% to 32.2%) is 6 (3.1 to 111.1).

    Sources: rapid response to BMJ 1998;317:1309; CMAJ 2002;166:1676.
    """
    assert format_nnt_interval(-0.05, 0.25) == "NNTB 4 to ∞ to NNTH 20"
    assert format_nnt_interval(0.009, 0.322) == "NNTB 3.11 to 111"
    assert round(nnt_from_risks(0.1, 0.266, years=1).value) == 6
    assert "-" not in format_nnt_interval(-0.05, 0.25)


def test_from_relative_risk_and_odds_ratio():
    """RR 0.92 on 0.3 is 24 fewer per 1000, NNT 42; OR 0.73 on 0.3 is 62 fewer, NNT 17, rounded up.

    Source: Cochrane Handbook 5.1, sections 12.5.4.0 to 12.5.4.3.
    """
    by_risk, by_odds = nnt_from_relative_risk(0.92, 0.3, years=1), nnt_from_odds_ratio(0.73, 0.3, years=1)
    assert (round(1000 * by_risk.arr), by_risk.rounded_up) == (24, 42)
    assert by_risk.value == pytest.approx(41.67, abs=5e-3)
    assert treated_risk(0.3, 0.73, "odds ratio", years=1, effect_years=1) == pytest.approx(0.238303, abs=5e-7)
    assert (round(1000 * by_odds.arr), by_odds.rounded_up) == (62, 17)
    assert by_odds.value == pytest.approx(16.21, abs=5e-3)
    # Negative control: read as a relative risk, the odds ratio gives another NNT.
    assert nnt_from_relative_risk(0.73, 0.3, years=1).rounded_up != 17


def test_stroke_example():
    """25/100 against 20/100 is RR 0.8, OR 0.75, NNT 20 (BMJ Nutrition, Prevention & Health, worked example)."""
    found = nnt_from_counts((20, 100), (25, 100), years=1)
    assert found.value == pytest.approx(20, abs=1e-9)
    assert nnt_from_odds_ratio(0.75, 0.25, years=1).value == pytest.approx(20, abs=1e-9)
    assert nnt_from_relative_risk(0.8, 0.25, years=1).value == pytest.approx(20, abs=1e-9)


def test_time_to_event():
    """Survival at ten weeks of the 6-MP trial: NNT 2.688 (1.532 to 10.956).

    Data: Freireich EJ et al., Blood 1963;21:699-716. Formula: Altman DG, Andersen PK, BMJ 1999;319:1492. Tolerance
    1e-3.
    """
    case = json.loads((DATA / "survival_checks.json").read_text())["nnt_at_10_weeks_from_km"]
    found = nnt_from_survival((case["S_6mp"], case["se"]), (case["S_placebo"], case["se0"]), years=10 / 52.18)
    assert found.value == pytest.approx(case["NNT"], abs=1e-3)
    assert [1 / found.arr_high, 1 / found.arr_low] == pytest.approx(case["CI"], abs=1e-3)
    wrong = nnt_from_survival((case["S_6mp"], case["se"]), (case["S_placebo"], 0.05), years=10 / 52.18)
    assert 1 / wrong.arr_low != pytest.approx(case["CI"][1], abs=1e-3)


@pytest.mark.parametrize(("survival", "hazard_ratio", "nnt"), [(0.5, 0.6, 6.2596), (0.75, 0.5, 8.6188), (0.9, 0.5, 20.5409)])
def test_from_hazard_ratio(survival, hazard_ratio, nnt):
    """``1 / (S ** h - S)`` (Altman DG, Andersen PK, BMJ 1999;319:1492; values computed, tolerance 5e-5)."""
    assert nnt_from_hazard_ratio(hazard_ratio, survival, years=1).value == pytest.approx(nnt, abs=5e-5)
    assert nnt_from_relative_risk(hazard_ratio, 1 - survival, years=1).value != pytest.approx(nnt, abs=5e-2)


def test_person_time_trap():
    """Rates 1.00 and 0.75: one over the difference is 4 person-years, the first-event NNT at a year is 9.57.

    After Suissa S, Rambam Maimonides Med J 2015 (published 94 over two years where 63 was right); own analogue,
    computed.
    """
    found = nnt_from_rates(0.75, 1.00, years=1)
    assert found.value == pytest.approx(9.57, abs=5e-3)
    assert any("4 person-years" in warning for warning in found.warnings)
    assert 1 / (1.00 - 0.75) != pytest.approx(found.value, abs=1)


def test_nnt_under_a_psa():
    """Untreated Beta(8, 8), treated Beta(4, 12): 1/E[ARR] is 4.000 and 6.4% of draws harm (computed).

    The mean of 1/ARR has no finite expectation: block means of 1000 draws scatter far wider than the NNT itself.
    """
    rng = np.random.default_rng(7)
    draws = rng.beta(8, 8, 200_000) - rng.beta(4, 12, 200_000)
    found = nnt_from_draws(draws, years=1)
    assert found.value == pytest.approx(4.000, abs=0.02)
    assert (draws < 0).mean() == pytest.approx(0.064068, abs=0.002)
    assert "∞" in found.interval_text
    blocks = (1 / draws).reshape(200, 1000).mean(axis=1)
    assert blocks.std() > 1


def test_cost_identities_by_horizon():
    """NNT, break-even NNT and net costs with competing death at nine horizons (computed, relative 1e-9)."""
    nnts = []
    for row in pd.read_csv(DATA / "nnt_cost_horizon.csv").to_dict("records"):
        years, event_cost = row["T_years"], 12_000.0
        found = nnt_from_rates(0.15, 0.30, years=years, death_rate=0.15)
        person_years = cumulative_risk(0.15, 0.15, years) / 0.15
        cost = 400 * person_years
        assert found.arr == pytest.approx(row["ARR"], rel=1e-9)
        assert found.value == pytest.approx(row["NNT_competing_death"], rel=1e-9)
        assert cost == pytest.approx(row["Cp_per_patient"], rel=1e-9)
        assert break_even_nnt(cost, event_cost) == pytest.approx(row["breakeven_NNT"], rel=1e-9)
        assert net_cost_per_event_averted(cost, event_cost, found.value) == pytest.approx(
            row["cost_per_first_bleed_averted"], rel=1e-9
        )
        assert net_cost_per_patient(cost, event_cost, found.arr) == pytest.approx(row["net_cost_per_patient"], rel=1e-9)
        assert net_cost_per_event_averted(1500, event_cost, found.value) == pytest.approx(
            row["cost_per_bleed_if_one_off_1500"], rel=1e-9
        )
        nnts.append(found.value)
    # Negative control, and a fact of competing death: the NNT is not monotone in the horizon.
    assert nnts.index(min(nnts)) not in (0, len(nnts) - 1)


@pytest.mark.parametrize(("nnt", "years", "daily", "cost"), [(22, 3, 1.99, 47_939), (25, 5.4, 0.68, 33_507), (40, 4.5, 1.56, 102_492)])
def test_cost_of_preventing_one_event(nnt, years, daily, cost):
    """NNT x years x daily cost x 365, no offset (Maharaj R, ACP/EBM 2007;12:101; tolerance half a unit)."""
    assert net_cost_per_event_averted(years * daily * 365, 0.0, nnt) == pytest.approx(cost, abs=0.5)
    assert net_cost_per_event_averted(years * daily * 365, 1_000.0, nnt) != pytest.approx(cost, abs=0.5)
