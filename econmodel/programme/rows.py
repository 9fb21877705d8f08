"""Rows of the budget by month, R1 to R14 and R20, and their price indices.

Takes activity and money per unit; gives nominal rows of shape (draw, month). What is income or cost of a bleed
avoided holds everything outside the prophylaxis category: bleeds, care after them, and the care of living longer.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from econmodel.programme.activity import ProgrammeActivity
from econmodel.programme.finance import nominal_rate
from econmodel.programme.inputs import ProgrammeInputs
from econmodel.programme.intake import running
from econmodel.programme.payers import BLEED_ADMISSIONS, SURVEILLANCE, UnitMoney

FloatArray = NDArray[np.float64]
LABELS: dict[str, str] = {
    "R1": "Starts",
    "R2": "Treatment sessions",
    "R3": "Bleeds averted",
    "R4": "Prophylaxis income",
    "R5": "Prophylaxis variable cost",
    "R6": "Prophylaxis contribution",
    "R7": "Variable cost of bleeds avoided",
    "R8": "Income lost on bleeds avoided",
    "R9": "Contribution of refilled beds",
    "R10": "Contribution of displaced work",
    "R11": "Net contribution",
    "R12": "Step-fixed cost",
    "R13": "Fixed cost",
    "R14": "Operating cash",
    "R15": "Tax",
    "R16": "Increase in working capital",
    "R17": "Capital less salvage",
    "R18": "Net cash",
    "R19": "Cumulative net cash",
    "R19_present_value": "Present value of net cash",
    "R20": "Net bed-days released",
}
MONEY_ROWS = ("R4", "R5", "R6", "R7", "R8", "R9", "R10", "R11", "R12", "R13", "R14", "R15", "R16", "R17", "R18")


@dataclass(frozen=True)
class PriceIndices:
    """Nominal prices relative to today by year, arrays (draw, year), year 0 (today) first; year y is at its end."""

    pay: FloatArray
    devices: FloatArray
    tariff: FloatArray
    general: FloatArray
    mixed: FloatArray

    def monthly(self) -> PriceIndices:
        """Spread years 1 .. n over their months, arrays (draw, month)."""
        return PriceIndices(*(np.repeat(a[:, 1:], 12, axis=1) for a in vars(self).values()))

    def last_year(self) -> PriceIndices:
        """Prices of the last year, arrays (draw, 1)."""
        return PriceIndices(*(a[:, -1:] for a in vars(self).values()))


def price_indices(inputs: ProgrammeInputs) -> PriceIndices:
    """Build indices from the escalators; real escalators are turned into nominal ones first.

    ``mixed`` is for variable costs other than devices: ``share_variable_pay`` follows pay, the rest devices.
    """
    year = np.arange(inputs.n_budget_years + 1.0)

    def index(escalator: FloatArray) -> FloatArray:
        nominal = escalator if inputs.escalator_basis == "nominal" else nominal_rate(escalator, inputs.r_inflation)
        return np.asarray((1.0 + nominal[:, None]) ** year)

    pay, devices = index(inputs.r_escalator_pay), index(inputs.r_escalator_devices)
    share = inputs.share_variable_pay[:, None]
    general = (1.0 + inputs.r_inflation[:, None]) ** year
    return PriceIndices(pay, devices, index(inputs.r_escalator_tariff), general, share * pay + (1.0 - share) * devices)


def bed_days_released(inputs: ProgrammeInputs, activity: ProgrammeActivity, change: FloatArray) -> FloatArray:
    """R20: bleed and readmission days avoided, less procedure and complication days; (draw, month).

    Each bleed admission, with rescue or without, takes ``n_stay_days``; where early rebleeds are costed as
    readmissions, each of these takes ``n_days_readmission`` instead, so no day is counted twice.
    """
    bleed = activity.total(change, *BLEED_ADMISSIONS) * inputs.n_stay_days[:, None]
    readmission = activity.total(change, "readmission") * inputs.n_days_readmission[:, None]
    return -(bleed + readmission + activity.total(change, "procedure_days", "complication_days"))


def session_slots(inputs: ProgrammeInputs, activity: ProgrammeActivity, change: FloatArray) -> FloatArray:
    """Endoscopy slots: treatment sessions, and surveillance examinations at their weight; (draw, month)."""
    surveillance = activity.total(change, *SURVEILLANCE)
    return activity.total(change, "sessions") + inputs.n_slots_surveillance[:, None] * surveillance


def contribution_rows(
    inputs: ProgrammeInputs, activity: ProgrammeActivity, change: FloatArray, money: UnitMoney, prices: PriceIndices
) -> dict[str, FloatArray]:
    """Rows R2 to R11 and R20 of any change in activity.

    Parameters
    ----------
    inputs, activity, money
        Inputs, the activity names, money per unit.
    change
        Proposed less current activity, shape (draw, period, activity).
    prices
        Indices of the same periods, arrays (draw, period).
    """

    def income(mask: NDArray[np.bool_]) -> FloatArray:
        return np.asarray(prices.tariff * np.einsum("dpa,da->dp", *_same(change, money.income * mask)))

    def cost(mask: NDArray[np.bool_]) -> FloatArray:
        device = np.einsum("dpa,da->dp", *_same(change, money.variable_cost * (mask & money.is_device)))
        other = np.einsum("dpa,da->dp", *_same(change, money.variable_cost * (mask & ~money.is_device)))
        return np.asarray(prices.devices * device + prices.mixed * other)

    rows = {"R2": activity.total(change, "sessions"), "R3": -activity.total(change, "first_bleeds", "rebleeds")}
    rows["R4"], rows["R5"] = income(money.is_prophylaxis), cost(money.is_prophylaxis)
    rows["R6"] = rows["R4"] - rows["R5"]
    saved = -cost(~money.is_prophylaxis)
    rows["R7"] = np.where(saved > 0, saved * inputs.saving_factor[:, None], saved)
    rows["R8"] = -income(~money.is_prophylaxis)
    rows["R20"] = bed_days_released(inputs, activity, change)
    refill = (inputs.share_bed_refill * inputs.c_refill_contribution)[:, None]
    rows["R9"] = prices.tariff * rows["R20"] * refill
    displaced = (inputs.share_sessions_displacing * inputs.c_displaced_contribution)[:, None]
    rows["R10"] = prices.tariff * session_slots(inputs, activity, change) * displaced
    rows["R11"] = rows["R6"] + rows["R7"] - rows["R8"] + rows["R9"] - rows["R10"]
    return rows


def surveillance_contribution(activity: ProgrammeActivity, money: UnitMoney, prices: PriceIndices) -> FloatArray:
    """Part of R6 that comes from surveillance examinations rather than treatment, shape (draw, month)."""
    chosen = np.array([name in SURVEILLANCE for name in activity.activities])
    income = np.einsum("dpa,da->dp", *_same(activity.change, money.income * chosen))
    cost = np.einsum("dpa,da->dp", *_same(activity.change, money.variable_cost * chosen))
    return np.asarray(prices.tariff * income - prices.mixed * cost)


def _same(change: FloatArray, weights: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Give both arrays the same number of draws."""
    n = np.broadcast_shapes(change.shape[:1], weights.shape[:1])[0]
    return np.broadcast_to(change, (n, *change.shape[1:])), np.broadcast_to(weights, (n, weights.shape[1]))


def step_blocks(inputs: ProgrammeInputs, slots: FloatArray) -> FloatArray:
    """Count blocks bought by year, ``ceil((slots - spare) / block size)``; slots (draw, month) -> (draw, year)."""
    yearly = slots.reshape(slots.shape[0], -1, 12).sum(axis=2)
    beyond = np.maximum(0.0, yearly - inputs.n_spare_sessions[:, None])
    return np.asarray(np.ceil(beyond / inputs.n_sessions_per_block[:, None] - 1e-9))


def fixed_cost(inputs: ProgrammeInputs, prices: PriceIndices) -> FloatArray:
    """R13: coordinator and service contract while running, training in month 1, exit cost in the month of a stop."""
    on = running(inputs)
    yearly = inputs.c_coordinator[:, None] * prices.pay + inputs.c_service_contract[:, None] * prices.devices
    cost = on * yearly / 12.0
    once = np.zeros_like(cost)
    once[:, 0] = inputs.c_training
    if 0 < inputs.n_stop_month <= inputs.n_months:
        once[:, inputs.n_stop_month - 1] += inputs.c_exit
    return np.asarray(cost + once * prices.pay)
