"""The budget: rows R1 to R20 by month, quarter and year, and what follows from them.

Everything is computed in nominal money and discounted by month. Under ``cash_basis = "real"`` each money row is then
deflated to today's prices by month and discounted at the real rate, so tax relief on depreciation and working capital
lose value as they should and both bases give the same net present value. Draws are the first axis throughout.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from functools import cached_property
from typing import Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

from econmodel.economics.activity import MonthlyProfiles
from econmodel.economics.prices import Prices
from econmodel.parameters.catalogue import ENDOSCOPIES
from econmodel.programme.cost_tables import SESSIONS
from econmodel.programme.inputs import ProgrammeInputs, is_change
from econmodel.programme.intake import Intake, ProgrammeActivity, plan_intake, programme_activity
from econmodel.programme.money import finance
from econmodel.programme.money.capital import CapitalSchedule, schedule_capital
from econmodel.programme.money.contracts import ContractedIncome
from econmodel.programme.money.fixed import fixed_cost, is_carried
from econmodel.programme.money.levels import PriceIndices, price_indices
from econmodel.programme.money.loans import schedule_loans
from econmodel.programme.money.payers import UnitMoney, beyond_plans, unit_money
from econmodel.programme.money.rows import (
    MONEY_ROWS,
    Row,
    Rows,
    activity_rows,
    deflator,
    displaced_work,
    follow_up_duty,
    income_rows,
    paid_income,
    slots_taken,
    with_contribution,
    worth,
)
from econmodel.programme.places import Slots, cover_cost, outside_blocks, step_cost
from econmodel.programme.sites import with_sites
from econmodel.records import record

FloatArray = NDArray[np.float64]
Number = TypeVar("Number")
MONTHS = 12


@record
class Memo(Generic[Number]):
    """What stands beside the cash of a year: money in the basis of the cash, but for ``session_slots``.

    ``hire`` is lease and payment per use, cash; ``recurrent`` the fixed cost that is paid every year, ``one_off`` the rest of it.
    """

    depreciation: Number
    hire: Number
    recurrent: Number
    one_off: Number
    use_charge: Number
    capital_charge: Number
    interest: Number
    reported_surplus: Number
    absorbed_full_cost: Number
    surveillance_contribution: Number
    session_slots: Number


@record
class VolumeRows:
    """What moves in proportion to the volume, nominal by month: starts, R2 to R9 and R20, slots by place, uses of equipment.

    ``contracted`` is income within contracts at full payment, which no row holds before they are settled; ``duty`` (draw,) what
    follow-up after a closure is worth at the last month.
    """

    rows: Rows
    contracted: tuple[ContractedIncome, ...]
    slots: Slots
    uses: FloatArray
    duty: FloatArray

    def scaled(self, factor: FloatArray) -> VolumeRows:
        """Of ``factor`` times as many patients; a factor of shape (n,) makes n draws of one."""
        by = factor[:, None]
        contracted = tuple(c.scaled(by) for c in self.contracted)
        slots = {place: a * by for place, a in self.slots.items()}
        rows = {row: a * by for row, a in self.rows.items()}
        return VolumeRows(rows, contracted, slots, self.uses * by, self.duty * factor)

    def settled(self, inputs: ProgrammeInputs, prices: PriceIndices) -> Rows:
        """Rows with what contracts pay and slots displace, R6 and R11 with them; of prices by month."""
        rows = self.rows | {Row.DISPLACED_WORK: displaced_work(inputs, outside_blocks(inputs, self.slots), prices)}
        for contracted in self.contracted:
            rows |= {row: rows[row] + paid for row, paid in contracted.paid(prices.tariff).items()}
        return with_contribution(rows)


@record
class AfterTheEnd:
    """Present values, arrays (draw,), of what ``at_end`` puts into the net present value or leaves beside it.

    A going concern holds the book value of what it bought; one that closes collects its debtors, pays its exit and owes
    follow-up. ``run_off`` is the net contribution of those months, never in it.
    """

    book_value: FloatArray
    debtors: FloatArray
    exit_cost: FloatArray
    duty: FloatArray
    run_off: FloatArray


@record
class Budget:
    """The programme's money.

    Attributes
    ----------
    months
        Row to array (draw, month).
    years
        Row to array (draw, year), year 0 (the start) first; it is empty unless something is bought at the start.
    rate
        Finance rate in the basis of the cash, shape (draw,).
    """

    inputs: ProgrammeInputs
    intake: Intake
    activity: ProgrammeActivity
    money: UnitMoney
    capital: CapitalSchedule
    volume: VolumeRows
    months: Rows
    years: Rows
    rate: FloatArray

    @cached_property
    def memo(self) -> Memo[FloatArray]:
        """What stands beside the cash, arrays (draw, year); like the run-off worked out where it is read."""
        return _memo(self)

    @cached_property
    def run_off(self) -> Rows:
        """Rows of what starters still bring after the last year, shape (draw,), undiscounted, at the last year's prices.

        Outside the net present value.
        """
        level = deflator(self.inputs)[:, -1]
        sums = {k: a.sum(axis=1) for k, a in self._after.items()}
        return {k: a / level if k in MONEY_ROWS else a for k, a in sums.items()}

    @cached_property
    def _after(self) -> Rows:
        return _rows_after(self.inputs, self.activity, self.money, price_indices(self.inputs))

    @cached_property
    def after_the_end(self) -> AfterTheEnd:
        """Present values of what the closing convention decides on, arrays (draw,), each whether in the net present value or not."""
        inputs, prices = self.inputs, price_indices(self.inputs)
        nominal = nominal_finance_rate(inputs)
        at_end = (1.0 + nominal) ** -float(inputs.n_budget_years)
        income = paid_income(self.volume.settled(inputs, prices.monthly()))[:, -1]
        return AfterTheEnd(
            book_value=at_end * self.capital.closing_book,
            debtors=at_end * 12.0 * income * inputs.n_settlement_days / finance.DAYS_PER_YEAR,
            exit_cost=at_end * (prices.of(inputs, "c_exit") * prices.pay)[:, -1],
            duty=at_end * _duty(inputs, self.activity, self._after, prices),
            run_off=at_end * _worth_at_end(self._after[Row.NET_CONTRIBUTION], nominal),
        )

    @cached_property
    def flows(self) -> FloatArray:
        """Net cash at the start and by month, shape (draw, month + 1)."""
        return np.concatenate([self.years[Row.NET_CASH][:, :1], self.months[Row.NET_CASH]], axis=1)

    @cached_property
    def flows_with_end(self) -> FloatArray:
        """The same with book value less duty in the last month: what present value and rate of return are of."""
        flows = self.flows.copy()
        flows[:, -1] += self.months[Row.BOOK_VALUE][:, -1] - self.months[Row.DUTY][:, -1]
        return flows

    @cached_property
    def npv_cash(self) -> FloatArray:
        """Net present value of R18 and of what stands at the end, shape (draw,)."""
        return finance.npv(self.rate, self.flows_with_end, MONTHS)

    @cached_property
    def npv_with_capacity(self) -> FloatArray:
        """The same with staff time freed counted as money, R18 + RC, shape (draw,)."""
        freed = self.months[Row.TIME_FREED]
        return self.npv_cash + finance.npv(self.rate, np.concatenate([np.zeros_like(freed[:, :1]), freed], axis=1), MONTHS)

    @property
    def quarters(self) -> Rows:
        """Rows by quarter, arrays (draw, quarter); R19 stands at the quarter's end."""
        flows = {k: a.reshape(a.shape[0], -1, 3).sum(axis=2) for k, a in self.months.items() if k != Row.CUMULATIVE_CASH}
        return flows | {Row.CUMULATIVE_CASH: self.months[Row.CUMULATIVE_CASH][:, 2::3]}

    @property
    def cash_line(self) -> FloatArray:
        """Cumulative cash at the start and at each quarter's end, shape (draw, quarter + 1)."""
        return np.concatenate([self.years[Row.CUMULATIVE_CASH][:, :1], self.months[Row.CUMULATIVE_CASH][:, 2::3]], axis=1)

    @property
    def peak_cash(self) -> FloatArray:
        """Lowest cumulative cash at the start or any month's end, at most 0 at the start; shape (draw,)."""
        line = self.flows.cumsum(axis=1)
        line[:, 0] = np.minimum(line[:, 0], 0.0)
        return finance.peak_cash(line)

    @property
    def peak_after_financing(self) -> FloatArray | None:
        """The same of cash after financing, R18 - R17f; None without any."""
        months, years = (table[Row.FINANCING] for table in (self.months, self.years))
        if not months.any() and not years.any():
            return None
        return finance.peak_cash((self.flows - np.concatenate([years[:, :1], months], axis=1)).cumsum(axis=1).clip(max=0.0))

    @cached_property
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
    activity = with_sites(inputs, profiles, intake, programme_activity(inputs, profiles, intake.starts))
    money = unit_money(inputs, prices, categories, profiles.activities)
    return assemble_budget(inputs, intake, activity, money)


def assemble_budget(inputs: ProgrammeInputs, intake: Intake, activity: ProgrammeActivity, money: UnitMoney) -> Budget:
    """Turn starts, activity and money per unit into the budget's rows."""
    prices = price_indices(inputs)
    bought = inputs.capital if is_carried(inputs, SESSIONS) else ()
    capital = schedule_capital(
        bought, inputs.capital_basis, prices.devices, closes=inputs.closes, tax=inputs.share_device_tax, stop=inputs.n_stop_month
    )
    volume = _volume_rows(inputs, intake, activity, money, prices)
    return Budget(inputs, intake, activity, money, capital, volume, *cash_flow(inputs, volume, capital, prices))


def _volume_rows(
    inputs: ProgrammeInputs, intake: Intake, activity: ProgrammeActivity, money: UnitMoney, prices: PriceIndices
) -> VolumeRows:
    change, monthly = activity.change, prices.monthly()
    rows = {Row.STARTS: intake.starts} | activity_rows(inputs, activity, change, money, monthly)
    owed = sum((part.share * part.site.transfer_payment for part in activity.sites), np.zeros_like(intake.starts))
    rows[Row.TRANSFERS] = intake.starts * owed * monthly.tariff
    lines = [(contract, income_rows(inputs, activity, change, money, unit, monthly)) for contract, unit in money.contracted]
    contracted = tuple(ContractedIncome(contract, line, paid_income(line)) for contract, line in lines)
    duty = np.zeros(1)
    if inputs.closes:
        duty = _duty(inputs, activity, _rows_after(inputs, activity, money, prices), prices)
    uses = activity.total(change, "sessions", *ENDOSCOPIES)
    return VolumeRows(rows, contracted, slots_taken(inputs, activity, change), uses, duty)


def _rows_after(inputs: ProgrammeInputs, activity: ProgrammeActivity, money: UnitMoney, prices: PriceIndices) -> Rows:
    """Rows of the months after the budget, nominal, at the prices of its last year; a contract then pays its variable share."""
    last, change = prices.last_year(), activity.run_off
    slots = np.asarray(sum(slots_taken(inputs, activity, change).values()))
    rows = activity_rows(inputs, activity, change, beyond_plans(money.last_year()), last)
    displaced = displaced_work(inputs, slots, last)
    return with_contribution(rows | {Row.DISPLACED_WORK: displaced, Row.TRANSFERS: np.zeros_like(displaced)})


def _duty(inputs: ProgrammeInputs, activity: ProgrammeActivity, after: Rows, prices: PriceIndices) -> FloatArray:
    """Follow-up after a closure, what it is worth at the last month; never a gain."""
    by_month = follow_up_duty(inputs, activity, activity.run_off, after, prices.last_year())
    return np.maximum(0.0, _worth_at_end(by_month, nominal_finance_rate(inputs)))


def _worth_at_end(after: FloatArray, rate: FloatArray) -> FloatArray:
    """Value at the end of the budget of nominal cash by month after it, shape (draw,)."""
    return np.asarray((after * finance.discount_factors(rate, after.shape[1], MONTHS)[..., 1:]).sum(axis=1))


def nominal_finance_rate(inputs: ProgrammeInputs) -> FloatArray:
    """Finance rate in nominal money, shape (draw,)."""
    rate = inputs.discount_finance
    return rate if inputs.finance_rate_basis == "nominal" else finance.nominal_rate(rate, inputs.r_inflation)


def cash_flow(
    inputs: ProgrammeInputs, volume: VolumeRows, capital: CapitalSchedule, prices: PriceIndices
) -> tuple[Rows, Rows, FloatArray]:
    """Add what does not move with the volume, tax and working capital.

    Returns
    -------
    tuple
        Rows by month (draw, month), rows by year (draw, year), and the finance rate (draw,), in the basis of the cash.
    """
    rows = _operating_rows(inputs, volume, prices)
    n_draws = np.broadcast_shapes(*(a.shape[:1] for a in (*rows.values(), capital.by_month)))[0]
    rows = {k: np.broadcast_to(a, (n_draws, inputs.n_months)) for k, a in rows.items()}
    years = {k: finance.with_start(a) for k, a in rows.items()}
    hire = capital.hire(volume.uses)
    _add_tax_and_working_capital(inputs, years, rows, capital.depreciation + hire)
    rows[Row.CAPITAL] = np.broadcast_to(capital.by_month[:, 1:] + hire, (n_draws, inputs.n_months))
    years[Row.CAPITAL] = finance.with_start(rows[Row.CAPITAL])
    years[Row.CAPITAL][:, 0] = capital.by_month[:, 0]
    _add_financing(inputs, rows, years, capital)
    for table in (rows, years):
        table[Row.NET_CASH] = table[Row.OPERATING_CASH] - table[Row.TAX] - table[Row.WORKING_CAPITAL] - table[Row.CAPITAL]
        for row, left in ((Row.BOOK_VALUE, capital.closing_book), (Row.DUTY, volume.duty)):
            table[row] = np.zeros_like(table[Row.NET_CASH])
            table[row][:, -1] = left
    return _in_basis(inputs, rows, years, prices)


def _add_financing(inputs: ProgrammeInputs, rows: Rows, years: Rows, capital: CapitalSchedule) -> None:
    """Add R17f, which no other row holds."""
    paid = schedule_loans(inputs.loans if is_carried(inputs, SESSIONS) else (), inputs.n_months).by_month
    charge = _capital_charge(inputs, capital) if inputs.capital_charge == "paid" else 0.0
    rows[Row.FINANCING] = np.zeros_like(rows[Row.CAPITAL]) + paid[1:] + charge
    years[Row.FINANCING] = finance.with_start(rows[Row.FINANCING])
    years[Row.FINANCING][:, 0] = paid[0]


def _capital_charge(inputs: ProgrammeInputs, capital: CapitalSchedule) -> FloatArray:
    return np.asarray(inputs.r_capital_charge[:, None] * capital.book_value / MONTHS)


def _operating_rows(inputs: ProgrammeInputs, volume: VolumeRows, prices: PriceIndices) -> Rows:
    monthly = prices.monthly()
    rows = volume.settled(inputs, monthly)
    blocks = np.repeat(step_cost(inputs, volume.slots), 12, axis=1) / 12.0
    rows[Row.STEP_COST] = (blocks + cover_cost(inputs, volume.slots)) * monthly.pay
    fixed = fixed_cost(inputs, monthly)
    rows |= {Row.FIXED_COST: fixed.total, Row.CONTINGENCY: fixed.contingency}
    rows[Row.OPERATING_CASH] = rows[Row.NET_CONTRIBUTION] - rows[Row.STEP_COST] - rows[Row.FIXED_COST]
    return rows


def _add_tax_and_working_capital(inputs: ProgrammeInputs, years: Rows, rows: Rows, owning: FloatArray) -> None:
    """Add R15 (in each year's last month), on R14 less depreciation and hire by month, and R16."""
    tax = finance.tax_due((years[Row.OPERATING_CASH] - finance.with_start(owning))[:, 1:], inputs.share_tax)
    rows[Row.TAX] = np.zeros_like(rows[Row.OPERATING_CASH])
    rows[Row.TAX][:, 11::12] = tax
    rows[Row.WORKING_CAPITAL] = finance.working_capital_increase(paid_income(rows), inputs.n_settlement_days, collected=inputs.closes)
    for name in (Row.TAX, Row.WORKING_CAPITAL):
        years[name] = finance.with_start(rows[name])


def _in_basis(inputs: ProgrammeInputs, rows: Rows, years: Rows, prices: PriceIndices) -> tuple[Rows, Rows, FloatArray]:
    """Put the rows into the basis of the cash, then accumulate and discount them; give the rate with them."""
    rate = nominal_finance_rate(inputs)
    if inputs.cash_basis == "real":
        rate, by_month = finance.real_rate(rate, inputs.r_inflation), deflator(inputs)
        rows |= {k: rows[k] / by_month for k in MONEY_ROWS}
        at_start = {k: years[k][:, :1] for k in MONEY_ROWS}
        years |= {k: np.concatenate([at_start[k], finance.with_start(rows[k])[:, 1:]], axis=1) for k in MONEY_ROWS}
    years[Row.CUMULATIVE_CASH] = years[Row.NET_CASH].cumsum(axis=1)
    valued = rows[Row.NET_CASH] + rows[Row.BOOK_VALUE] - rows[Row.DUTY]
    rows[Row.PRESENT_VALUE] = valued * finance.discount_factors(rate, inputs.n_months, MONTHS)[..., 1:]
    years[Row.PRESENT_VALUE] = finance.with_start(rows[Row.PRESENT_VALUE])
    years[Row.PRESENT_VALUE][:, 0] = years[Row.NET_CASH][:, 0]
    rows[Row.CUMULATIVE_CASH] = years[Row.NET_CASH][:, :1] + rows[Row.NET_CASH].cumsum(axis=1)
    return rows, years, rate


def _memo(budget: Budget) -> Memo[FloatArray]:
    inputs, activity, money, capital, years = budget.inputs, budget.activity, budget.money, budget.capital, budget.years
    change, zero, level = activity.change, 0.0 * years[Row.OPERATING_CASH], deflator(inputs)
    full = worth(change, money.full_cost * money.is_prophylaxis)
    prices = price_indices(inputs)
    paid = (fixed_cost(inputs, prices.monthly()).recurrent, capital.hire(budget.volume.uses))
    interest = schedule_loans(inputs.loans if is_carried(inputs, SESSIONS) else (), inputs.n_months).interest[None, :]
    by_month = (capital.depreciation, capital.use_charge, _capital_charge(inputs, capital), interest, *paid)
    depreciation, use, charge, interest, recurrent, hire = (finance.with_start(a / level) for a in by_month)
    owning = depreciation + use + charge + hire
    return Memo(
        depreciation=depreciation + zero,
        hire=hire + zero,
        recurrent=recurrent + zero,
        one_off=years[Row.FIXED_COST] - recurrent,
        use_charge=use + zero,
        capital_charge=charge + zero,
        interest=interest + zero,
        reported_surplus=years[Row.OPERATING_CASH] - (owning - use) - interest - years[Row.TAX],
        absorbed_full_cost=finance.with_start(full * prices.monthly().mixed / level)
        + years[Row.STEP_COST]
        + years[Row.FIXED_COST]
        + owning,
        surveillance_contribution=years[Row.SURVEILLANCE_INCOME] - years[Row.SURVEILLANCE_COST],
        session_slots=finance.with_start(np.asarray(sum(budget.volume.slots.values()))) + zero,
    )
