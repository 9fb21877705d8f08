"""The budget: rows R1 to R20 by month, quarter and year, and what follows from them.

Everything is computed in nominal money. Under ``cash_basis = "real"`` each money row is then deflated to today's
prices and discounted at the real rate, so tax relief on depreciation and working capital lose value as they should and
both bases give the same net present value. Draws are the first axis throughout.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

from econmodel.economics.prices import Prices
from econmodel.economics.profiles import MonthlyProfiles
from econmodel.programme.inputs import ProgrammeInputs
from econmodel.programme.intake import Intake, ProgrammeActivity, plan_intake, programme_activity
from econmodel.programme.money import finance
from econmodel.programme.money.capital import CapitalSchedule, schedule_capital
from econmodel.programme.money.payers import UnitMoney, unit_money
from econmodel.programme.money.rows import (
    MONEY_ROWS,
    PriceIndices,
    Row,
    Rows,
    contribution_rows,
    fixed_cost,
    price_indices,
    session_slots,
    step_blocks,
    surveillance_contribution,
)

FloatArray = NDArray[np.float64]
Number = TypeVar("Number")


@dataclass(frozen=True)
class Memo(Generic[Number]):
    """What stands beside the cash of a year: money in the basis of the cash, but for ``session_slots``."""

    depreciation: Number
    use_charge: Number
    capital_charge: Number
    reported_surplus: Number
    absorbed_full_cost: Number
    surveillance_contribution: Number
    session_slots: Number


@dataclass(frozen=True)
class Budget:
    """The programme's money.

    Attributes
    ----------
    months
        Row to array (draw, month).
    years, memo
        Arrays (draw, year), year 0 (the start) first; it is empty unless something is bought at the start.
    rate
        Finance rate in the basis of the cash, shape (draw,).
    run_off
        Rows of what starters still bring after the last year, shape (draw,), undiscounted, at the last year's prices;
        outside the net present value.
    """

    inputs: ProgrammeInputs
    intake: Intake
    activity: ProgrammeActivity
    months: Rows
    years: Rows
    memo: Memo[FloatArray]
    rate: FloatArray
    run_off: Rows

    @property
    def npv(self) -> FloatArray:
        """Net present value of R18, shape (draw,)."""
        return finance.npv(self.rate, self.years[Row.NET_CASH])

    @property
    def quarters(self) -> Rows:
        """Rows by quarter, arrays (draw, quarter); R19 stands at the quarter's end."""
        flows = {k: a.reshape(a.shape[0], -1, 3).sum(axis=2) for k, a in self.months.items() if k != Row.CUMULATIVE_CASH}
        return flows | {Row.CUMULATIVE_CASH: self.months[Row.CUMULATIVE_CASH][:, 2::3]}

    @property
    def peak_cash(self) -> FloatArray:
        """Lowest cumulative cash at the start or any quarter's end, shape (draw,)."""
        start = self.years[Row.CUMULATIVE_CASH][:, :1]
        return finance.peak_cash(np.concatenate([np.minimum(start, 0.0), self.quarters[Row.CUMULATIVE_CASH]], axis=1))

    @property
    def totals(self) -> Rows:
        """Each row summed over the years, shape (draw,); R19 is the last cumulative."""
        sums = {k: a.sum(axis=1) for k, a in self.years.items()}
        return sums | {Row.CUMULATIVE_CASH: self.years[Row.CUMULATIVE_CASH][:, -1]}


def run_budget(inputs: ProgrammeInputs, profiles: MonthlyProfiles, prices: Prices, categories: Mapping[str, str]) -> Budget:
    """Run the programme's budget.

    Parameters
    ----------
    inputs
        Programme inputs; arrays of draws make a batch.
    profiles
        Activity per start by month, for one draw or as many as the inputs have.
    prices
        Price list, likewise.
    categories
        Activity to category: ``prophylaxis`` or other.

    Raises
    ------
    AnalysisError
        The mixes, prices or payer terms name something the model does not have, or the profiles are too short.
    """
    intake = plan_intake(inputs, profiles)
    if not is_change(inputs):
        intake = dataclasses.replace(intake, starts=np.zeros_like(intake.starts))
    activity = programme_activity(inputs, profiles, intake.starts)
    money = unit_money(inputs, prices, categories, profiles.activities)
    return assemble_budget(inputs, intake, activity, money)


def is_change(inputs: ProgrammeInputs) -> bool:
    """Whether anything is proposed at all: equal mixes are no programme, so nobody starts and nothing is spent."""
    current, proposed = ({k: v for k, v in mix.items() if v} for mix in (inputs.current_mix, inputs.proposed_mix))
    return current != proposed


def assemble_budget(inputs: ProgrammeInputs, intake: Intake, activity: ProgrammeActivity, money: UnitMoney) -> Budget:
    """Turn starts, activity and money per unit into the budget's rows."""
    prices = price_indices(inputs)
    on = float(is_change(inputs))
    rows = _operating_rows(inputs, intake, activity, money, prices, on)
    capital = schedule_capital(inputs.capital if on else (), inputs.capital_basis, prices.devices)
    n_draws = np.broadcast_shapes(*(a.shape[:1] for a in (*rows.values(), capital.by_month)))[0]
    rows = {k: np.broadcast_to(a, (n_draws, inputs.n_months)) for k, a in rows.items()}
    years = {k: _by_year(a) for k, a in rows.items()}
    _add_tax_and_working_capital(inputs, years, rows, capital)
    rows[Row.CAPITAL] = np.broadcast_to(capital.by_month[:, 1:], (n_draws, inputs.n_months))
    years[Row.CAPITAL] = _by_year(rows[Row.CAPITAL])
    years[Row.CAPITAL][:, 0] = capital.by_month[:, 0]
    memo = _memo(inputs, activity, money, prices, years, capital)
    run_off = contribution_rows(inputs, activity, activity.run_off[:, None, :], money, prices.last_year())
    for table in (rows, years):
        table[Row.NET_CASH] = table[Row.OPERATING_CASH] - table[Row.TAX] - table[Row.WORKING_CAPITAL] - table[Row.CAPITAL]
    return _finish(inputs, intake, activity, (rows, years, memo), {k: a[:, 0] for k, a in run_off.items()}, prices)


def _operating_rows(
    inputs: ProgrammeInputs, intake: Intake, activity: ProgrammeActivity, money: UnitMoney, prices: PriceIndices, on: float
) -> Rows:
    monthly, change = prices.monthly(), activity.change
    rows: Rows = {Row.STARTS: intake.starts} | contribution_rows(inputs, activity, change, money, monthly)
    blocks = step_blocks(inputs, session_slots(inputs, activity, change))
    rows[Row.STEP_COST] = np.repeat(blocks, 12, axis=1) * inputs.c_session_block[:, None] * monthly.pay / 12.0
    rows[Row.FIXED_COST] = on * fixed_cost(inputs, monthly)
    rows[Row.OPERATING_CASH] = rows[Row.NET_CONTRIBUTION] - rows[Row.STEP_COST] - rows[Row.FIXED_COST]
    return rows


def _add_tax_and_working_capital(inputs: ProgrammeInputs, years: Rows, rows: Rows, capital: CapitalSchedule) -> None:
    """Add R15 (in each year's last month) and R16 (evenly over the year, released in the last month)."""
    tax = finance.tax_due((years[Row.OPERATING_CASH] - capital.depreciation)[:, 1:], inputs.share_tax)
    income = (years[Row.PROPHYLAXIS_INCOME] - years[Row.BLEED_INCOME_LOST])[:, 1:]
    increase = finance.working_capital_increase(income, inputs.n_settlement_days)
    rows[Row.TAX] = np.zeros_like(rows[Row.OPERATING_CASH])
    rows[Row.TAX][:, 11::12] = tax
    rows[Row.WORKING_CAPITAL] = np.repeat(increase / 12.0, 12, axis=1)
    rows[Row.WORKING_CAPITAL][:, -1] -= increase.sum(axis=1)
    for name in (Row.TAX, Row.WORKING_CAPITAL):
        years[name] = _by_year(rows[name])


def _memo(
    inputs: ProgrammeInputs, activity: ProgrammeActivity, money: UnitMoney, prices: PriceIndices, years: Rows, capital: CapitalSchedule
) -> Memo[FloatArray]:
    change, monthly, zero = activity.change, prices.monthly(), 0.0 * years[Row.OPERATING_CASH]
    full = np.einsum(
        "dta,da->dt",
        change * np.ones((money.full_cost.shape[0], 1, 1)),
        money.full_cost * money.is_prophylaxis * np.ones((change.shape[0], 1)),
    )
    charge = inputs.r_capital_charge[:, None] * capital.book_value
    owning = capital.depreciation + capital.use_charge + charge
    return Memo(
        depreciation=capital.depreciation + zero,
        use_charge=capital.use_charge + zero,
        capital_charge=charge + zero,
        reported_surplus=years[Row.OPERATING_CASH] - owning - years[Row.TAX],
        absorbed_full_cost=_by_year(full * monthly.mixed) + years[Row.STEP_COST] + years[Row.FIXED_COST] + owning,
        surveillance_contribution=_by_year(surveillance_contribution(activity, money, monthly)) + zero,
        session_slots=_by_year(session_slots(inputs, activity, change)) + zero,
    )


def _finish(
    inputs: ProgrammeInputs,
    intake: Intake,
    activity: ProgrammeActivity,
    tables: tuple[Rows, Rows, Memo[FloatArray]],
    run_off: Rows,
    prices: PriceIndices,
) -> Budget:
    """Put the rows into the basis of the cash, then accumulate and discount them."""
    rows, years, memo = tables
    rate = inputs.discount_finance
    if inputs.finance_rate_basis == "real":
        rate = finance.nominal_rate(rate, inputs.r_inflation)
    if inputs.cash_basis == "real":
        rate = finance.real_rate(rate, inputs.r_inflation)
        by_month = prices.monthly().general
        rows |= {k: rows[k] / by_month for k in MONEY_ROWS}
        years |= {k: years[k] / prices.general for k in MONEY_ROWS}
        memo = Memo(**{k: a if k == "session_slots" else a / prices.general for k, a in vars(memo).items()})
        run_off |= {k: a / prices.general[:, -1] for k, a in run_off.items() if k in MONEY_ROWS}
    years[Row.CUMULATIVE_CASH] = years[Row.NET_CASH].cumsum(axis=1)
    years[Row.PRESENT_VALUE] = years[Row.NET_CASH] * finance.discount_factors(rate, inputs.n_budget_years)
    rows[Row.CUMULATIVE_CASH] = years[Row.NET_CASH][:, :1] + rows[Row.NET_CASH].cumsum(axis=1)
    return Budget(inputs, intake, activity, rows, years, memo, rate, run_off)


def _by_year(monthly: FloatArray) -> FloatArray:
    """Sum months to years, an empty year 0 in front; (draw, month) -> (draw, year)."""
    years = monthly.reshape(monthly.shape[0], -1, 12).sum(axis=2)
    return np.concatenate([np.zeros((years.shape[0], 1)), years], axis=1)
