"""What the lead adds to the next strategy of its route: the rule, the digits of the reference run, and where it stops paying."""

from __future__ import annotations

from dataclasses import replace

import pytest

from econmodel.economics.evaluate import evaluate
from econmodel.economics.lead import next_of_route, route
from econmodel.parameters.loading import load_case
from econmodel.uncertainty.deterministic import ask
from econmodel.uncertainty.within_route import WithinRoute, compare_within_route
from econmodel.workflow import Answer, answer

REFERENCE = ["p_obliteration_eus_glue=0.70", "r_stop_later=0.08", "start_age=60"]


def found(*sets: str) -> tuple[Answer, WithinRoute]:
    """A case whose lead is coil and glue unless it is set, and what its lead adds."""
    lead = () if any(text.startswith("lead=") for text in sets) else ("lead=coil_and_glue",)
    told = answer(load_case(sets=[*lead, *sets]))
    return told, compare_within_route(told.evaluation, told.results)


@pytest.fixture(scope="module")
def base() -> tuple[Answer, WithinRoute]:
    return found()


def test_route_is_told_by_session_or_drug() -> None:
    """Three routes by session, one of drugs, none of no prophylaxis."""
    rows = load_case().parameters.strategies
    routes = {key: route(row) for key, row in rows.items()}
    assert routes["eus_glue"] == routes["coil"] == routes["coil_and_glue"] == "session_eus"
    assert (routes["glue"], routes["transvenous"]) == ("session_direct", "session_transvenous")
    assert (routes["beta_blocker"], routes["watch"]) == ("drug", "")


def test_the_next_is_the_best_value_of_the_same_route(base: tuple[Answer, WithinRoute]) -> None:
    """Coil and glue's is EUS-guided glue; a coil that is better value takes its place; what leads is never its own next."""
    told, _ = base
    parameters, benefit = told.case.parameters, told.evaluation.net_benefit(100_000)[0, :, 0]
    assert benefit[told.evaluation.index("eus_glue")] > benefit[told.evaluation.index("coil")]
    assert told.results.next_of_route == next_of_route(parameters, "coil_and_glue") == "eus_glue"
    assert next_of_route(parameters, "eus_glue") == "coil_and_glue"
    better = load_case(sets=["hr_coil_vs_glue=0.2"]).parameters
    assert next_of_route(better, "coil_and_glue") == "coil"


def test_third_comparison_stands_with_the_others(base: tuple[Answer, WithinRoute]) -> None:
    """It is in the document beside no prophylaxis and usual care, of all patients and of each group."""
    document = base[0].results.to_json()
    assert document["next_of_route"] == "eus_glue"
    assert set(document["comparisons"]) == {"watch", "beta_blocker", "eus_glue"}
    assert "coil_and_glue" in document["comparisons"]["eus_glue"]
    assert all("eus_glue" in group["comparisons"] for group in document["groups"].values())


def test_reference_run_buys_retreatments_and_no_bleeds() -> None:
    """Bleeds come out equal; re-treatments of five years are 0.30 against 0.50, and it is said plainly."""
    told, third = found(*REFERENCE)
    assert told.results.comparisons["eus_glue"]["coil_and_glue"].headline.bleeds_averted_per_100 == pytest.approx(0.0, abs=0.2)
    assert third.retreatments_per_100 == pytest.approx((30, 50), abs=0.51)
    assert "averts about as many bleeds as EUS-guided glue" in third.sentence
    assert "fewer re-treatments per 100 (30." in third.sentence
    assert "EUS-guided glue may be the better value" in third.sentence


def test_break_even_run_again_gives_equality(base: tuple[Answer, WithinRoute]) -> None:
    """At the price, and at the re-treatments, where it turns the net benefit is 0; beyond them its sign is the other one."""
    told, third = base
    question = ask(told.case.parameters, "coil_and_glue", "eus_glue", "nmb")
    assert third.net_benefit
    assert third.turns_at
    assert third.turning_price
    for name, value in (third.turns_at, ("c_coil", third.turning_price)):
        here = told.case.parameters.number(name)
        e = evaluate(question.parameters.with_value(name, value))
        assert e.compare("coil_and_glue", "eus_glue").net_monetary_benefit[0] == pytest.approx(0.0, abs=0.01), name
        beyond = evaluate(question.parameters.with_value(name, value + 0.05 * (value - here)))
        assert beyond.compare("coil_and_glue", "eus_glue").net_monetary_benefit[0] * third.net_benefit < 0, name
        if name != "c_coil":
            again = {key: 100 * e.count("retreatments", 5)[0, e.index(key), 0] for key in e.keys}
            assert again["eus_glue"] - again["coil_and_glue"] == pytest.approx(third.turning_retreatments_per_100)
            assert e.compare("coil_and_glue", "eus_glue", 5).bleeds_averted_per_100[0] == pytest.approx(0.0, abs=0.5)


def test_a_dear_coil_does_not_pay(base: tuple[Answer, WithinRoute]) -> None:
    """Negative control: above the price where it turns, the sentence says so, and the price itself is the same."""
    _, cheap = base
    told, dear = found("c_coil=1200")
    assert dear.turning_price == pytest.approx(cheap.turning_price)
    assert dear.net_benefit is not None
    assert dear.net_benefit < 0
    assert "A coil pays while it spares over" in cheap.sentence
    assert "A coil would pay if it spared over" in dear.sentence
    assert "as it stands, EUS-guided glue may be the better value" in dear.sentence
    assert told.results.next_of_route == "eus_glue"


def test_a_lead_alone_on_its_route_has_no_third_comparison() -> None:
    """Nothing is compared, and that is said."""
    told, third = found("lead=transvenous")
    assert (told.results.next_of_route, third.versus) == ("", "")
    assert set(told.results.comparisons) == {"watch", "beta_blocker"}
    assert told.results.to_json()["next_of_route"] is None
    assert third.sentence.startswith("Retrograde transvenous obliteration is the only strategy of its route here")


def test_a_lead_without_coils_tells_cost_alone() -> None:
    """EUS-guided glue against coil and glue: bleeds, re-treatments and money, and no word on what a coil is worth."""
    _, third = found("lead=eus_glue")
    assert third.versus == "coil_and_glue"
    assert "more re-treatments per 100" in third.sentence
    assert third.sentence.endswith("per patient over that time.")
    assert (third.turns_at, third.turning_price) == (None, None)


def test_no_price_is_told_where_none_turns_it(base: tuple[Answer, WithinRoute]) -> None:
    """Where a re-treatment earns the hospital its payment, no price of a coil makes the coil worth it."""
    _, third = found("perspective=hospital_margin")
    assert third.turning_price is not None
    assert third.turning_price < 0
    assert third.sentence.endswith("EUS-guided glue may be the better value, whatever a coil costs.")
    assert replace(third, sentence="") != replace(base[1], sentence="")
