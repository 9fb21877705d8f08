"""Payers, equipment, tax, working capital and capacity, each by hand."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from econmodel.errors import AnalysisError
from econmodel.model.inputs import base_values
from econmodel.parameters.loading import load_base_case
from econmodel.programme.capacity import beds
from econmodel.programme.cost_tables import CapitalItem
from econmodel.programme.input_tables import Payer, PayerTerm
from econmodel.programme.inputs import ProgrammeInputs, read_inputs
from econmodel.programme.money.capital import schedule_capital
from econmodel.programme.money.finance import nominal_rate, real_rate, tax_due, working_capital_increase
from econmodel.programme.money.payers import unit_money
from econmodel.programme.places import blocks_bought, outside_blocks

ACTIVITIES = ("sessions", "session_eus", "coil", "surveillance_eus", "bleed_survived")
CATEGORIES = {"session_eus": "prophylaxis", "coil": "prophylaxis", "surveillance_eus": "prophylaxis", "bleed_survived": "bleeds"}


@dataclass(frozen=True)
class Prices:
    """Price list, made up."""

    activities: tuple[str, ...]
    full_cost: np.ndarray
    variable_share: np.ndarray
    payment: np.ndarray


PRICES = Prices(
    ("bleed_survived", "coil", "session_eus", "surveillance_eus"),
    np.array([[10_000.0, 200.0, 2000.0, 1000.0]]),
    np.array([[0.5, 1.0, 0.4, 0.3]]),
    np.array([[8000.0, 0.0, 1500.0, 800.0]]),
)


@pytest.fixture(scope="module")
def base() -> ProgrammeInputs:
    parameters = load_base_case("us")
    return read_inputs(parameters, base_values(parameters)).changed(
        payers=(Payer("Public", 0.75, denial=0.1), Payer("Private", 0.25, payment_ratio=2.0)),
        payer_terms=(
            PayerTerm("Private", "prophylaxis", payment_ratio=3.0),
            PayerTerm("Private", "surveillance_eus", denial=0.5),
            PayerTerm("Public", "bleeds", paid_at_margin=0.2),
        ),
        share_physician_employed=0.0,
        share_device_tax=0.2,
    )


def test_payers_ratio_denial_and_margin(base: ProgrammeInputs) -> None:
    """A term for the activity adds to the term for its category; income is share x ratio x (1 - denial) x margin."""
    income = unit_money(base, PRICES, CATEGORIES, ACTIVITIES).income[0]
    session = 1500 * (0.75 * 0.9 + 0.25 * 3.0)
    surveillance = 800 * (0.75 * 0.9 + 0.25 * 3.0 * 0.5)
    bleed = 8000 * (0.75 * 0.9 * 0.2 + 0.25 * 2.0)
    np.testing.assert_allclose(income, [0, session, 0, surveillance, bleed])


def test_margin_everywhere_replaces_every_term(base: ProgrammeInputs) -> None:
    """Under a block nothing is paid at the margin; per episode everything is."""
    assert unit_money(base.changed(margin_everywhere=0.0), PRICES, CATEGORIES, ACTIVITIES).income.sum() == 0
    full = unit_money(base.changed(margin_everywhere=1.0), PRICES, CATEGORIES, ACTIVITIES).income[0, -1]
    assert full == pytest.approx(8000 * (0.75 * 0.9 + 0.25 * 2.0))


def test_device_tax_falls_on_devices_only(base: ProgrammeInputs) -> None:
    """Coils carry the tax; sessions do not."""
    cost = unit_money(base, PRICES, CATEGORIES, ACTIVITIES).variable_cost[0]
    np.testing.assert_allclose(cost, [0, 800, 240, 300, 5000])


def test_professional_fees_only_where_employed(base: ProgrammeInputs) -> None:
    """Half of the physicians employed brings half of the fee, through the same payers."""
    without = unit_money(base, PRICES, CATEGORIES, ACTIVITIES).income[0, 1]
    employed = base.changed(share_physician_employed=0.5, payment_professional_session=200.0)
    with_fee = unit_money(employed, PRICES, CATEGORIES, ACTIVITIES).income[0, 1]
    assert with_fee - without == pytest.approx(100 * (0.75 * 0.9 + 0.25 * 3.0))


def test_unknown_activity_of_a_term_and_missing_category(base: ProgrammeInputs) -> None:
    """A term for an activity that does not exist, and a priced activity without a category, are refused."""
    with pytest.raises(AnalysisError, match="'glu'"):
        unit_money(base.changed(payer_terms=(PayerTerm("Public", "glu"),)), PRICES, CATEGORIES, ACTIVITIES)
    with pytest.raises(AnalysisError, match="'coil' has no category"):
        unit_money(base, PRICES, {k: v for k, v in CATEGORIES.items() if k != "coil"}, ACTIVITIES)


ITEM = CapitalItem("Scope", 1000.0, 0, 0.1, life_years=3.0, salvage=100.0, age_years=1.0)
FLAT = np.ones((1, 6))


def by_year(monthly: np.ndarray) -> np.ndarray:
    return monthly[0].reshape(-1, 12).sum(axis=1)


def test_purchase_replaces_at_the_end_of_life() -> None:
    """Bought at the start, replaced after 3 years, both sold at salvage; 300 a year of depreciation."""
    schedule = schedule_capital([ITEM], "purchase", FLAT, closes=True)
    np.testing.assert_allclose(schedule.by_month[0, [0, 36, 60]], [1000.0, 900.0, -100.0])
    assert schedule.by_month.sum() == pytest.approx(1800.0)
    np.testing.assert_allclose(by_year(schedule.depreciation), [300, 300, 300, 300, 300])
    np.testing.assert_allclose(by_year(schedule.book_value)[:3] / 12, [850.0, 550.0, 250.0])


def test_existing_equipment_costs_only_its_replacement_at_the_share_of_use() -> None:
    """A scope one year old is replaced after two more years; a tenth of it is charged."""
    schedule = schedule_capital([ITEM], "existing", FLAT, closes=True)
    np.testing.assert_allclose(schedule.by_month[0, [0, 24, 60]], [0.0, 90.0, -10.0])
    np.testing.assert_allclose(by_year(schedule.use_charge), [30, 30, 0, 0, 0])
    np.testing.assert_allclose(by_year(schedule.depreciation), [0, 0, 30, 30, 30])


def test_replacement_price_follows_the_index() -> None:
    """A replacement in year 3 is bought and depreciated at the price of year 3."""
    index = 1.1 ** np.arange(6.0)[None, :]
    schedule = schedule_capital([ITEM], "purchase", index, closes=True)
    assert schedule.by_month[0, 36] == pytest.approx(1.1**3 * (1000 - 100))
    assert by_year(schedule.depreciation)[3] == pytest.approx(300 * 1.1**3)


def test_earlier_replacement_than_life() -> None:
    """An item replaced before the end of its life is depreciated over the life, sold when replaced."""
    item = CapitalItem("Scope", 1000.0, 0, 0.1, life_years=5.0, salvage=0.0, replace_after_years=4.0)
    schedule = schedule_capital([item], "purchase", FLAT, closes=True)
    np.testing.assert_allclose(schedule.by_month[0, [0, 48]], [1000.0, 1000.0])
    np.testing.assert_allclose(by_year(schedule.depreciation), 200.0)


def test_losses_go_forward() -> None:
    """A loss of 100 shelters the next 100 of profit."""
    due = tax_due(np.array([[-100.0, 60.0, 60.0, 50.0]]), np.array([0.25]))
    np.testing.assert_allclose(due, [[0.0, 0.0, 5.0, 12.5]])


def test_working_capital_is_a_share_of_the_change_in_income() -> None:
    """73 days is a fifth of a year, of twelve times a month's income; falling income frees cash, a closure the rest."""
    income, days = np.array([[100.0, 150.0, 120.0, 120.0]]), np.array([73.0])
    np.testing.assert_allclose(working_capital_increase(income, days, collected=True), [[240.0, 120.0, -72.0, -288.0]])
    np.testing.assert_allclose(working_capital_increase(income, days, collected=False), [[240.0, 120.0, -72.0, 0.0]])


def test_what_goes_on_is_worth_its_book_value() -> None:
    """Bought after 3 years for 1,000 and 600 depreciated by year 5: worth 400, not sold; one sold at the end of life is."""
    schedule = schedule_capital([ITEM], "purchase", FLAT, closes=False)
    np.testing.assert_allclose(schedule.by_month[0, [0, 36, 60]], [1000.0, 900.0, 0.0])
    np.testing.assert_allclose(schedule.closing_book, [400.0])
    ends = schedule_capital([ITEM], "purchase", FLAT[:, :4], closes=False)
    np.testing.assert_allclose([ends.by_month[0, 36], ends.closing_book[0]], [-100.0, 0.0])


def test_real_and_nominal_rates_are_inverse() -> None:
    """8% nominal at 2.5% inflation is 5.366% real, and back."""
    real = float(real_rate(0.08, 0.025))
    assert real == pytest.approx(1.08 / 1.025 - 1)
    assert float(nominal_rate(real, 0.025)) == pytest.approx(0.08)


def test_step_blocks_are_whole(base: ProgrammeInputs) -> None:
    """At the edge no block is added; one slot beyond adds a whole one."""
    inputs = base.changed(n_spare_sessions=10.0, n_sessions_per_block=20.0)
    slots = np.repeat(np.array([[10.0, 11.0, 30.0, 31.0]]) / 12, 12, axis=1)
    np.testing.assert_allclose(blocks_bought(inputs, {"endoscopy": slots})["endoscopy"], [[0, 1, 1, 2]])


def test_only_slots_within_lists_displace(base: ProgrammeInputs) -> None:
    """Of 31 slots with 10 spare the other 21 are in bought blocks; at 10, or where slots fall, all are in lists."""
    slots = np.repeat(np.array([[10.0, 31.0, -5.0]]) / 12, 12, axis=1)
    outside = outside_blocks(base.changed(n_spare_radiology=10.0), {"radiology": slots})
    np.testing.assert_allclose(outside[0, ::12] * 12, [10.0, 10.0, -5.0])


def test_beds_from_bed_days() -> None:
    """310.25 bed-days a year at 85% occupancy are one bed."""
    assert float(beds(np.array(310.25), np.array(0.85))) == pytest.approx(1.0)
