"""The claim check: which figures lead, contradictions, ranges, conditions, sentences and refusals."""

import json

import pytest

from econmodel.errors import ParameterError
from econmodel.evidence.claims import Claim, check_claim, read_pasted, time_to_risk
from econmodel.evidence.printed import Counts

KEYS = [
    "implied",
    "interval",
    "rounding",
    "possible_counts",
    "break_even_nnt",
    "saves",
    "net_cost_per_bleed_averted_in_bleed_costs",
    "net_cost_per_patient_in_bleed_costs",
    "conditions_for_saving",
    "contradictions",
    "sentences",
    "inputs_read",
    "unread",
    "order",
    "consistent",
    "contradiction_sets",
    "set_aside",
    "cautions",
    "verdict",
]


def check(**stated):
    """Check a claim and give its dictionary."""
    return check_claim(Claim(**stated)).to_dict()


def test_contract_keys():
    """The dictionary has the agreed keys in order and is JSON without NaN, whatever is left out."""
    for stated in ({"nnt": 3}, {"treated": "6/80"}, {"cost_ratio": 0.5}, {"years": 2}, {"treated": (6, 80), "untreated": (16, 40)}):
        found = check(**stated)
        assert list(found) == KEYS
        assert list(found["implied"]) == ["untreated_risk", "treated_risk", "arr", "nnt", "relative_risk", "rate_ratio"]
        json.dumps(found, allow_nan=False)
        assert found["sentences"]


def test_two_arms_of_counts():
    """Counts in both arms lead, give Newcombe's interval, and a printed NNT beside them only has to agree."""
    found = check(treated="6/80", untreated="16/40", nnt=3, years=2)
    assert found["implied"]["untreated_risk"] == pytest.approx(0.4)
    assert found["implied"]["nnt"]["value"] == pytest.approx(1 / 0.325)
    assert found["interval"]["nnt_text"] == "NNTB 2.07 to 5.98"
    assert found["rounding"]["untreated_risk"] == [0.4, 0.4]
    assert found["contradictions"] == []


def test_no_interval_without_counts_in_both_arms():
    """One arm of counts gives no NNT interval: the comparator is borrowed, and the sentence says so."""
    found = check(treated="6/80", nnt=3)
    assert found["interval"] == {"arr": None, "nnt_text": None}
    assert any("borrowed" in sentence for sentence in found["sentences"])


def test_untreated_risk_and_nnt_give_the_treated_risk():
    """41% untreated and NNT 3 imply 7.7% treated."""
    assert check(untreated_risk="41%", nnt=3)["implied"]["treated_risk"] == pytest.approx(0.41 - 1 / 3)


@pytest.mark.parametrize(
    ("stated", "words"),
    [
        ({"treated_risk": "0.075", "untreated_risk": "0.60", "nnt": 3}, "not 3"),
        ({"treated_risk": "0.30", "untreated_risk": "0.10", "nnt": 3}, "to harm, not 3"),
        ({"treated_risk": "0.30", "untreated_risk": "0.30", "nnt": 3}, "no difference"),
        ({"treated_risk": "0.30", "nnt": "1.05"}, "125.2%: no such risk"),
        ({"untreated_risk": "0.10", "nnt": 3}, "-23.3%: no such risk"),
        ({"course_cost": 1500, "bleed_cost": 2000, "cost_ratio": "0.5"}, "0.75, not 0.5"),
    ],
)
def test_contradictions(stated, words):
    """What cannot all be true is said, once, with the arithmetic."""
    found = check(**stated)
    assert len(found["contradictions"]) == 1
    assert words in found["contradictions"][0]
    assert found["contradictions"][0] in found["sentences"]


@pytest.mark.parametrize(
    "stated",
    [
        {"treated_risk": "0.075", "untreated_risk": "0.41", "nnt": 3},
        {"treated_risk": "0.30", "untreated_risk": "0.62", "nnt": 4},
        {"treated_risk": "0.12", "untreated_risk": "0.10", "nnt": -50},
        {"course_cost": 1500, "bleed_cost": 3000, "cost_ratio": "0.5"},
    ],
)
def test_agreement_within_rounding_is_no_contradiction(stated):
    """Rounding to nearest and rounding up are both allowed, for benefit and harm (1/0.32 = 3.1 may print as 4)."""
    assert check(**stated)["contradictions"] == []


def test_contradicted_nnt_gives_way_to_the_risks():
    """Where risks and NNT contradict, the risks lead."""
    found = check(treated_risk="0.075", untreated_risk="0.60", nnt=3)
    assert found["implied"]["nnt"]["value"] == pytest.approx(1 / 0.525)


def test_harm():
    """An NNT to harm raises the risk, never saves, and has no cost per bleed averted."""
    found = check(untreated_risk="0.10", nnt=-20, cost_ratio="0.5")
    assert found["implied"]["treated_risk"] == pytest.approx(0.15)
    assert found["implied"]["nnt"] == {"value": pytest.approx(20.0), "kind": "NNTH"}
    assert found["saves"] is False
    assert found["net_cost_per_bleed_averted_in_bleed_costs"] is None
    assert found["net_cost_per_patient_in_bleed_costs"] == pytest.approx(0.55)
    assert found["conditions_for_saving"]["admissions_saved_above"] is None


def test_break_even_exactly_does_not_save():
    """At the break-even NNT nothing is saved."""
    found = check(nnt=2, cost_ratio="0.5")
    assert found["saves"] is False
    assert found["net_cost_per_patient_in_bleed_costs"] == pytest.approx(0.0)


def test_free_course_has_no_break_even():
    """A course that costs nothing saves with any benefit, and its break-even NNT is undefined."""
    found = check(nnt=3, cost_ratio="0")
    assert found["break_even_nnt"] is None
    assert found["saves"] is True


def test_admissions_saved():
    """Admissions saved per bleed averted scale what an averted bleed is worth; unstated, one is assumed and said."""
    found = check(treated="6/80", nnt=3, cost_ratio="0.5", admissions_saved="1.6")
    assert found["break_even_nnt"] == pytest.approx(3.2)
    assert found["saves"] is True
    assert any("assumed" in s for s in check(nnt=3, cost_ratio=0.5)["sentences"])
    assert not any("assumed" in s for s in found["sentences"])


def test_conditions_that_nothing_meets_are_null():
    """A course dearer than a bleed never pays at one admission a bleed: no NNT and no untreated risk would do."""
    conditions = check(treated="6/80", nnt=3, cost_ratio="1.5")["conditions_for_saving"]
    assert conditions["nnt_below"] is None
    assert conditions["untreated_risk_above"] is None
    assert conditions["untreated_risk_above_at_same_relative_risk"] is None


def test_costs_in_money():
    """Course and bleed cost give the ratio and, with one missing, the limit for it."""
    found = check(treated="6/80", nnt=3, course_cost="1500", bleed_cost="3000")
    assert found["break_even_nnt"] == pytest.approx(2.0)
    assert found["conditions_for_saving"]["course_cost_below"] == pytest.approx(1000.0)
    assert any("500 in the currency given" in sentence for sentence in found["sentences"])
    alone = check(nnt=4, course_cost=1500)
    assert alone["saves"] is None
    assert alone["conditions_for_saving"]["bleed_cost_above"] == pytest.approx(6000.0)
    assert any("bleed's cost (or the ratio" in sentence for sentence in alone["sentences"])


def test_missing_horizon_and_content_are_called_out():
    """No horizon and costs without content are each called out; stating them removes the sentence."""
    bare = " ".join(check(treated="6/80", nnt=3, cost_ratio=0.5)["sentences"])
    assert "No horizon is stated" in bare
    assert "course's cost has no stated content" in bare
    full = " ".join(
        check(
            treated="6/80",
            nnt=3,
            cost_ratio=0.5,
            years=2,
            course_content="three sessions, all devices",
            bleed_content="admission, full cost",
        )["sentences"]
    )
    assert "No horizon" not in full
    assert "no stated content" not in full
    assert "bleeds a patient-year untreated" in full.replace("\n", " ")


def test_verdict_depends_on_rounding():
    """A verdict that rounding could turn says so; one it cannot says that: 3 may be rounded up from just above 2."""
    for stated, certain in (
        ({"cost_ratio": "0.5"}, False),
        ({"cost_ratio": "0.5", "exact": True}, True),
        ({"cost_ratio": "0.5", "rounding": "nearest"}, True),
        ({"cost_ratio": "0.4"}, False),
        ({"cost_ratio": "0.8"}, True),
    ):
        found = check(nnt=3, **stated)
        assert any(("whatever the rounding" if certain else "could turn this") in s for s in found["sentences"]), stated
        assert found["verdict"]["certain"] is certain
        assert ("whatever the rounding" in found["verdict"]["text"]) is certain


def test_model_curve():
    """The time at which the model meets the implied risk is found, or said never to come."""
    met = check_claim(Claim(treated="6/80", nnt=3, years=2), lambda years: 1 - 0.8**years)
    assert met.model_years == pytest.approx(2.3517, abs=1e-3)
    assert any("reach 40.8% at 2.4 years" in s and "at the stated 2 years it gives 36.0%" in s for s in met.sentences)
    never = check_claim(Claim(treated="6/80", nnt=3), lambda years: 0.3 * (1 - 0.5**years))
    assert never.model_years is None
    assert any("never reach 40.8%: 30.0% by 40 years" in s for s in never.sentences)
    assert time_to_risk(lambda years: 1 - 0.8**years, 0.0, 40) == 0.0


def test_large_trials_list_their_own_counts():
    """A trial of more than 100 patients is added to the counts listed, and huge ones do not stall."""
    found = check_claim(Claim(treated=Counts(75, 1000)))
    assert found.counts[-1] == Counts(75, 1000)
    assert len(check_claim(Claim(treated=(75_000_000, 1_000_000_000))).counts) < 20


def test_certain_and_absent_events():
    """Risks of 0 and 1 have no rate ratio; nothing is infinite in the result."""
    found = check(treated="0/30", untreated="30/30", years=1)
    assert found["implied"]["relative_risk"] == 0.0
    assert found["implied"]["rate_ratio"] is None
    assert check(treated="0/30", untreated="0/30")["implied"]["relative_risk"] is None


@pytest.mark.parametrize(
    ("stated", "words"),
    [
        ({}, "nothing is stated"),
        ({"treated": "7/5"}, "exceed"),
        ({"treated": "-1/10"}, "below 0"),
        ({"untreated": "0/0"}, "patient"),
        ({"relative_risk": "0.45 (0.50-0.96)"}, "0.45 lies outside its own interval"),
        ({"nnt": "10 (95% CI 12 to 20)"}, "10 lies outside its own interval"),
        ({"nnt": "0.5"}, "between -1 and 1"),
        ({"nnt": 0}, "between -1 and 1"),
        ({"nnt": "x"}, "must be a number"),
        ({"nnt": "10%"}, "not a share"),
        ({"years": 0.0, "nnt": 3}, "--years"),
        ({"years": float("nan"), "nnt": 3}, "--years"),
        ({"cost_ratio": -1}, "0 or more"),
        ({"bleed_cost": 0}, "above 0"),
        ({"admissions_saved": 0}, "above 0"),
        ({"treated_risk": 7.5}, "between 0 and 1"),
        ({"nnt": 3, "sessions": 0.5}, "at least one"),
    ],
)
def test_bad_input_is_one_clear_error(stated, words):
    """Each impossible statement is refused with its rule and a fix."""
    with pytest.raises(ParameterError, match=words) as caught:
        check(**stated)
    assert "fix:" in str(caught.value)


def test_risk_beside_counts_may_be_rounded():
    """A printed risk that the counts round to is no contradiction."""
    assert check(treated="6/80", treated_risk="8%")["implied"]["treated_risk"] == pytest.approx(0.075)


def test_wording_never_recommends():
    """No sentence recommends treatment, and harms stand in the last."""
    sentences = check(treated="6/80", untreated="16/40", cost_ratio="0.1", years=2)["sentences"]
    assert not any(word in " ".join(sentences).lower() for word in ("recommend", "should be given", "standard of care"))
    assert "embolism" in sentences[-1]


@pytest.mark.parametrize(("years", "said"), [(2.16667, "26 months"), (26 / 12, "26 months"), (1.0, "1 year"), (3.0, "3 years")])
def test_times_are_said_as_people_say_them(years: float, said: str) -> None:
    """Months where they are months, one year in the singular, and no decimals of a fraction anywhere."""
    text = " ".join(check_claim(Claim(treated="6/80", nnt=3, years=years), lambda t: 1 - 0.8**t).sentences)
    assert f"By {said} at constant rates" in text
    assert f"at the stated {said} it gives" in text
    assert "2.16667" not in text
    assert "1 years" not in text


@pytest.mark.parametrize(("arm", "counts", "risk"), [("treated", "6/80", "20%"), ("untreated", "16/40", "41%")])
def test_counts_beside_a_risk_they_do_not_print_as_are_a_contradiction(arm, counts, risk):
    """Both stand in the verdict, the printed risk is set aside as the weaker; one that the counts do print as is none."""
    check = check_claim(Claim(**{arm: counts, f"{arm}_risk": risk}))
    assert check.verdict.text.startswith(f"Contradiction: {arm} {counts} cannot stand beside {arm} {risk}")
    assert not check_claim(Claim(treated="6/80", treated_risk="7.5%")).solution.contradictions


def test_an_interval_keeps_its_scale_whatever_its_level_is_printed_as():
    """The % sign of "95% CI" is not that of a hazard ratio: its interval is the same with and without it."""
    said = [check_claim(Claim(untreated_risk="30%", hazard_ratio=f"0.45 ({level}0.21-0.96)")).cautions for level in ("", "95% CI ")]
    assert said[0] == said[1]
    assert any("NNTB 4.39 to 99.4" in caution for caution in said[0])


@pytest.mark.parametrize(("risks", "order"), [("30% vs 15%", "turned"), ("15% vs 30%", "as read, borne out")])
def test_a_hazard_ratio_tells_which_arm_is_treated(risks, order):
    """It is only set beside two risks, yet below 1 it says which arm bleeds less; without it nothing decides."""
    assert check_claim(read_pasted(f"HR 0.45 (95% CI 0.21-0.96), {risks}").claim).order == order
    assert check_claim(read_pasted(risks).claim).order == "as read"
