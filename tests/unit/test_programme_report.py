"""The whole programme on the clinical model: agreement, views, downside, break-even, document and chart data."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from econmodel.economics.activity import MonthlyProfiles, monthly_profiles
from econmodel.economics.bleed_prices import untreated_fatal_share
from econmodel.economics.evaluate import evaluate
from econmodel.economics.prices import Prices, resolve_prices
from econmodel.errors import AnalysisError
from econmodel.model.inputs import base_values
from econmodel.parameters.catalogue import CATEGORY
from econmodel.parameters.loading import load_base_case
from econmodel.programme.break_even import break_even, npv_at
from econmodel.programme.budget import run_budget
from econmodel.programme.capacity import savings
from econmodel.programme.downside import combine, downsides, favourable_budget, merge_clinical
from econmodel.programme.headline import headline, uncertainty
from econmodel.programme.inputs import ProgrammeInputs, read_inputs
from econmodel.programme.intake import programme_activity, without_operator
from econmodel.programme.money.payers import unit_money
from econmodel.programme.money.rows import Row
from econmodel.programme.report import ProgrammeResult, budget_years, programme_case
from econmodel.programme.sentences import lowered_margin, verdict
from econmodel.programme.views import own_view

PARAMETERS = load_base_case("us")
VALUES = base_values(PARAMETERS)
ROWS = [f"R{n}" for n in range(1, 21)]


@pytest.fixture(scope="module")
def inputs() -> ProgrammeInputs:
    return read_inputs(PARAMETERS, VALUES)


@pytest.fixture(scope="module")
def profiles() -> MonthlyProfiles:
    return monthly_profiles(PARAMETERS, 8)


@pytest.fixture(scope="module")
def prices() -> Prices:
    return resolve_prices(PARAMETERS, VALUES, untreated_fatal_share(PARAMETERS, VALUES))


def rerun_with(calls: list[dict[str, object]], profiles: MonthlyProfiles, prices: Prices) -> Callable[[dict[str, object]], Any]:
    """Stand-in for the caller's model: records what is asked and answers with the same activity and prices."""

    def rerun(overrides: dict[str, object]) -> tuple[MonthlyProfiles, Prices]:
        calls.append(overrides)
        return profiles, prices

    return rerun


@pytest.fixture(scope="module")
def case(inputs: ProgrammeInputs, profiles: MonthlyProfiles, prices: Prices) -> ProgrammeResult:
    return programme_case(inputs, profiles, prices, CATEGORY, rerun_with([], profiles, prices))


def test_closed_cohort_equals_the_cohort_model(inputs: ProgrammeInputs, profiles: MonthlyProfiles) -> None:
    """N patients at once under one strategy each: N x the model's yearly increments, counts and full cost."""
    pair = inputs.changed(current_mix={"watch": 1.0}, proposed_mix={"coil_and_glue": 1.0})
    starts = np.zeros((1, 60))
    starts[0, 0] = 40.0
    activity = programme_activity(pair, profiles, starts)
    model = evaluate(PARAMETERS, by_group=False)
    new, old = model.index("coil_and_glue"), model.index("watch")
    for year in range(1, 6):
        months = slice(12 * (year - 1), 12 * year)
        for name in ("first_bleeds", "rebleeds", "sessions", "icu_days", "surveillance_eus"):
            count = model.count(name, year)[0, :, 0] - (model.count(name, year - 1)[0, :, 0] if year > 1 else 0.0)
            found = activity.total(activity.change, name)[0, months].sum()
            assert found == pytest.approx(40 * (count[new] - count[old]), rel=1e-9, abs=1e-9), (name, year)


def test_closed_cohort_cost_equals_the_cohort_model(inputs: ProgrammeInputs, profiles: MonthlyProfiles, prices: Prices) -> None:
    """At full cost the programme's money is N x the model's undiscounted hospital cost, by year."""
    pair = inputs.changed(current_mix={"watch": 1.0}, proposed_mix={"glue": 1.0})
    starts = np.zeros((1, 60))
    starts[0, 0] = 40.0
    activity = programme_activity(pair, profiles, starts)
    full = unit_money(pair, prices, CATEGORY, activity.activities).full_cost
    monthly = np.einsum("dta,da->dt", activity.change, full)[0]
    model = evaluate(PARAMETERS, by_group=False)
    cost = model.cost(5, discounted=False, perspective="hospital")[0, :, 0]
    assert monthly.sum() == pytest.approx(40 * (cost[model.index("glue")] - cost[model.index("watch")]), rel=1e-9)


def test_document_is_json_with_every_row(case: ProgrammeResult) -> None:
    """Five years, eight quarters, R1 to R20 by name, headline, views, downside and sentences."""
    document = json.loads(json.dumps(case.to_json(), allow_nan=False))
    assert [y["year"] for y in document["years"]] == [1, 2, 3, 4, 5]
    assert len(document["quarters"]) == 8
    for period in (*document["years"], *document["quarters"]):
        assert set(ROWS) <= set(period)
    assert set(ROWS) <= set(document["rows"]) == set(Row)
    assert set(document["views"]) == {"per_episode", "block"}
    assert len(document["downside"]) == 24
    assert {
        "npv_cash",
        "irr_text",
        "payback_text",
        "peak_cash",
        "year_3_net_contribution",
        "patients_per_year",
        "bleeds_averted",
        "break_even_starts_per_year",
    } <= set(document["headline"])
    assert document["headline"]["npv_cash"] == pytest.approx(sum(y["R19_present_value"] for y in document["years"]))


def test_start_is_a_row_only_where_something_is_bought(inputs: ProgrammeInputs, profiles: MonthlyProfiles, prices: Prices) -> None:
    """Equipment bought at the start shows as year 0, and the present value still adds up."""
    bought = budget_years(run_budget(inputs.changed(capital_basis="purchase"), profiles, prices, CATEGORY))
    assert bought[0].year == 0
    assert bought[0].rows[Row.CAPITAL] == pytest.approx(295_000)


def test_views_are_the_two_payment_rules(case: ProgrammeResult) -> None:
    """A block pays no income and loses none; per episode an averted bleed lowers this hospital's margin."""
    found = case
    assert found is not None
    block, episode = (found.views[name].to_json() for name in ("block", "per_episode"))
    assert block["totals"]["R4"] == block["totals"]["R8"] == block["totals"]["R9"] == 0
    assert block["totals"]["R7"] == pytest.approx(episode["totals"]["R7"])
    assert episode["averted_bleed_lowers_margin"] is True
    assert episode["neutral_refill_per_refilled_day"] > episode["neutral_refill_at_full_refill"] > 0
    assert block["bleed_margin_per_bleed"] > 0 > episode["bleed_margin_per_bleed"]


def test_downside_changes_what_it_says(case: ProgrammeResult) -> None:
    """Each row moves the way its label says; the three worst together are below each of the three."""
    found = case
    assert found is not None
    rows = {row.key: row for row in found.downside}
    base = headline(case.budget)
    assert rows["volume_half"].patients_per_year < 0.7 * base.patients_per_year
    assert rows["delay_12_months"].patients_per_year < base.patients_per_year
    assert rows["new_capital"].npv_cash < base.npv_cash - 200_000
    assert rows["payment_less_20"].npv_cash < base.npv_cash
    assert rows["refill_zero"].npv_cash < base.npv_cash
    assert rows["cost_more_20"].npv_cash < base.npv_cash
    assert rows["surveillance_unpaid"].npv_cash < base.npv_cash
    alone = [row.npv_cash for row in found.downside[:-1]]
    assert alone == sorted(alone)
    assert rows["stopped_month_12"].patients_per_year < rows["delay_12_months"].patients_per_year
    together = rows["three_worst"]
    assert len(together.worst) == 3
    assert "stopped_month_12" not in together.worst
    assert together.npv_cash < min(rows[key].npv_cash for key in together.worst)


def test_an_absent_operator_moves_sessions_and_loses_examinations() -> None:
    """Months 3 and 4 of six: their session moves two months on, their examination is never done, other care is not touched."""
    inputs = SimpleNamespace(absent=slice(2, 4), n_absence_months=2, covered=False)
    names = ("session_eus", "surveillance_eus", "surveillance_ct")
    proposed = np.ones((1, 6, 3))
    found = without_operator(inputs, names, proposed)  # type: ignore[arg-type]
    np.testing.assert_array_equal(found[0].T, [[1, 1, 0, 0, 2, 2], [1, 1, 0, 0, 1, 1], [1] * 6])
    assert without_operator(SimpleNamespace(absent=slice(0, 0), n_absence_months=0, covered=False), names, proposed) is proposed  # type: ignore[arg-type]


def test_clinical_rows_ask_for_new_activity(inputs: ProgrammeInputs, profiles: MonthlyProfiles, prices: Prices) -> None:
    """Each clinical row asks the model once, for its own overrides; combinations join scenarios."""
    calls: list[dict[str, object]] = []
    programme_case(inputs, profiles, prices, CATEGORY, rerun_with(calls, profiles, prices))
    assert calls.count({"n_coils_coil": 6, "n_coils_coil_and_glue": 6}) >= 1
    assert {"hr_glue": 0.5} in calls
    scenarios = {s for call in calls for s in call.get("scenarios", ())}  # type: ignore[attr-defined]
    assert scenarios == {
        "coil_ratios_one",
        "low_untreated_risk",
        "beta_blocker_background",
        "effect_two_years",
        "no_usual_endoscopy",
        "dense_usual_endoscopy",
    }
    assert merge_clinical([{"scenarios": ("a",)}, {"hr_glue": 0.5}, {"scenarios": ("b",)}]) == {
        "hr_glue": 0.5,
        "scenarios": ("a", "b"),
    }
    assert len({row.key for row in downsides(inputs)}) == 23


def test_break_even_volume_brings_npv_to_zero(inputs: ProgrammeInputs, profiles: MonthlyProfiles, prices: Prices) -> None:
    """At the volume found the net present value in cash is zero; just below it is negative."""
    paid = run_budget(inputs.changed(ratio_payment=1.5), profiles, prices, CATEGORY)
    found = break_even(paid)
    assert found.searched is not None
    multiple = found.searched / found.expected
    at, below = npv_at(paid, np.array([multiple, multiple * 0.999]))
    assert at == pytest.approx(0.0, abs=1.0)
    assert below < 0


def test_textbook_break_even_is_that_of_a_budget_without_steps(
    inputs: ProgrammeInputs, profiles: MonthlyProfiles, prices: Prices
) -> None:
    """Fixed cost over contribution per start leaves out steps, rises and interest: without these the two agree."""
    rises = dict.fromkeys(("r_inflation", "r_escalator_pay", "r_escalator_devices", "r_escalator_tariff"), 0.0)
    plain = inputs.changed(n_spare_sessions=1e6, n_spare_surveillance=1e6, discount_finance=0.0, n_settlement_days=0.0, **rises)
    found = break_even(run_budget(plain, profiles, prices, CATEGORY))
    assert found.searched is not None
    assert found.textbook == pytest.approx(found.searched, rel=1e-6)


def test_break_even_can_be_out_of_reach(inputs: ProgrammeInputs, profiles: MonthlyProfiles, prices: Prices) -> None:
    """Where each start loses money no volume breaks even, and the text says so."""
    block = run_budget(inputs.changed(margin_everywhere=0.0), profiles, prices, CATEGORY)
    found = break_even(block)
    assert found.searched is None
    assert found.textbook is None
    assert "no volume" in found.text


def test_savings_are_three_kinds(case: ProgrammeResult) -> None:
    """Supplies are cash, beds are capacity, bleeds are quality; no block closes at this volume."""
    kinds = savings(case.budget).to_json()
    assert set(kinds) == {"cash_releasing", "capacity", "quality_only", "note"}
    assert kinds["cash_releasing"]["closable_bed_blocks"] == 0
    assert kinds["cash_releasing"]["supplies_and_agency_staff"] == pytest.approx(case.budget.totals["R7"][0])
    assert kinds["capacity"]["staff_time_not_released_as_cash"] == pytest.approx(case.budget.totals["RC"][0])
    assert kinds["quality_only"]["harms_added"]["deaths_procedure"] > 0


def test_sentences_say_the_uncomfortable(case: ProgrammeResult) -> None:
    """The averted bleed's margin, new equipment, capacity not cash, and the caution are all said."""
    text = " ".join(case.to_json()["sentences"])
    for words in (
        "loses the hospital",
        "would make it neutral; the input is",
        "New equipment does not pay",
        "capacity, not cash",
        "not advice for a patient",
    ):
        assert words in text
    signs = {view.headline.npv_cash >= 0 for view in case.views.values()}
    assert ("the answer depends on how the hospital is paid" in text) == (len(signs) > 1)


def test_time_freed_is_no_cash(case: ProgrammeResult, inputs: ProgrammeInputs, profiles: MonthlyProfiles, prices: Prices) -> None:
    """With every variable cost cash, cash alone is worth what cash and time were together; the verdict rests on cash."""
    shares = dict.fromkeys(("sessions", "visits", "harms", "bleeds", "aftercare"), 1.0)
    whole = run_budget(inputs.changed(**{f"share_cash_{k}": v for k, v in shares.items()}), profiles, prices, CATEGORY)
    assert (case.budget.inputs.share_tax == 0).all()
    assert case.budget.totals["RC"][0] > 0
    assert whole.totals["RC"][0] == 0
    assert whole.npv_cash[0] == pytest.approx(case.headline.npv_with_capacity)
    assert case.headline.npv_cash < case.headline.npv_with_capacity
    for cash, both, words in (
        (-2.0, -1.0, "does not pay for itself"),
        (-1.0, 1.0, "pays for itself only if the staff time it frees counts as money"),
        (1.0, 2.0, "pays for itself"),
    ):
        budget = replace(case.budget)
        vars(budget).update(npv_cash=np.array([cash]), npv_with_capacity=np.array([both]))
        assert verdict(budget) == words


def test_staff_who_are_there_are_counted_both_ways(inputs: ProgrammeInputs, profiles: MonthlyProfiles, prices: Prices) -> None:
    """Where half a session is the time of staff who are there, the programme takes that time and saves the cash."""
    base, own = (run_budget(inputs.changed(share_cash_sessions=share), profiles, prices, CATEGORY) for share in (1.0, 0.5))
    moved = own.totals["RC"][0] - base.totals["RC"][0]
    assert moved < 0
    assert own.totals["R5"][0] - base.totals["R5"][0] == pytest.approx(moved)
    assert own.npv_with_capacity[0] == pytest.approx(base.npv_with_capacity[0])


@pytest.mark.parametrize("kind", ["embolism", "sepsis", "ulcer_bleed"])
def test_a_complication_never_earns_money(inputs: ProgrammeInputs, profiles: MonthlyProfiles, prices: Prices, kind: str) -> None:
    """More complications cost cash, whatever is paid for them, unless the case says that their payment counts."""
    place = profiles.activities.index(kind)
    counts = profiles.counts.copy()
    counts[:, profiles.strategies.index("coil_and_glue"), :, place] += 0.001
    worse = replace(profiles, counts=counts)
    dear = Prices(prices.activities, prices.full_cost, prices.variable_share, 10 * prices.payment, prices.patient_cost)
    before, after = (run_budget(inputs, p, dear, CATEGORY).npv_cash[0] for p in (profiles, worse))
    assert after < before
    counted = inputs.changed(share_harms_paid=1.0)
    before, after = (run_budget(counted, p, dear, CATEGORY).npv_cash[0] for p in (profiles, worse))
    assert after > before  # negative control


def test_the_worst_together_each_add_something(
    case: ProgrammeResult, inputs: ProgrammeInputs, profiles: MonthlyProfiles, prices: Prices
) -> None:
    """Payments 20% lower add nothing under a block budget, so another row takes its place; all together are worst."""
    found = case
    assert found is not None
    worst = next(r for r in found.downside if r.key == "three_worst")
    assert len(worst.worst) == 3
    assert not {"payment_less_20", "view_block"} <= set(worst.worst)
    assert worst.npv_cash < min(r.npv_cash for r in found.downside if r.key != "three_worst")
    rows = {row.key: row for row in downsides(inputs)}
    for left_out in worst.worst:
        two = combine([rows[key] for key in worst.worst if key != left_out])
        assert run_budget(two.change(inputs), profiles, prices, CATEGORY).npv_cash[0] > worst.npv_cash or two.clinical


def test_a_mixture_of_payers_is_held_against_both_views(inputs: ProgrammeInputs, profiles: MonthlyProfiles, prices: Prices) -> None:
    """Half per episode, half block: both pure views are downside rows, and the table shows the budget as paid."""
    half = tuple(replace(p, paid_at_margin=0.5) for p in inputs.payers)
    mixed = inputs.changed(payers=half, payer_terms=())
    found = programme_case(mixed, profiles, prices, CATEGORY, rerun_with([], profiles, prices))
    document = found.to_json()
    assert list(document["views"]) == ["as_paid", "per_episode", "block"]
    assert document["basis"]["payment_view"] == "as_paid"
    assert document["views"]["as_paid"]["npv_cash"] == pytest.approx(found.budget.npv_cash[0])
    keys = [row["key"] for row in document["downside"]]
    assert {"view_per_episode", "view_block"} <= set(keys)
    assert own_view(inputs.changed(payer_terms=())) == "per_episode"


def test_a_block_budget_with_paid_refill_is_shown_as_it_is(inputs: ProgrammeInputs, profiles: MonthlyProfiles, prices: Prices) -> None:
    """The pure block view has no refill, so a block hospital with refill stands beside it; without, it is that view."""
    block = inputs.changed(payers=tuple(replace(p, paid_at_margin=0.0) for p in inputs.payers), payer_terms=())
    found = programme_case(block, profiles, prices, CATEGORY, rerun_with([], profiles, prices)).to_json()
    assert found["views"]["as_paid"]["npv_cash"] == pytest.approx(found["headline"]["npv_cash"])
    assert found["views"]["as_paid"]["npv_cash"] > found["views"]["block"]["npv_cash"]
    bare = programme_case(block.changed(share_bed_refill=0.0), profiles, prices, CATEGORY, rerun_with([], profiles, prices)).to_json()
    assert "as_paid" not in bare["views"]
    assert bare["views"]["block"]["npv_cash"] == pytest.approx(bare["headline"]["npv_cash"])


def test_averted_bleeds_are_told_in_cash(case: ProgrammeResult) -> None:
    """The margin of a bleed averted is the cash it saves less the payment it loses."""
    told = case.views["per_episode"]
    view, averted = told.to_json(), case.budget.totals["R3"][0]
    assert view["bleed_margin_per_bleed"] == pytest.approx((view["totals"]["R7"] - view["totals"]["R8"]) / averted)
    assert "loses the hospital 100 in cash" in lowered_margin(replace(told, bleed_margin=-100.0 * averted), "{:.0f}".format)


def test_favourable_is_never_below_the_base(inputs: ProgrammeInputs, profiles: MonthlyProfiles, prices: Prices) -> None:
    """Where each patient loses money, more patients are not favourable."""
    for changed in (
        inputs,
        inputs.changed(share_suitable=0.05),
        inputs.changed(payers=tuple(replace(p, paid_at_margin=0.0) for p in inputs.payers), payer_terms=()),
    ):
        start = run_budget(changed, profiles, prices, CATEGORY)
        assert favourable_budget(start, profiles, prices, CATEGORY).npv_cash[0] >= start.npv_cash[0] - 1e-6


def test_equal_mixes_are_no_programme(inputs: ProgrammeInputs, profiles: MonthlyProfiles, prices: Prices) -> None:
    """Nothing proposed: nothing pays, nothing waits, nobody is asked for money."""
    same = inputs.changed(proposed_mix=inputs.current_mix)
    document = programme_case(same, profiles, prices, CATEGORY, rerun_with([], profiles, prices)).to_json()
    assert not document["basis"]["is_change"]
    assert document["sentences"][0].startswith("Nothing is proposed")
    assert len(document["sentences"]) == 2


def test_a_programme_that_brings_bleeds_is_never_told_as_a_gain(
    inputs: ProgrammeInputs, profiles: MonthlyProfiles, prices: Prices
) -> None:
    """Mixes swapped: more bleeds are called more bleeds, and money from them no reason to start."""
    swapped = inputs.changed(proposed_mix={"watch": 1.0}, current_mix=inputs.proposed_mix)
    document = programme_case(swapped, profiles, prices, CATEGORY, rerun_with([], profiles, prices)).to_json()
    assert document["headline"]["bleeds_averted"] < 0
    text = " ".join(document["sentences"])
    assert document["headline"]["verdict"].endswith("more bleeds than today's mix")
    assert "pays for itself" not in text
    view = document["views"]["per_episode"]
    assert ("money that comes from harm is no reason to start" in text) == (view["bleed_margin"] > 0)
    assert "in cash: it costs more" not in text
    assert "loses the hospital" not in text


def test_sentences_change_with_the_facts(inputs: ProgrammeInputs, profiles: MonthlyProfiles, prices: Prices) -> None:
    """Where the payment is below the cost avoided, an averted bleed raises the margin, and that is said instead."""
    unpaid = {
        name: np.where(np.array([CATEGORY[a] == "bleeds" for a in prices.activities]), 0.05 * prices.payment, prices.payment)
        for name in ("payment",)
    }
    cheap = Prices(prices.activities, prices.full_cost, prices.variable_share, unpaid["payment"], prices.patient_cost)
    found = programme_case(inputs, profiles, cheap, CATEGORY, rerun_with([], profiles, prices))
    text = " ".join(found.to_json()["sentences"])
    assert "in cash: it costs more at the margin than it is paid" in text
    assert "loses the hospital" not in text


def test_chart_data_agree_with_the_budget(case: ProgrammeResult) -> None:
    """Every chart's table ends where the budget does."""
    cash = pd.DataFrame(case.frames["cumulative_cash"])
    assert list(cash.columns) == ["year", "base", "best", "worst"]
    assert cash["base"].iloc[-1] == pytest.approx(case.budget.totals["R18"][0])
    assert cash["worst"].iloc[-1] < cash["base"].iloc[-1] < cash["best"].iloc[-1]
    bleeds = pd.DataFrame(case.frames["bleeds"])
    averted = bleeds["cumulative_without"].iloc[-1] - bleeds["cumulative_with"].iloc[-1]
    assert averted == pytest.approx(case.budget.totals["R3"][0])
    assert len(case.frames["downside"]) == 25


def test_draws_give_intervals_and_a_fan(inputs: ProgrammeInputs, profiles: MonthlyProfiles, prices: Prices) -> None:
    """A batch gives the chance of a loss, intervals and a fan that contains its own median."""
    suitable = np.linspace(0.1, 0.9, 41)
    draws = run_budget(inputs.changed(share_suitable=suitable), profiles, prices, CATEGORY)
    spread = uncertainty(draws).to_json()
    assert spread["draws"] == 41
    assert spread["probability_cash_loss"] == pytest.approx((draws.npv_cash < 0).mean())
    assert spread["npv_cash"]["low"] < spread["npv_cash"]["median"] < spread["npv_cash"]["high"]
    found = programme_case(inputs, profiles, prices, CATEGORY, rerun_with([], profiles, prices), draws)
    fan = pd.DataFrame(found.frames["cumulative_cash"])
    assert (fan["q2.5"] <= fan["q50"]).all()
    assert (fan["q50"] <= fan["q97.5"]).all()
    assert found.to_json()["headline"]["probability_cash_loss"] == spread["probability_cash_loss"]


def test_a_batch_is_not_a_deterministic_case(inputs: ProgrammeInputs, profiles: MonthlyProfiles, prices: Prices) -> None:
    """The case needs one draw; profiles must cover the budget."""
    two = inputs.changed(share_suitable=np.array([0.5, 0.6]))
    with pytest.raises(AnalysisError, match="2 draws"):
        programme_case(two, profiles, prices, CATEGORY, rerun_with([], profiles, prices))
    with pytest.raises(AnalysisError, match="covers 96 months, the budget needs 120"):
        run_budget(inputs.changed(n_budget_years=10), profiles, prices, CATEGORY)
