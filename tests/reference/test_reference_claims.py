"""The worked claim: 7.5% bleed, NNT 3, a course of three sessions at half the cost of a bleed admission.

Common practice, no source: the figures are the arithmetic of the claim itself.
"""

from dataclasses import replace

import pytest

from econmodel.evidence.claims import Claim, check_claim
from econmodel.evidence.printed import parse_risk, possible_counts

WORKED = Claim(treated="6/80", nnt="3", years=2, cost_ratio="0.5", sessions=3)


def test_worked_claim():
    """Untreated risk 40.8%, break-even NNT 2, no saving, net half a bleed per bleed averted, a sixth per patient."""
    found = check_claim(WORKED).to_dict()
    assert found["implied"]["untreated_risk"] == pytest.approx(0.075 + 1 / 3, abs=1e-12)
    assert round(100 * found["implied"]["untreated_risk"], 1) == 40.8
    assert found["implied"]["nnt"] == {"value": pytest.approx(3.0), "kind": "NNTB"}
    assert found["implied"]["arr"] == pytest.approx(1 / 3)
    assert found["implied"]["relative_risk"] == pytest.approx(0.075 / (0.075 + 1 / 3))
    assert found["break_even_nnt"] == pytest.approx(2.0)
    assert found["saves"] is False
    assert found["net_cost_per_bleed_averted_in_bleed_costs"] == pytest.approx(0.5)
    assert found["net_cost_per_patient_in_bleed_costs"] == pytest.approx(1 / 6)
    assert found["contradictions"] == []
    beside = check_claim(replace(WORKED, untreated_risk="0.41")).to_dict()
    assert beside["implied"]["untreated_risk"] == pytest.approx(0.41)
    assert beside["contradictions"] == []


def test_worked_claim_rounding_and_conditions():
    """NNT 3 may be just above 2 to 3.5: untreated 36.1% to 57.5%; saving needs above 57.5%, or 1.5 admissions a bleed."""
    found = check_claim(WORKED).to_dict()
    assert found["rounding"]["untreated_risk"] == pytest.approx([0.075 + 1 / 3.5, 0.075 + 1 / 2], abs=1e-8)
    conditions = found["conditions_for_saving"]
    assert conditions["nnt_below"] == pytest.approx(2.0)
    assert conditions["untreated_risk_above"] == pytest.approx(0.575)
    assert conditions["admissions_saved_above"] == pytest.approx(1.5)
    assert conditions["course_share_of_bleed_cost_below"] == pytest.approx(1 / 3)
    assert any("0.167 of a bleed cost a session" in sentence for sentence in found["sentences"])


def test_counts_behind_the_percentages():
    """6/80 and 3/40 print 7.5%, 2/80 prints 2.5%; 6/79 does not print 7.5%."""
    found = check_claim(WORKED).to_dict()["possible_counts"]
    assert [3, 40] in found
    assert [6, 80] in found
    listed = {str(c) for c in possible_counts(parse_risk("7.5%", "risk", ""))}
    assert {"3/40", "6/80"} <= listed
    assert "6/79" not in listed
    assert "2/80" in {str(c) for c in possible_counts(parse_risk("2.5%", "risk", ""))}


def test_identities_hold_both_ways():
    """Saving by NNT below break-even and net cost below zero are one statement (negative control: the worked claim)."""
    cheap = check_claim(Claim(treated="6/80", nnt=3, cost_ratio="0.3")).to_dict()
    assert cheap["saves"] is True
    assert cheap["implied"]["nnt"]["value"] < cheap["break_even_nnt"]
    assert cheap["net_cost_per_patient_in_bleed_costs"] < 0
    assert cheap["net_cost_per_bleed_averted_in_bleed_costs"] == pytest.approx(3 * 0.3 - 1)
    assert check_claim(WORKED).to_dict()["net_cost_per_patient_in_bleed_costs"] > 0
