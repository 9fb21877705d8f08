"""What a budget rests on, resolved: every number from which its rows and its options can be worked out again by hand.

``econmodel budget --json`` gives it as ``inputs``, the budget's workbook rests on it. Field names are the names in JSON. Money is
of the price year unless a name says otherwise; series run over the months or the years of the budget.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from econmodel.economics.activity import MonthlyProfiles
from econmodel.economics.evaluate import Evaluation
from econmodel.parameters.catalogue import BLEED_ADMISSIONS, CATEGORY, COMPLICATIONS, ENDOSCOPIES, EXAMINATIONS
from econmodel.parameters.schema import StrategyRow
from econmodel.programme.budget import Budget, nominal_finance_rate
from econmodel.programme.calendar import first_calendar_year, year_names
from econmodel.programme.cost_tables import EXISTING, PER_USE, CapitalItem, FixedRow, Loan
from econmodel.programme.input_tables import Contract, Payer, PayerTerm, Site
from econmodel.programme.inputs import ProgrammeInputs
from econmodel.programme.intake import leaving, opening_ramp
from econmodel.programme.money.contracts import in_each_year
from econmodel.programme.money.fixed import fixed_rows
from econmodel.programme.money.levels import in_years, price_indices
from econmodel.programme.paths import shares_in
from econmodel.programme.places import PLACES
from econmodel.records import record

FloatArray = NDArray[np.float64]
Series = tuple[float, ...]
DAYS = ("procedure_days", "complication_days")


@record
class Finance:
    """Rate, nominal, a year, and the conventions of cash, tax, debts and closing."""

    rate: float
    inflation: float
    cash_basis: str
    tax_rate: float
    settlement_days: float
    at_end: str
    exit_cost: float
    duty_months: int


@record
class PriceLevels:
    """Prices of each year relative to the price year."""

    pay: Series
    devices: Series
    tariff: Series
    mixed: Series


@record
class Absence:
    """First month of an operator's absence, 0 for none, and its length."""

    month: int
    months: int


@record
class IntakePlan:
    """Patients a year in year 1, the backlog with the months of its release, share of slots by month, slots a year by place.

    ``leaving`` are the events after which whoever waits can no longer start.
    """

    eligible_own: float
    growth: float
    backlog: float
    backlog_months: int
    ramp: Series
    slots: dict[str, Series]
    stop_month: int
    absence: Absence
    leaving: tuple[str, ...]


@record
class StrategyLine:
    """A strategy, whether it treats by sessions, and what a start brings over a lifetime, discounted to it."""

    label: str
    sessions: bool
    lifetime_qalys: float
    lifetime_full_cost: float


@record
class ActivityLine:
    """One activity, or count, and its money per unit.

    ``group`` is prophylaxis, surveillance, harm, bleed, after or count; ``payer_group`` the category that a payer's term may
    name; ``unit_cost`` the variable cost, of which ``share_cash_releasing`` is cash; ``index`` the prices its cost follows.
    """

    group: str
    payer_group: str
    unit_cost: float
    full_cost: float
    payment: float
    index: str
    share_cash_releasing: float
    slots: dict[str, float]
    surveillance_slots: float
    bed_days: float


@record
class ContractLine:
    """A contract: plan and baseline of each year in its own money; ``cap`` None for none."""

    scope: tuple[str, ...]
    plan: Series
    baseline: Series
    variable: float
    floor: float
    cap: float | None


@record
class PayerLine:
    """A payer, its share by year, and its terms for single activities or groups of them; None leaves its own value.

    Within the scope of a contract it pays what its contract says, not ``paid_at_margin``.
    """

    name: str
    share: Series
    payment_ratio: float
    denial: float
    paid_at_margin: float
    terms: tuple[PayerTerm, ...]
    contract: ContractLine | None


@record
class Step:
    """Slots to spare a year, and the size and yearly cost of a block of them beyond."""

    spare: float
    block: float
    cost: float


@record
class Margin:
    """Contribution of other work, and the share of slots, or of bed-days, that touches it."""

    share: float
    contribution: float


@record
class CapitalLine:
    """A piece of equipment; ``share`` is that of its use charged on its basis, ``tax`` what is added to cost, monthly and amount."""

    item: str
    basis: str
    cost: float
    month: int
    share: float
    life_months: float
    replace_months: float
    age_months: float
    salvage: float
    monthly: float
    term_months: int
    amount: float
    escalated: bool
    tax: float


@record
class BudgetInputs:
    """All of it; an activity that no patient has is left out.

    ``paths`` are figures that a path moves, by their place in this block, one for each year; where such a figure stands, it is that
    of year 1.
    """

    years: int
    year_names: tuple[str, ...]
    first_year: int
    first_month: int
    currency: str
    price_year: str
    carry: dict[str, float]
    finance: Finance
    index: PriceLevels
    capital_charge: float
    intake: IntakePlan
    sites: tuple[Site, ...]
    current_mix: dict[str, float]
    proposed_mix: dict[str, float]
    usual_care: str
    share_can_take_usual_care: float
    paid_harms: float
    view: str | None
    strategies: dict[str, StrategyLine]
    activities: dict[str, ActivityLine]
    profiles: dict[str, dict[str, list[float]]]
    payers: tuple[PayerLine, ...]
    fixed: tuple[FixedRow, ...]
    contingency: float
    steps: dict[str, Step]
    displaced: Margin
    refill: Margin
    capital: tuple[CapitalLine, ...]
    loans: tuple[Loan, ...]
    capital_charge_paid: bool
    paths: dict[str, Series]

    def to_json(self) -> dict[str, Any]:
        """Give it for JSON."""
        return asdict(self)


def budget_inputs(
    budget: Budget, profiles: MonthlyProfiles, strategies: Mapping[str, StrategyRow], usual_care: str, lifetime: Evaluation
) -> BudgetInputs:
    """Resolve the inputs of a deterministic budget, with the activity per start of every strategy of the case."""
    inputs, prices = budget.inputs, price_indices(budget.inputs)
    had = [a for a in range(len(profiles.activities)) if profiles.counts[0, :, :, a].any()]
    return BudgetInputs(
        years=inputs.n_budget_years,
        year_names=year_names(inputs),
        first_year=inputs.first_year,
        first_month=inputs.first_month,
        currency=inputs.currency,
        price_year=inputs.price_year,
        carry={name: float(getattr(prices, name)[0, 0]) for name in ("pay", "devices", "tariff")},
        finance=_finance(inputs),
        index=PriceLevels(**{name: _series(getattr(prices, name)[0, 1:]) for name in ("pay", "devices", "tariff", "mixed")}),
        capital_charge=_one(inputs.r_capital_charge),
        intake=_intake(inputs),
        sites=_sites(inputs),
        current_mix=dict(inputs.current_mix),
        proposed_mix=dict(inputs.proposed_mix),
        usual_care=usual_care,
        share_can_take_usual_care=_one(inputs.share_can_take_usual_care),
        paid_harms=_one(inputs.share_harms_paid),
        view={None: None, 1.0: "per_episode", 0.0: "block"}[inputs.margin_everywhere],
        strategies={key: _strategy(strategies[key], lifetime) for key in profiles.strategies},
        activities={profiles.activities[a]: _activity(budget, profiles.activities[a], a) for a in had},
        profiles={
            key: {profiles.activities[a]: profiles.counts[0, s, : inputs.n_months + inputs.n_duty_months, a].tolist() for a in had}
            for s, key in enumerate(profiles.strategies)
        },
        payers=tuple(_payer(payer, inputs) for payer in inputs.payers),
        fixed=_fixed(inputs),
        contingency=_one(inputs.share_contingency),
        steps={
            key: Step(*(_yearly(inputs, name)[0] for name in (place.spare, place.block, place.cost))) for key, place in PLACES.items()
        },
        displaced=Margin(_one(inputs.share_sessions_displacing), _yearly(inputs, "c_displaced_contribution")[0]),
        refill=Margin(_one(inputs.share_bed_refill), _yearly(inputs, "c_refill_contribution")[0]),
        capital=tuple(_capital(item, inputs) for item in inputs.capital),
        loans=inputs.loans,
        capital_charge_paid=inputs.capital_charge == "paid",
        paths=_paths(budget, [profiles.activities[a] for a in had]),
    )


def _strategy(row: StrategyRow, lifetime: Evaluation) -> StrategyLine:
    s = lifetime.index(row.key)
    return StrategyLine(row.label, bool(row.session), float(lifetime.qalys()[0, s, 0]), float(lifetime.cost()[0, s, 0]))


def _paths(budget: Budget, activities: list[str]) -> dict[str, Series]:
    """Figures of this block that change from year to year by a path, (year,)."""
    inputs, money = budget.inputs, budget.money
    if not inputs.paths:
        return {}
    levels = price_indices(inputs)
    places = {f"steps.{key}.{part}": getattr(place, part) for key, place in PLACES.items() for part in ("spare", "cost")}
    named = {"refill.contribution": "c_refill_contribution", "displaced.contribution": "c_displaced_contribution"}
    named |= places | {"finance.exit_cost": "c_exit"}
    found = {place: _series(levels.paths[name][0, 1:]) for place, name in named.items() if name in levels.paths}
    found |= {f"fixed.{row.name}": _series(amount[0, 1:]) for row, amount in fixed_rows(inputs, levels) if amount.shape[1] > 1}
    columns = {"unit_cost": money.variable_cost, "full_cost": money.full_cost, "payment": money.payment}
    for name in activities:
        at = budget.activity.activities.index(name)
        found |= {f"activities.{name}.{key}": _series(_by_year(array, at)) for key, array in columns.items()}
    return {place: values for place, values in found.items() if len(set(values)) > 1 or not place.startswith("activities")}


def _by_year(money: FloatArray, activity: int) -> FloatArray:
    """Money of one activity by year, one value where no path moves any."""
    return np.atleast_1d(money[0, ..., activity])


def _one(value: FloatArray) -> float:
    return float(value[0])


def _series(values: FloatArray) -> Series:
    return tuple(float(value) for value in values)


def _yearly(inputs: ProgrammeInputs, name: str) -> Series:
    """An input by year, in prices of the price year."""
    return _series(np.broadcast_to(in_years(inputs, name)[0], inputs.n_budget_years))


def _finance(inputs: ProgrammeInputs) -> Finance:
    return Finance(
        rate=_one(nominal_finance_rate(inputs)),
        inflation=_one(inputs.r_inflation),
        cash_basis=inputs.cash_basis,
        tax_rate=_one(inputs.share_tax),
        settlement_days=_one(inputs.n_settlement_days),
        at_end=inputs.at_end,
        exit_cost=_yearly(inputs, "c_exit")[0],
        duty_months=inputs.n_duty_months,
    )


def _intake(inputs: ProgrammeInputs) -> IntakePlan:
    return IntakePlan(
        eligible_own=_one(inputs.eligible_per_year) - sum(site.patients for site in _sites(inputs)),
        growth=_one(inputs.r_growth),
        backlog=_one(inputs.ratio_volume * inputs.n_backlog),
        backlog_months=3 * inputs.n_backlog_quarters,
        ramp=_series(opening_ramp(inputs)),
        slots={key: _yearly(inputs, place.most) for key, place in PLACES.items() if place.most},
        stop_month=inputs.n_stop_month,
        absence=Absence(inputs.n_absence_start_month, inputs.n_absence_months),
        leaving=leaving(inputs),
    )


def _sites(inputs: ProgrammeInputs) -> tuple[Site, ...]:
    """Partner sites with the patients a year that they refer in year 1."""
    return tuple(replace(site, patients=_one(inputs.ratio_volume * inputs.referred_by(site))) for site in inputs.sites)


def _activity(budget: Budget, name: str, position: int) -> ActivityLine:
    inputs, money = budget.inputs, budget.money
    stay = {"readmission": _one(inputs.n_days_readmission)} | dict.fromkeys(BLEED_ADMISSIONS, _one(inputs.n_stay_days))
    group = {"prophylaxis": "prophylaxis", "bleeds": "bleed", "aftercare": "after", "background": "after"}
    special = dict.fromkeys(EXAMINATIONS, "surveillance") | dict.fromkeys(COMPLICATIONS, "harm")
    return ActivityLine(
        group=special.get(name) or group.get(CATEGORY.get(name, ""), "count"),
        payer_group=CATEGORY.get(name, ""),
        unit_cost=_series(_by_year(money.variable_cost, position))[0],
        full_cost=_series(_by_year(money.full_cost, position))[0],
        payment=_series(_by_year(money.payment, position))[0],
        index="devices" if money.is_device[position] else "mixed",
        share_cash_releasing=_series(_by_year(money.cash_share, position))[0],
        slots={key: 1.0 for key, place in PLACES.items() if place.most and name in place.activities},
        surveillance_slots=_one(inputs.n_slots_surveillance) if name in ENDOSCOPIES else 0.0,
        bed_days=1.0 if name in DAYS else stay.get(name, 0.0),
    )


def _payer(payer: Payer, inputs: ProgrammeInputs) -> PayerLine:
    terms = tuple(term for term in inputs.payer_terms if term.payer == payer.name)
    first = first_calendar_year(inputs)
    share = tuple(shares_in(inputs.paths, inputs.payers, first + y)[payer.name] for y in range(inputs.n_budget_years))
    contract = next((_contract(found, inputs) for found in inputs.contracts if found.payer == payer.name), None)
    return PayerLine(payer.name, share, payer.payment_ratio, payer.denial, payer.paid_at_margin, terms, contract)


def _contract(contract: Contract, inputs: ProgrammeInputs) -> ContractLine:
    tariff = price_indices(inputs).tariff[0, 1:]
    plan, baseline = (_series(in_each_year(values, tariff)) for values in (contract.plan, contract.baseline))
    cap = contract.cap if math.isfinite(contract.cap) else None
    return ContractLine(contract.scope, plan, baseline, contract.variable, contract.floor, cap)


def _fixed(inputs: ProgrammeInputs) -> tuple[FixedRow, ...]:
    """Fixed costs with the last month in which each is paid."""
    last = min(inputs.n_stop_month or inputs.n_months, inputs.n_months)
    rows = [replace(row, amount=float(amount[0, 0])) for row, amount in fixed_rows(inputs, price_indices(inputs))]
    return tuple(replace(row, until=row.month if row.every == "once" else min(row.until or last, last)) for row in rows)


def _capital(item: CapitalItem, inputs: ProgrammeInputs) -> CapitalLine:
    basis = item.basis or inputs.capital_basis
    return CapitalLine(
        item=item.item,
        basis=basis,
        cost=item.cost,
        month=item.month,
        share={EXISTING: item.share, PER_USE: 1.0}.get(basis, item.share_if_new),
        life_months=12.0 * item.life_years,
        replace_months=12.0 * item.service_years,
        age_months=12.0 * item.age_years,
        salvage=item.salvage,
        monthly=item.monthly,
        term_months=item.term_months,
        amount=item.amount,
        escalated=item.escalated,
        tax=_one(inputs.share_device_tax),
    )
