"""A three-year programme worked by hand.

One patient a month starts (12 a year, no growth, no backlog, slots to spare). Each start: one session in its first
month, one surveillance gastroscopy twelve months later. Under current care 0.2 bleeds in the first month and 0.1
twelve months later; under the proposal 0.1 and 0. So year-1 starters bring their surveillance and second bleeds
averted in year 2, and starters of year 2 their own first year beside it:

================================  ======  =======  =======
activity                          year 1  year 2   year 3
================================  ======  =======  =======
sessions                          12      12       12
surveillance                      0       12       12
bleeds averted                    1.2     2.4      2.4
bed-days released (8 a bleed)     9.6     19.2     19.2
slots of sessions                 12      12       12
slots of surveillance (at half)   0       6        6
================================  ======  =======  =======

Paid after 10% denial: session 900 x 0.9 = 810, surveillance 400 x 0.9 = 360, bleed 6,000 x 0.9 = 5,400. Variable cost:
session 1,000 x 0.4 = 400, surveillance 500 x 0.2 = 100, bleed 10,000 x 0.45 = 4,500, of which 80% is cash, 3,600, and 900
the time of staff.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy_financial
import pytest

from econmodel.model.inputs import base_values
from econmodel.parameters.loading import load_base_case
from econmodel.programme.break_even import break_even, npv_at
from econmodel.programme.budget import Budget, run_budget
from econmodel.programme.capacity import SlotsYear, posts_by_year, slots_by_year
from econmodel.programme.cost_tables import CapitalItem, FixedRow
from econmodel.programme.downside import downsides
from econmodel.programme.headline import headline
from econmodel.programme.input_tables import Contract, Payer, Site
from econmodel.programme.inputs import ProgrammeInputs, read_inputs
from econmodel.programme.site_budgets import PLACE_ROWS, money_by_place
from econmodel.programme.views import neutral_refill, own_view, view_inputs

ACTIVITIES = ("session_direct", "surveillance_egd", "bleed_survived", "sessions", "first_bleeds", "rebleeds")
CATEGORIES = {"session_direct": "prophylaxis", "surveillance_egd": "prophylaxis", "bleed_survived": "bleeds"}


@dataclass(frozen=True)
class Profiles:
    """Activity per start, made up."""

    activities: tuple[str, ...]
    strategies: tuple[str, ...]
    counts: np.ndarray


@dataclass(frozen=True)
class Prices:
    """Price list, made up."""

    activities: tuple[str, ...]
    full_cost: np.ndarray
    variable_share: np.ndarray
    payment: np.ndarray


def profiles() -> Profiles:
    counts = np.zeros((1, 2, 36, len(ACTIVITIES)))
    for strategy, month, activity, number in [
        (0, 0, "bleed_survived", 0.2),
        (0, 0, "first_bleeds", 0.2),
        (0, 12, "bleed_survived", 0.1),
        (0, 12, "rebleeds", 0.1),
        (1, 0, "bleed_survived", 0.1),
        (1, 0, "first_bleeds", 0.1),
        (1, 0, "session_direct", 1.0),
        (1, 0, "sessions", 1.0),
        (1, 12, "surveillance_egd", 1.0),
    ]:
        counts[0, strategy, month, ACTIVITIES.index(activity)] = number
    return Profiles(ACTIVITIES, ("none", "treat"), counts)


def prices() -> Prices:
    return Prices(
        tuple(CATEGORIES), np.array([[1000.0, 500.0, 10_000.0]]), np.array([[0.4, 0.2, 0.45]]), np.array([[900.0, 400.0, 6000.0]])
    )


def inputs(**changes: object) -> ProgrammeInputs:
    parameters = load_base_case("us")
    base = read_inputs(parameters, base_values(parameters))
    plain = {
        "n_budget_years": 3,
        "n_endoscoped": 0.0,
        "n_referred_in": 12.0,
        "n_treated_elsewhere": 0.0,
        "r_growth": 0.0,
        "n_backlog": 0.0,
        "n_start_delay_months": 0,
        "n_session_slots": 100.0,
        "ramp": (1.0,),
        "current_mix": {"none": 1.0},
        "proposed_mix": {"treat": 1.0},
        "payers": (Payer("All", 1.0, denial=0.1),),
        "payer_terms": (),
        "share_physician_employed": 0.0,
        "share_device_tax": 0.0,
        "c_coordinator": 1000.0,
        "c_service_contract": 200.0,
        "c_training": 600.0,
        "c_exit": 0.0,
        "n_spare_sessions": 11.0,
        "n_sessions_per_block": 5.0,
        "c_session_block": 500.0,
        "n_spare_surveillance": 4.0,
        "n_surveillance_per_block": 7.0,
        "c_surveillance_block": 500.0,
        "n_slots_surveillance": 0.5,
        "share_sessions_displacing": 0.25,
        "c_displaced_contribution": 300.0,
        "share_bed_refill": 0.5,
        "c_refill_contribution": 200.0,
        "n_stay_days": 8.0,
        "share_cash_bleeds": 0.8,
        "n_settlement_days": 36.5,
        "share_tax": 0.2,
        "discount_finance": 0.10,
        "r_inflation": 0.0,
        "r_escalator_pay": 0.0,
        "r_escalator_devices": 0.0,
        "r_escalator_tariff": 0.0,
        "capital_basis": "purchase",
        "at_end": "closure",
        "capital": (CapitalItem("Scope", 3000.0, 0, 0.05, life_years=4.0, salvage=600.0),),
    }
    return base.changed(**(plain | changes))


@pytest.fixture(scope="module")
def budget() -> Budget:
    return run_budget(inputs(), profiles(), prices(), CATEGORIES)


BY_HAND = {
    "R1": [0, 12, 12, 12],
    "R2": [0, 12, 12, 12],
    "R3": [0, 1.2, 2.4, 2.4],
    "R4": [0, 9720, 14040, 14040],  # 12 x 810; + 12 x 360
    "R5": [0, 4800, 6000, 6000],  # 12 x 400; + 12 x 100
    "R6": [0, 4920, 8040, 8040],
    "R7": [0, 4320, 8640, 8640],  # bleeds averted x 3,600
    "R8": [0, 6480, 12960, 12960],  # bleeds averted x 5,400
    "R9": [0, 960, 1920, 1920],  # days x 0.5 x 200
    "R10": [0, 825, 1125, 1125],  # slots outside bought blocks, 11 and 11 + 4, x 0.25 x 300
    "R11": [0, 2895, 4515, 4515],  # R6 + R7 - R8 + R9 - R10
    "R12": [0, 500, 1000, 1000],  # ceil((12 - 11) / 5) = 1 block of sessions; ceil((6 - 4) / 7) = 1 of surveillance
    "R13": [0, 1800, 1200, 1200],  # 1,000 + 200, and 600 once
    "R14": [0, 595, 2315, 2315],
    "R15": [0, 0, 342, 343],  # 20% of (R14 - depreciation (3,000 - 600) / 4 = 600), a loss of 5 carried forward
    "R16": [0, 324, -216, -108],  # tenth of the change in R4 - R8, 3,240 a year, then 1,080; 108 released
    "R17": [3000, 0, 0, -600],
    "R18": [-3000, 271, 2189, 2680],  # R14 - R15 - R16 - R17
    "R17r": [0, 0, 0, 0],  # sold
    "R17d": [0, 0, 0, 0],  # no month after the third year is known: none is owed
    "R19": [-3000, -2729, -540, 2140],
    "RC": [0, 1080, 2160, 2160],  # bleeds averted x 900
    "R20": [0, 9.6, 19.2, 19.2],
}


@pytest.mark.parametrize("row", BY_HAND)
def test_every_row_by_hand(budget: Budget, row: str) -> None:
    """Each row equals the arithmetic of the module docstring."""
    np.testing.assert_allclose(budget.years[row][0], BY_HAND[row], atol=1e-9)


def cash_by_month() -> np.ndarray:
    """Net cash at the start and in each month: R11, R12 and running cost even over the year, the rest in a month of its own."""
    first, later = (2895 - 500 - 1200) / 12, (4515 - 1000 - 1200) / 12
    flows = np.array([-3000.0, *[first] * 12, *[later] * 24])
    for month, amount in [(1, -600 - 324), (13, 216), (24, -342), (36, -343 + 108 + 600)]:
        flows[month] += amount
    return flows


def test_present_value_by_hand(budget: Budget) -> None:
    """Each month's cash at the end of its month; time freed, 90 and then 180 a month, stands beside it."""
    factors = 1.1 ** (-np.arange(37) / 12)
    by_hand = float((cash_by_month() * factors).sum())
    freed = float((np.repeat([90.0, 180.0, 180.0], 12) * factors[1:]).sum())
    np.testing.assert_allclose(budget.flows[0], cash_by_month(), atol=1e-9)
    assert budget.npv_cash[0] == pytest.approx(by_hand, abs=1e-9)
    assert budget.years["R19_present_value"].sum() == pytest.approx(by_hand, abs=1e-9)
    assert budget.npv_with_capacity[0] == pytest.approx(by_hand + freed, abs=1e-9)


def test_months_of_the_budget_against_numpy_financial(budget: Budget) -> None:
    """Net present value, with capacity too, and the rate of return of its months equal those of numpy-financial 1.0."""
    month, freed = 1.1 ** (1 / 12) - 1, np.append(0.0, budget.months["RC"][0])
    flows = budget.flows_with_end[0]
    assert budget.npv_cash[0] == pytest.approx(numpy_financial.npv(month, flows), rel=1e-12)
    assert budget.npv_with_capacity[0] == pytest.approx(numpy_financial.npv(month, flows + freed), rel=1e-12)
    found = headline(budget).irr
    assert found == pytest.approx((1 + numpy_financial.irr(flows)) ** 12 - 1, abs=1e-9)
    assert budget.npv_cash[0] != pytest.approx(numpy_financial.npv(0.1 / 12, flows), rel=1e-3)  # a nominal rate by twelve


def test_monthly_discounting_against_the_closed_form(budget: Budget) -> None:
    """Time freed, 90 a month for a year and 180 for two more: annuities of 12 and 24 months, the second put off by 12."""

    def annuity(months: int) -> float:
        return float((1 - 1.1 ** (-months / 12)) / (1.1 ** (1 / 12) - 1))

    closed = 90 * annuity(12) + 180 * annuity(24) / 1.1
    assert budget.npv_with_capacity[0] - budget.npv_cash[0] == pytest.approx(closed, rel=1e-12)
    assert closed != pytest.approx(12 * (90 / 1.1 + 180 / 1.1**2 + 180 / 1.1**3), rel=0.01)  # whole years at their ends


def test_a_going_concern_by_hand(budget: Budget) -> None:
    """108 stay owed; the scope is not sold for 600 but worth 3,000 - 3 x 600 = 1,200, after net cash and in present value alone."""
    going = run_budget(inputs(at_end="going_concern"), profiles(), prices(), CATEGORIES)
    np.testing.assert_allclose(going.years["R16"][0], [0, 324, -216, 0], atol=1e-9)
    np.testing.assert_allclose(going.years["R18"][0], [-3000, 271, 2189, 2680 - 108 - 600], atol=1e-9)
    np.testing.assert_allclose(going.years["R17r"][0], [0, 0, 0, 1200])
    assert going.npv_cash[0] == pytest.approx(budget.npv_cash[0] + (1200 - 600 - 108) * 1.1**-3, abs=1e-9)
    assert going.after_the_end.debtors[0] == pytest.approx(108 * 1.1**-3)
    assert headline(going).payback_years == headline(budget).payback_years


def test_a_closure_owes_its_follow_up_and_pays_its_exit() -> None:
    """Starters of year 3 are seen once more, 12 months after their start: 12 x (100 + 0.5 x 0.25 x 300), unpaid; 700 of exit."""
    longer = profiles()
    longer = Profiles(longer.activities, longer.strategies, np.pad(longer.counts, [(0, 0), (0, 0), (0, 12), (0, 0)]))
    unpaid = {"payers": (Payer("All", 1.0, denial=1.0),), "n_settlement_days": 0.0, "share_tax": 0.0, "c_exit": 700.0}
    free, closed = (run_budget(inputs(n_duty_months=months, **unpaid), longer, prices(), CATEGORIES) for months in (0, 12))
    owed = sum((100 + 0.5 * 0.25 * 300) * 1.1 ** (-month / 12) for month in range(37, 49))
    assert free.npv_cash[0] - closed.npv_cash[0] == pytest.approx(owed, abs=1e-9)
    assert closed.after_the_end.duty[0] == pytest.approx(owed, abs=1e-9)
    going = run_budget(inputs(at_end="going_concern", **unpaid), longer, prices(), CATEGORIES)
    assert closed.months["R13"][0, -1] - going.months["R13"][0, -1] == pytest.approx(700.0)
    assert going.after_the_end.duty[0] == pytest.approx(owed, abs=1e-9)
    assert going.months["R17d"].sum() == 0


def test_payback_and_peak_cash_by_hand(budget: Budget) -> None:
    """Cash turns in year 3, 540 / 192.92 months after its start; it is lowest after month 1: training and what payers owe."""
    assert headline(budget).payback_years == pytest.approx(2 + 540 / (2315 / 12) / 12)
    assert budget.peak_cash[0] == pytest.approx(-3000 + 1195 / 12 - 600 - 324)


def test_memo_lines_by_hand(budget: Budget) -> None:
    """Reported surplus = R14 - depreciation 600 - capital charge on the mean book value - tax."""
    book = np.array([2700.0, 2100.0, 1500.0])
    surplus = np.array([595, 2315, 2315]) - 600 - 0.03 * book - np.array([0, 342, 343])
    np.testing.assert_allclose(budget.memo.depreciation[0], [0, 600, 600, 600])
    np.testing.assert_allclose(budget.memo.reported_surplus[0, 1:], surplus)
    full = 12 * 1000 + np.array([0, 12, 12]) * 500 + np.array([500, 1000, 1000]) + np.array([1800, 1200, 1200])
    np.testing.assert_allclose(budget.memo.absorbed_full_cost[0, 1:], full + 600 + 0.03 * book)
    np.testing.assert_allclose(budget.memo.session_slots[0], [0, 12, 18, 18])


def test_neutral_refill_by_hand(budget: Budget) -> None:
    """A bleed averted loses 5,400 - 3,600 = 1,800 and frees 8 days: 225 a day released, 450 a refilled day at half."""
    neutral = neutral_refill(budget)
    assert neutral.at_full_refill == pytest.approx(225.0)
    assert neutral.per_refilled_day == pytest.approx(450.0)


@pytest.mark.parametrize("changes", [{}, {"cash_basis": "real", "r_inflation": 0.1, "r_escalator_tariff": 0.05}])
def test_neutral_refill_makes_the_averted_bleeds_neutral(changes: dict[str, object]) -> None:
    """Put back as the input, it makes R7 - R8 + R9 zero, in nominal money and in real."""
    needed = neutral_refill(run_budget(inputs(**changes), profiles(), prices(), CATEGORIES)).per_refilled_day
    neutral = run_budget(inputs(c_refill_contribution=needed, **changes), profiles(), prices(), CATEGORIES)
    assert changes or needed == pytest.approx(450.0)
    totals = neutral.totals
    assert totals["R7"] - totals["R8"] + totals["R9"] == pytest.approx(0.0, abs=1e-9)


def test_textbook_break_even_by_hand(budget: Budget) -> None:
    """(4,200 / 3 + annualised (3,000 - 600 / 1.331)) / (11,925 / 36 starts)."""
    capital = (3000 - 600 / 1.331) / ((1 - 1.1**-3) / 0.1)
    found = break_even(budget)
    assert found.contribution_per_start == pytest.approx(11_925 / 36)
    assert found.textbook == pytest.approx((1400 + capital) / (11_925 / 36))
    assert found.expected == pytest.approx(12.0)


def test_starting_month_of_equipment_moves_its_year() -> None:
    """Equipment bought in month 1 is paid in year 1, not at the start."""
    item = CapitalItem("Scope", 3000.0, 1, 0.05, life_years=4.0, salvage=600.0)
    later = run_budget(inputs(capital=(item,)), profiles(), prices(), CATEGORIES)
    np.testing.assert_allclose(later.years["R17"][0], [0, 3000, 0, -600])


def contracted(variable: float, floor: float = 0.0, cap: float = np.inf, **changes: object) -> Budget:
    """The example under one contract for all it does: added value 3,240 in year 1, then 1,080, on a plan of 10,000."""
    contract = Contract("All", ("prophylaxis", "bleeds"), (10_000.0,), (10_000.0,), variable, floor, cap)
    return run_budget(inputs(contracts=(contract,), **changes), profiles(), prices(), CATEGORIES)


def test_a_contract_that_pays_all_beyond_its_plan_is_fully_variable(budget: Budget) -> None:
    """Variable share 1 and no cap: every row is that of payment per episode."""
    for row, values in contracted(1.0).months.items():
        np.testing.assert_allclose(values, budget.months[row], atol=1e-9)


def test_a_contract_held_to_its_plan_pays_nothing_at_the_margin() -> None:
    """Floor and cap at the plan: no income moves, and every other row stays."""
    found = contracted(1.0, floor=1.0, cap=1.0)
    assert not any(np.any(found.months[row]) for row in ("R4", "R4s", "R8", "R16"))
    np.testing.assert_allclose(found.years["R11"][0], np.array(BY_HAND["R11"]) - BY_HAND["R4"] + BY_HAND["R8"])


def test_a_contract_by_hand(budget: Budget) -> None:
    """Half of 3,240 and of 1,080 is 1,620 and 540; a cap 10% above the plan leaves 1,000 of the first, a share of 1,000 / 3,240."""
    share = np.array([0, 1000 / 3240, 0.5, 0.5])
    found = contracted(0.5, cap=1.1)
    np.testing.assert_allclose(found.years["R4"][0], share * BY_HAND["R4"])
    np.testing.assert_allclose(found.years["R8"][0], share * BY_HAND["R8"])
    np.testing.assert_allclose(found.years["R4"] - found.years["R8"], [[0, 1000, 540, 540]])
    assert own_view(found.inputs) == "as_paid"
    assert run_budget(view_inputs(found.inputs, "per_episode"), profiles(), prices(), CATEGORIES).npv_cash == budget.npv_cash


def test_a_contract_is_settled_anew_at_another_volume() -> None:
    """Twice the patients: the first year still brings 1,000, the others twice as much; break-even runs through the contract."""
    twice = contracted(0.5, cap=1.1, n_referred_in=24.0)
    np.testing.assert_allclose(twice.years["R4"] - twice.years["R8"], [[0, 1000, 1000, 1000]])
    assert npv_at(contracted(0.5, cap=1.1), np.array([2.0]))[0] == pytest.approx(twice.npv_cash[0])


def test_an_employed_physician_brings_a_fee_and_a_cost() -> None:
    """Half employed, 12 sessions and 12 examinations: 0.9 x 0.5 x 12 x (100 + 40) more income, 0.5 x 12 x (60 + 30) more cost."""
    work = {"payment_professional_session": 100.0, "payment_professional_surveillance": 40.0, "payment_professional_bleed": 0.0}
    pay = {"c_physician_session": 60.0, "c_physician_surveillance": 30.0, "c_physician_bleed": 0.0}
    found = run_budget(inputs(share_physician_employed=0.5, **work, **pay), profiles(), prices(), CATEGORIES)
    assert found.years["R4"][0, 2] - BY_HAND["R4"][2] == pytest.approx(0.45 * 12 * 140)
    assert found.years["R5"][0, 2] - BY_HAND["R5"][2] == pytest.approx(0.5 * 12 * 90)


def test_slots_by_place_and_year(budget: Budget) -> None:
    """Of 100 slots for sessions 12 are taken, one of them in a block; surveillance has 4 slots, and a block of 7 from year 2."""
    first, second, _ = slots_by_year(budget)
    assert first == {
        "endoscopy": SlotsYear(12.0, 100.0, 1.0),
        "radiology": SlotsYear(0.0, float(budget.inputs.n_radiology_slots[0]), 0.0),
        "surveillance": SlotsYear(0.0, 4.0, 0.0),
    }
    assert second["surveillance"] == SlotsYear(6.0, 11.0, 1.0)


def test_posts_by_year() -> None:
    """A fifth of a post coordinates, each block takes 0.3, and a nurse of the site's own is half a post from month 19 on."""
    nurse = FixedRow("Nurse", 20_000.0, month=19, wte=0.5)
    posts = {"n_posts_coordinator": 0.2, "n_posts_block": 0.3, "fixed_costs": (nurse,)}
    found = posts_by_year(run_budget(inputs(**posts), profiles(), prices(), CATEGORIES))
    np.testing.assert_allclose(found, [[0.2 + 0.3, 0.2 + 0.6 + 0.25, 0.2 + 0.6 + 0.5]])


def test_a_partner_by_hand(budget: Budget) -> None:
    """North sends 6 of 12, admits half of their bleeds, 0.3 averted, then 0.6, and pays 200 a start. South keeps and pays nothing."""
    sites = (Site("North", 6.0, 0.5, 1.0, 200.0), Site("South", 6.0, 0.0, 0.0, 0.0))
    hub, north, south, together = money_by_place(run_budget(inputs(sites=sites), profiles(), prices(), CATEGORIES))
    by_hand = {
        "R7": [0, 1080, 2160, 2160],  # bleeds averted x 3,600
        "R8": [0, 1620, 3240, 3240],
        "R9": [0, 240, 480, 480],  # 2.4 and 4.8 bed-days x 0.5 x 200
        "R11t": [0, -1200, -1200, -1200],
        "R11": [0, -1500, -1800, -1800],
        "R16": [0, -162, -162, 324],
        "R18": [0, -1338, -1638, -2124],
        "R20": [0, 2.4, 4.8, 4.8],
    }
    for row, values in by_hand.items():
        np.testing.assert_allclose(north.years[row][0], values, atol=1e-9)
    assert not any(np.any(south.years[row]) for row in PLACE_ROWS)
    np.testing.assert_allclose(hub.years["R11t"][0], [0, 1200, 1200, 1200])
    np.testing.assert_allclose(together.years["R11t"], 0.0, atol=1e-9)
    for row in ("R4", "R5", "R7", "R8", "R9", "R10", "R11", "R12", "R13", "R17", "R20"):
        np.testing.assert_allclose(together.years[row], budget.years[row], atol=1e-9)
    factors = 1.1 ** (-np.arange(1, 37) / 12)
    monthly = np.repeat([-1500 / 12, -1800 / 12, -1800 / 12], 12)
    monthly[[0, 12, 35]] += [162, 162, -324]
    assert north.npv_cash[0] == pytest.approx(float((monthly * factors).sum()), abs=1e-9)


def test_the_backlog_is_the_hubs_own() -> None:
    """24 of the hub's own wait with North's 1 a month for one slot a month: 1 of 9 ready starts first, more as the backlog is done."""
    sites = (Site("North", 12.0, 0.0, 0.0, 100.0),)
    change = {"n_backlog": 24.0, "n_backlog_quarters": 1, "n_session_slots": 12.0, "sites": sites}
    found = run_budget(inputs(**change), profiles(), prices(), CATEGORIES)
    paid = found.months["R11t"][0]
    np.testing.assert_allclose(found.months["R1"], 1.0)
    assert paid[0] == pytest.approx(100 / 9)
    assert 0 < paid[-1] < 100
    assert found.years["R11t"][0, 1] < found.years["R11t"][0, 3]


def test_a_covered_absence_by_hand(budget: Budget) -> None:
    """Away in months 13 to 18: 6 sessions and 6 half slots go on, 9 x 80 more of step cost; uncovered, their income is gone."""
    away = {"n_absence_start_month": 13, "n_absence_months": 6}
    covered, gone = (run_budget(inputs(covered=c, c_cover_slot=80.0, **away), profiles(), prices(), CATEGORIES) for c in (True, False))
    np.testing.assert_allclose(covered.years["R12"][0], [0, 500, 1000 + 720, 1000])
    np.testing.assert_allclose(covered.years["R11"], budget.years["R11"])
    assert gone.years["R4s"][0, 2] == pytest.approx(6 * 360)
    np.testing.assert_allclose(gone.months["R1"][0, 12:18], 0.0)


def test_overtime_pays_for_every_slot(budget: Budget) -> None:
    """Session slots 12 x 1.5 x 500 / 5, from year 2 surveillance 6 x 1.5 x 500 / 7 in whole slots; nothing else is displaced."""
    (row,) = [row for row in downsides(budget.inputs) if row.key == "overtime"]
    found = run_budget(row.change(budget.inputs), profiles(), prices(), CATEGORIES)
    np.testing.assert_allclose(found.years["R12"][0], [0, 1800, 1800 + 4500 / 7, 1800 + 4500 / 7])
    np.testing.assert_allclose(found.years["R10"], 0.0, atol=1e-9)
