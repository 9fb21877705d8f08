"""Paths by year: equal to the base they change nothing, and what is given holds and is escalated; by hand on the worked example."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from test_programme_worked_example import CATEGORIES, inputs, prices, profiles

from econmodel.model.inputs import base_values
from econmodel.package import params_folder
from econmodel.parameters import load_case
from econmodel.programme.budget import Budget, run_budget
from econmodel.programme.downside import downsides
from econmodel.programme.input_tables import Contract, Payer
from econmodel.programme.inputs import read_inputs
from econmodel.programme.money.levels import price_indices
from econmodel.programme.paths import PRICED, PathPoint

RISES = {"r_escalator_pay": 0.02, "r_escalator_devices": 0.1, "r_escalator_tariff": 0.04}
FIRST = 2024
BASE = {"c_session_direct": 1000.0, "payment_surveillance_egd": 400.0, "c_bleed_survived": 10_000.0, "c_coordinator": 1000.0}
BASE |= {"c_refill_contribution": 200.0, "c_session_block": 500.0, "n_spare_sessions": 11.0, "r_escalator_tariff": 0.04}
BASE |= {"c_displaced_contribution": 300.0, "n_session_slots": 100.0}


def point(name: str, year: int, value: float) -> PathPoint:
    return PathPoint(name, FIRST + year - 1, value, base=BASE[name], activities=PRICED.get(name, ("", ()))[1])


def run(*paths: PathPoint, **changes: object) -> Budget:
    return run_budget(inputs(**RISES, paths=paths, **changes), profiles(), prices(), CATEGORIES)


@pytest.fixture(scope="module")
def plain() -> Budget:
    return run()


def test_a_path_of_the_base_changes_nothing(plain: Budget) -> None:
    """Every input with its own value in every year's money: every row, by month, to 1e-12."""
    levels = price_indices(plain.inputs)
    follows = {"c_session_direct": levels.mixed, "c_bleed_survived": levels.mixed, "payment_surveillance_egd": levels.tariff}
    follows |= {"c_coordinator": levels.pay, "c_session_block": levels.pay, "c_refill_contribution": levels.tariff}
    follows |= {"c_displaced_contribution": levels.tariff}
    paths = [
        point(name, year, value * (follows[name][0, year] if name in follows else 1.0))
        for name, value in BASE.items()
        for year in ((2, 3) if name.startswith("r_") else (1, 2, 3))
    ]
    found = run(*paths)
    for row, values in plain.months.items():
        np.testing.assert_allclose(found.months[row], values, rtol=1e-12, atol=1e-9, err_msg=row)
    np.testing.assert_allclose(found.npv_cash, plain.npv_cash, rtol=1e-12)


def test_a_value_holds_in_its_year_s_money_and_rises_after_it() -> None:
    """A session of 1,000 costs 500 in year 2: 12 x 500 x 0.4 then, and the same with its escalator in year 3; before it, as ever."""
    mixed = price_indices(inputs(**RISES)).mixed[0]
    found = run(point("c_session_direct", 2, 500.0)).years["R5"][0] - run(point("c_session_direct", 2, 0.0)).years["R5"][0]
    np.testing.assert_allclose(found[1:], [0.0, 12 * 500 * 0.4, 12 * 500 * 0.4 * mixed[3] / mixed[2]], atol=1e-9)


def test_a_path_halved_in_its_last_year_is_escalated_after() -> None:
    """Payment for surveillance halved in year 2 of three: income on it is halved in year 2, and in year 3 too."""
    whole, half = (run(point("payment_surveillance_egd", 2, value)).years["R4s"][0] for value in (400.0, 200.0))
    np.testing.assert_allclose(half[2:], whole[2:] / 2)
    np.testing.assert_allclose(whole[3] / whole[2], 1.04)


def test_an_escalator_by_year() -> None:
    """Payments rise by 10% into year 3 in place of 4%; a year before it is untouched."""
    found = price_indices(inputs(**RISES, paths=(point("r_escalator_tariff", 3, 0.1),))).tariff[0]
    np.testing.assert_allclose(found, [1.0, 1.0, 1.04, 1.04 * 1.1])


def test_slots_by_year() -> None:
    """Half a slot a month from year 2: six start then, whatever starts before it."""
    found = run(point("n_session_slots", 2, 6.0))
    np.testing.assert_allclose(found.intake.starts[0, :12], 1.0)
    np.testing.assert_allclose(found.intake.starts[0, 12:], 0.5)


def test_shares_of_payers_by_year() -> None:
    """Who pays half of the list takes over in year 3: income is halved there alone, at the margin and within a contract."""
    payers = (Payer("All", 1.0, denial=0.1), Payer("New", 0.0, denial=0.1, payment_ratio=0.5))
    moved = (PathPoint("payers", FIRST + 2, 0.0, "All"), PathPoint("payers", FIRST + 2, 1.0, "New"))
    contracts = tuple(Contract(name, ("prophylaxis",), (0.0,), (0.0,), variable=1.0) for name in ("All", "New"))
    for own in ((), contracts):
        before, after = (run(*paths, payers=payers, contracts=own).years["R4"][0] for paths in ((), moved))
        np.testing.assert_allclose(after, before * [1, 1, 1, 0.5])


def test_a_downside_factor_multiplies_a_path() -> None:
    """Payments 20% lower take a fifth of what a path gives, as of any other."""
    path = point("payment_surveillance_egd", 2, 700.0)
    lower = next(row for row in downsides(inputs()) if row.key == "payment_less_20")
    found = run(path)
    worse = run_budget(lower.change(found.inputs), profiles(), prices(), CATEGORIES)
    np.testing.assert_allclose(worse.years["R4s"], 0.8 * found.years["R4s"])


def test_draws_move_a_path_in_proportion() -> None:
    """Where an input is drawn at half its value, so is its path; one of 0 keeps the value given."""
    path = point("c_coordinator", 2, 3000.0)
    found = run(path, c_coordinator=np.array([1000.0, 500.0])).years["R13"] - run(path, c_coordinator=0.0).years["R13"]
    np.testing.assert_allclose(found[1], found[0] / 2)


def test_a_path_is_read_with_its_case() -> None:
    """A mean of bleeds moves the prices that follow from it alone; a price the case has not is refused where it stands."""
    case = load_case(params_folder() / "hospitals" / "demo_uk.toml").parameters
    year = int(case.number("first_year"))

    def laid(name: str) -> tuple[PathPoint, ...]:
        table = ({"input": name, "year": year, "value": 9000.0},)
        changed = replace(case, parameters=case.parameters | {"paths": replace(case["paths"], table=table)})
        return read_inputs(changed, base_values(changed)).paths

    (found,) = laid("c_bleed_mean_no_rescue")
    assert found.base == case.number("c_bleed_mean_no_rescue")
    assert found.activities == ("bleed_survived", "bleed_fatal")
    with pytest.raises(Exception, match="has no 'c_bleed_mean'") as caught:
        laid("c_bleed_mean")
    assert "programme.toml" in caught.value.where  # type: ignore[attr-defined]
