"""Rows of the budget by month, R1 to R14 and R20.

Takes activity and money per unit; gives nominal rows of shape (draw, month). Every row but the one of time freed is cash.
What is income or cost of a bleed avoided holds everything outside the prophylaxis category: bleeds, care after them, and the
care of living longer. Complications of the programme stand apart from its work.
"""

from __future__ import annotations

from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from econmodel.parameters.catalogue import BLEED_ADMISSIONS, EXAMINATIONS
from econmodel.programme.inputs import ProgrammeInputs
from econmodel.programme.intake import ProgrammeActivity
from econmodel.programme.money.levels import PriceIndices
from econmodel.programme.money.payers import UnitMoney
from econmodel.programme.places import PLACES, SURVEILLANCE, Slots

FloatArray = NDArray[np.float64]
Rows = dict["Row", FloatArray]


class Row(StrEnum):
    """Row of the budget: its code, as files give it, with its label; a cost is taken away, a count is no money."""

    label: str
    is_cost: bool
    is_count: bool

    def __new__(cls, code: str, label: str, kind: str = "") -> Row:
        """Make a row of a code, a label and a kind: ``cost``, ``count`` or neither."""
        row = str.__new__(cls, code)
        row._value_ = code
        row.label, row.is_cost, row.is_count = label, kind == "cost", kind == "count"
        return row

    STARTS = "R1", "Starts", "count"
    SESSIONS = "R2", "Treatment sessions", "count"
    BLEEDS_AVERTED = "R3", "Bleeds averted", "count"
    PROPHYLAXIS_INCOME = "R4", "Prophylaxis income"
    SURVEILLANCE_INCOME = "R4s", "of which surveillance"
    PROPHYLAXIS_COST = "R5", "Prophylaxis variable cost", "cost"
    SURVEILLANCE_COST = "R5s", "of which surveillance"
    PROPHYLAXIS_CONTRIBUTION = "R6", "Prophylaxis contribution"
    HARM_INCOME = "R4h", "Income for complications"
    HARM_COST = "R6h", "Variable cost of complications", "cost"
    BLEED_COST_AVOIDED = "R7", "Variable cost of bleeds avoided"
    BLEED_INCOME_LOST = "R8", "Income lost on bleeds avoided", "cost"
    REFILLED_BEDS = "R9", "Contribution of refilled beds"
    DISPLACED_WORK = "R10", "Contribution of displaced work", "cost"
    TRANSFERS = "R11t", "Transfers from partner sites"
    NET_CONTRIBUTION = "R11", "Net contribution"
    STEP_COST = "R12", "Step-fixed cost", "cost"
    FIXED_COST = "R13", "Fixed cost", "cost"
    CONTINGENCY = "R13c", "of which contingency", "cost"
    OPERATING_CASH = "R14", "Operating cash"
    TAX = "R15", "Tax", "cost"
    WORKING_CAPITAL = "R16", "Increase in working capital", "cost"
    CAPITAL = "R17", "Capital and hire less salvage", "cost"
    NET_CASH = "R18", "Net cash"
    FINANCING = "R17f", "Repayments and capital charge paid less loans drawn", "cost"
    BOOK_VALUE = "R17r", "Book value of equipment at the end"
    DUTY = "R17d", "Duty of follow-up after closure", "cost"
    CUMULATIVE_CASH = "R19", "Cumulative net cash"
    PRESENT_VALUE = "R19_present_value", "Present value"
    TIME_FREED = "RC", "Staff time freed, no cash"
    BED_DAYS = "R20", "Net bed-days released", "count"


TO_CONTRIBUTION = (
    Row.PROPHYLAXIS_CONTRIBUTION,
    Row.HARM_INCOME,
    Row.HARM_COST,
    Row.BLEED_COST_AVOIDED,
    Row.BLEED_INCOME_LOST,
    Row.REFILLED_BEDS,
    Row.DISPLACED_WORK,
    Row.TRANSFERS,
)
"""What net contribution is the sum of, costs taken away."""
MONEY_ROWS = tuple(row for row in Row if not row.is_count and row not in (Row.CUMULATIVE_CASH, Row.PRESENT_VALUE))


def deflator(inputs: ProgrammeInputs) -> FloatArray:
    """What a month's nominal money is divided by in the basis of the cash, shape (draw, month): prices since the start, or 1."""
    month = np.arange(1.0, inputs.n_months + 1.0)
    return np.asarray((1.0 + inputs.r_inflation[:, None] * (inputs.cash_basis == "real")) ** (month / 12.0))


def bed_days_released(inputs: ProgrammeInputs, activity: ProgrammeActivity, change: FloatArray) -> FloatArray:
    """R20: bleed and readmission days avoided, less procedure and complication days; (draw, month).

    Each bleed admission, with rescue or without, takes ``n_stay_days``; where early rebleeds are costed as
    readmissions, each of these takes ``n_days_readmission`` instead, so no day is counted twice.
    """
    bleed = activity.total(change, *BLEED_ADMISSIONS) * inputs.n_stay_days[:, None]
    readmission = activity.total(change, "readmission") * inputs.n_days_readmission[:, None]
    return -(bleed + readmission + activity.total(change, "procedure_days", "complication_days"))


def slots_taken(inputs: ProgrammeInputs, activity: ProgrammeActivity, change: FloatArray) -> Slots:
    """Slots by place, arrays (draw, month): a treatment session each, a surveillance endoscopy its weight."""
    weight = {SURVEILLANCE: inputs.n_slots_surveillance[:, None]}
    return {key: weight.get(key, 1.0) * activity.total(change, *place.activities) for key, place in PLACES.items()}


def displaced_work(inputs: ProgrammeInputs, slots: FloatArray, prices: PriceIndices) -> FloatArray:
    """Contribution that slots outside bought blocks displace, (draw, month)."""
    return prices.tariff * slots * (inputs.share_sessions_displacing[:, None] * prices.of(inputs, "c_displaced_contribution"))


def activity_rows(
    inputs: ProgrammeInputs, activity: ProgrammeActivity, change: FloatArray, money: UnitMoney, prices: PriceIndices
) -> Rows:
    """Rows R2 to R9, R20 and RC of any change in activity, contracts left out: all in proportion to the change.

    Parameters
    ----------
    inputs, activity, money
        Inputs, the activity names, money per unit.
    change
        Proposed less current activity, shape (draw, period, activity).
    prices
        Indices of the same periods, arrays (draw, period).
    """

    def cost(mask: NDArray[np.bool_], share: FloatArray = money.cash_share) -> FloatArray:
        unit = money.variable_cost * share
        device, other = (worth(change, unit * (mask & kind)) for kind in (money.is_device, ~money.is_device))
        return np.asarray(prices.devices * device + prices.mixed * other)

    seen = np.isin(activity.activities, EXAMINATIONS)
    days = bed_days_released(inputs, activity, change)
    return income_rows(inputs, activity, change, money, money.income, prices) | {
        Row.SESSIONS: activity.total(change, "sessions"),
        Row.BLEEDS_AVERTED: -activity.total(change, "first_bleeds", "rebleeds"),
        Row.PROPHYLAXIS_COST: cost(money.is_prophylaxis & ~money.is_harm),
        Row.SURVEILLANCE_COST: cost(seen),
        Row.HARM_COST: cost(money.is_harm),
        Row.BLEED_COST_AVOIDED: -cost(~money.is_prophylaxis),
        Row.BED_DAYS: days,
        Row.REFILLED_BEDS: prices.tariff * days * (inputs.share_bed_refill[:, None] * prices.of(inputs, "c_refill_contribution")),
        Row.TIME_FREED: -cost(np.ones_like(seen), 1.0 - money.cash_share),
    }


def income_rows(
    inputs: ProgrammeInputs,
    activity: ProgrammeActivity,
    change: FloatArray,
    money: UnitMoney,
    income: FloatArray,
    prices: PriceIndices,
) -> Rows:
    """R4, R4s, R4h and R8 of a change in activity at an income per unit, (draw, activity); other arguments as above."""

    def total(mask: NDArray[np.bool_]) -> FloatArray:
        return np.asarray(prices.tariff * worth(change, income * mask))

    return {
        Row.PROPHYLAXIS_INCOME: total(money.is_prophylaxis & ~money.is_harm),
        Row.SURVEILLANCE_INCOME: total(np.isin(activity.activities, EXAMINATIONS)),
        Row.HARM_INCOME: total(money.is_harm) * inputs.share_harms_paid[:, None],
        Row.BLEED_INCOME_LOST: -total(~money.is_prophylaxis),
    }


def paid_income(rows: Rows) -> FloatArray:
    """Income on which payers owe, less what is lost."""
    return rows[Row.PROPHYLAXIS_INCOME] + rows[Row.HARM_INCOME] - rows[Row.BLEED_INCOME_LOST]


def with_contribution(rows: Rows) -> Rows:
    """Add R6 and R11 to the rows that make them."""
    own = rows[Row.PROPHYLAXIS_INCOME] - rows[Row.PROPHYLAXIS_COST]
    harm = rows[Row.HARM_INCOME] - rows[Row.HARM_COST]
    bleeds = rows[Row.BLEED_COST_AVOIDED] - rows[Row.BLEED_INCOME_LOST]
    net = own + harm + bleeds + rows[Row.REFILLED_BEDS] - rows[Row.DISPLACED_WORK] + rows[Row.TRANSFERS]
    return rows | {Row.PROPHYLAXIS_CONTRIBUTION: own, Row.NET_CONTRIBUTION: net}


def follow_up_duty(
    inputs: ProgrammeInputs, activity: ProgrammeActivity, change: FloatArray, rows: Rows, prices: PriceIndices
) -> FloatArray:
    """Cost of the examinations still owed, displaced work with them, less what they are paid; nominal, shape (draw, month)."""
    seen = slots_taken(inputs, activity, change)[SURVEILLANCE]
    return np.asarray(rows[Row.SURVEILLANCE_COST] - rows[Row.SURVEILLANCE_INCOME] + displaced_work(inputs, seen, prices))


def worth(change: FloatArray, unit: FloatArray) -> FloatArray:
    """Money of a change in activity, (draw, period), at that of a unit, (draw, activity), or by year, (draw, year, activity)."""
    n = np.broadcast_shapes(change.shape[:1], unit.shape[:1])[0]
    change, unit = (np.broadcast_to(a, (n, *a.shape[1:])) if len(a) != n else a for a in (change, unit))
    if unit.ndim == 2:
        return np.asarray(np.einsum("dpa,da->dp", change, unit))
    return np.asarray(np.einsum("dpa,dpa->dp", change, np.repeat(unit, change.shape[1] // unit.shape[1], axis=1)))
