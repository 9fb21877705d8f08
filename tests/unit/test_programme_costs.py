"""Fixed costs by what they need, leases and payment per use, and the tax on them: by hand, on the worked example."""

from __future__ import annotations

import numpy as np
import numpy_financial
import pytest
from test_programme_worked_example import CATEGORIES, inputs, prices, profiles

from econmodel.programme.budget import Budget, run_budget
from econmodel.programme.cost_tables import CapitalItem, FixedRow, Loan
from econmodel.programme.downside import downsides

RISES = {"r_escalator_devices": 0.1, "r_escalator_pay": 0.02}


def run(**changes: object) -> Budget:
    return run_budget(inputs(**changes), profiles(), prices(), CATEGORIES)


def test_a_fixed_cost_runs_from_its_month_at_its_own_prices() -> None:
    """1,200 a year from month 7 to month 18 at device prices; 500 once in month 25, fixed; the three of every case beside it."""
    rows = (FixedRow("Licence", 1200.0, month=7, until=18, index="devices"), FixedRow("Fair", 500.0, "once", 25, index="none"))
    plain, own = run(**RISES), run(fixed_costs=rows, **RISES)
    more = own.months["R13"][0] - plain.months["R13"][0]
    by_hand = np.zeros(36)
    by_hand[6:12], by_hand[12:18], by_hand[24] = 100, 100 * 1.1, 500
    np.testing.assert_allclose(more, by_hand, atol=1e-9)


@pytest.mark.parametrize(("needs", "sessions", "paid"), [("sessions", True, 1), ("sessions", False, 0), ("always", False, 1)])
def test_what_a_cost_needs_decides_who_carries_it(needs: str, sessions: bool, paid: int) -> None:
    """Without more sessions the three of every case fall away with what needs sessions; doing nothing carries none."""
    rows = (FixedRow("Own", 1000.0, needs=needs, index="none"),)
    found = run(fixed_costs=rows, adds_sessions=sessions)
    np.testing.assert_allclose(found.years["R13"][0, 1:], 1000.0 * paid + np.array([1800, 1200, 1200]) * sessions)
    assert not run(fixed_costs=rows, proposed_mix={"none": 1.0}).years["R13"].any()


@pytest.mark.parametrize(("needs", "paid"), [("treat", 1), ("none", 0)])
def test_a_cost_of_one_strategy(needs: str, paid: int) -> None:
    """It is carried where more have that strategy than today."""
    more = run(fixed_costs=(FixedRow("Own", 1000.0, needs=needs, index="none"),)).years["R13"] - run().years["R13"]
    np.testing.assert_allclose(more[0, 1:], 1000.0 * paid)


def test_contingency_is_on_one_off_and_fixed_cost() -> None:
    """A tenth of 1,800, 1,200 and 1,200, inside R13; the exit is left out."""
    found, plain = run(share_contingency=0.1, c_exit=700.0), run(c_exit=700.0)
    np.testing.assert_allclose(found.years["R13c"][0], [0, 180, 120, 120])
    np.testing.assert_allclose(found.years["R13"] - plain.years["R13"], found.years["R13c"], atol=1e-9)


def test_a_lease_by_hand() -> None:
    """100 a month with a fifth of tax from month 1, 24 months; then taken again at the prices of year 3; off profit and in R17."""
    lease = CapitalItem("Scope", basis="lease", monthly=100.0, term_months=24)
    found, none = (run(capital=items, share_device_tax=0.2, **RISES) for items in ((lease,), ()))
    np.testing.assert_allclose(found.years["R17"][0], [0, 1440, 1440, 1440 * 1.1**2])
    np.testing.assert_allclose(found.memo.hire[0], found.years["R17"][0])
    np.testing.assert_allclose(found.years["R14"], none.years["R14"])
    profit = found.years["R14"][0, 1:] - found.years["R17"][0, 1:]
    losses = np.array([0.0, -min(profit[0], 0.0), -min(profit[1] + min(profit[0], 0.0), 0.0)])
    np.testing.assert_allclose(found.years["R15"][0, 1:], 0.2 * np.maximum(0.0, profit - losses), atol=1e-9)
    escalated = run(capital=(CapitalItem("Scope", basis="lease", monthly=100.0, term_months=24, escalated=True),), **RISES)
    np.testing.assert_allclose(escalated.years["R17"][0], [0, 1200, 1320, 1452])


def test_payment_per_use_by_hand() -> None:
    """20 for each session and endoscopy: 12, 24 and 24 of them; nothing is owned; twice the volume is twice the payment."""
    found = run(capital=(CapitalItem("Scope", basis="per_use", amount=20.0),), **RISES)
    np.testing.assert_allclose(found.years["R17"][0], [0, 240, 480, 480])
    assert not found.memo.depreciation.any()
    twice = found.volume.scaled(np.array([2.0])).uses
    np.testing.assert_allclose(found.capital.hire(twice), 2 * found.capital.hire(found.volume.uses))


def test_a_lease_without_a_quote_costs_what_the_equipment_does() -> None:
    """Over its life at the finance rate: 48 months of it are worth 3,000 less 600 in four years."""
    row = next(row for row in downsides(inputs()) if row.key == "lease")
    (item,) = row.change(inputs()).capital
    assert (item.basis, item.term_months) == ("lease", 48)
    assert sum(item.monthly * 1.1 ** (-month / 12) for month in range(1, 49)) == pytest.approx(3000 - 600 * 1.1**-4)


def test_tax_on_what_is_bought_and_on_its_service() -> None:
    """A fifth more on 3,000 of purchase and 200 a year of service; (3,600 - 600) / 4 of depreciation, sold for the same 600."""
    found = run(share_device_tax=0.2)
    np.testing.assert_allclose(found.years["R17"][0], [3600, 0, 0, -600])
    np.testing.assert_allclose(found.memo.depreciation[0], [0, 750, 750, 750])
    np.testing.assert_allclose(found.years["R13"][0], [0, 1840, 1240, 1240])
    np.testing.assert_allclose(found.memo.one_off[0], [0, 600, 0, 0])


def test_a_loan_moves_the_peak_and_nothing_else() -> None:
    """2,400 at the start over 24 months at 6%: level payments of numpy-financial; the same present value, payback and tax."""
    plain, lent = run(), run(loans=(Loan("Bank", 2400.0, 0, 0.06, 24),))
    rate = 1.06 ** (1 / 12) - 1
    level = -numpy_financial.pmt(rate, 24, 2400.0)
    np.testing.assert_allclose(lent.years["R17f"][0], [-2400, 12 * level, 12 * level, 0])
    interest = -numpy_financial.ipmt(rate, np.arange(1, 25), 24, 2400.0)
    np.testing.assert_allclose(lent.memo.interest[0, 1:], [interest[:12].sum(), interest[12:].sum(), 0])
    np.testing.assert_allclose(plain.memo.reported_surplus - lent.memo.reported_surplus, lent.memo.interest)
    for row in set(plain.years) - {"R17f"}:
        np.testing.assert_array_equal(plain.years[row], lent.years[row], err_msg=row)
    assert lent.npv_cash == plain.npv_cash
    assert plain.peak_after_financing is None
    by_hand = (lent.flows[0] - np.array([-2400.0, *[level] * 24, *[0.0] * 12])).cumsum().min()
    assert lent.peak_after_financing == pytest.approx(by_hand)
    assert lent.peak_after_financing > lent.peak_cash


def test_a_capital_charge_is_financing_where_it_is_paid() -> None:
    """3% of 2,700, 2,100 and 1,500 of mean book value; beside cash or paid, no measure of the programme moves."""
    memo, paid = run(), run(capital_charge="paid")
    np.testing.assert_allclose(paid.years["R17f"][0], [0, 81, 63, 45])
    assert not memo.years["R17f"].any()
    assert paid.npv_cash == memo.npv_cash
