"""NNT, intervals and cost identities against published and computed values."""

import json
import math
from pathlib import Path
from statistics import NormalDist

import numpy as np
import pandas as pd
import pytest

from econmodel.evidence.claims import Claim, check_claim
from econmodel.evidence.nnt import NumberNeededToTreat, format_nnt_interval, nnt_from_counts, nnt_from_draws, nnt_from_rates
from econmodel.evidence.rates import cumulative_risk

DATA = Path(__file__).parent / "data"


def implied(**printed):
    """What a claim implies at face value: ARR, NNT and risks."""
    found = check_claim(Claim(years=1, **printed)).to_dict()["implied"]
    return found | {"nnt": found["nnt"]["value"]}


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
    assert round(NumberNeededToTreat(0.166).value) == 6
    assert "-" not in format_nnt_interval(-0.05, 0.25)


def test_from_relative_risk_and_odds_ratio():
    """RR 0.92 on 0.3 is 24 fewer per 1000, NNT 42; OR 0.73 on 0.3 is 62 fewer, NNT 17, rounded up.

    Source: Cochrane Handbook 5.1, sections 12.5.4.0 to 12.5.4.3.
    """
    by_risk = implied(untreated_risk="0.3", relative_risk="0.92")
    by_odds = implied(untreated_risk="0.3", odds_ratio="0.73")
    assert (round(1000 * by_risk["arr"]), math.ceil(by_risk["nnt"])) == (24, 42)
    assert by_risk["nnt"] == pytest.approx(41.67, abs=5e-3)
    assert by_odds["treated_risk"] == pytest.approx(0.238303, abs=5e-7)
    assert (round(1000 * by_odds["arr"]), math.ceil(by_odds["nnt"])) == (62, 17)
    assert by_odds["nnt"] == pytest.approx(16.21, abs=5e-3)
    # Negative control: read as a relative risk, the odds ratio gives another NNT.
    assert math.ceil(implied(untreated_risk="0.3", relative_risk="0.73")["nnt"]) != 17


def test_one_number_as_three_ratios():
    """A ratio of 0.5 on 0.3 gives three different risks (closed form, tolerance 5e-7)."""
    ratios = ("relative_risk", "hazard_ratio", "odds_ratio")
    found = [implied(untreated_risk="0.3", **{ratio: "0.5"})["treated_risk"] for ratio in ratios]
    assert found == pytest.approx([0.15, 0.163340, 0.176471], abs=5e-7)
    assert found[0] != pytest.approx(found[1], abs=1e-3)


def test_stroke_example():
    """25/100 against 20/100 is RR 0.8, OR 0.75, NNT 20 (BMJ Nutrition, Prevention & Health, worked example)."""
    found = nnt_from_counts((20, 100), (25, 100), years=1)
    assert found.value == pytest.approx(20, abs=1e-9)
    assert implied(untreated_risk="0.25", odds_ratio="0.75")["nnt"] == pytest.approx(20, abs=1e-9)
    assert implied(untreated_risk="0.25", relative_risk="0.8")["nnt"] == pytest.approx(20, abs=1e-9)


def test_time_to_event():
    """Survival at ten weeks of the 6-MP trial: NNT 2.688 (1.532 to 10.956).

    Data: Freireich EJ et al., Blood 1963;21:699-716. Formula: Altman DG, Andersen PK, BMJ 1999;319:1492. Tolerance
    1e-3.
    """
    case = json.loads((DATA / "survival_checks.json").read_text())["nnt_at_10_weeks_from_km"]
    arr = case["S_6mp"] - case["S_placebo"]
    half = NormalDist().inv_cdf(0.975) * math.hypot(case["se"], case["se0"])
    found = NumberNeededToTreat(arr, arr - half, arr + half)
    assert found.value == pytest.approx(case["NNT"], abs=1e-3)
    assert found.interval_text == "NNTB {:.3g} to {:.3g}".format(*case["CI"])
    # Negative control: the arms' errors added, not their squares.
    assert NumberNeededToTreat(arr, arr - half * 1.3, arr + half * 1.3).interval_text != found.interval_text


@pytest.mark.parametrize(("survival", "hazard_ratio", "nnt"), [(0.5, 0.6, 6.2596), (0.75, 0.5, 8.6188), (0.9, 0.5, 20.5409)])
def test_from_hazard_ratio(survival, hazard_ratio, nnt):
    """``1 / (S ** h - S)`` (Altman DG, Andersen PK, BMJ 1999;319:1492; values computed, tolerance 5e-5)."""
    risk = str(1 - survival)
    assert implied(untreated_risk=risk, hazard_ratio=str(hazard_ratio))["nnt"] == pytest.approx(nnt, abs=5e-5)
    assert implied(untreated_risk=risk, relative_risk=str(hazard_ratio))["nnt"] != pytest.approx(nnt, abs=5e-2)


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
        desk = check_claim(Claim(nnt=found.value, course_cost=cost, bleed_cost=event_cost, years=years, exact=True)).to_dict()
        assert desk["break_even_nnt"] == pytest.approx(row["breakeven_NNT"], rel=1e-9)
        averted, each = (desk[f"net_cost_per_{what}_in_bleed_costs"] for what in ("bleed_averted", "patient"))
        assert event_cost * averted == pytest.approx(row["cost_per_first_bleed_averted"], rel=1e-9)
        assert event_cost * each == pytest.approx(row["net_cost_per_patient"], rel=1e-9)
        assert desk["saves"] == (found.value < row["breakeven_NNT"])
        nnts.append(found.value)
    # Negative control, and a fact of competing death: the NNT is not monotone in the horizon.
    assert nnts.index(min(nnts)) not in (0, len(nnts) - 1)


@pytest.mark.parametrize(("nnt", "years", "daily", "cost"), [(22, 3, 1.99, 47_939), (25, 5.4, 0.68, 33_507), (40, 4.5, 1.56, 102_492)])
def test_cost_of_preventing_one_event(nnt, years, daily, cost):
    """NNT x years x daily cost x 365, no offset (Maharaj R, ACP/EBM 2007;12:101; tolerance half a unit): here less the bleed."""
    course, bleed = years * daily * 365, 1_000.0
    desk = check_claim(Claim(nnt=float(nnt), course_cost=course, bleed_cost=bleed, years=years, exact=True)).to_dict()
    assert bleed * (desk["net_cost_per_bleed_averted_in_bleed_costs"] + 1) == pytest.approx(cost, abs=0.5)
    assert bleed * desk["net_cost_per_bleed_averted_in_bleed_costs"] != pytest.approx(cost, abs=0.5)
