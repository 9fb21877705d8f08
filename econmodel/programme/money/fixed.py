"""Fixed costs by month: coordinator, service contract, training, the site's own rows, and the contingency on them.

Which of them an option carries follows from what a row needs. All end when the programme is stopped.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from econmodel.programme.cost_tables import ALWAYS, SESSIONS, FixedRow
from econmodel.programme.inputs import ProgrammeInputs, is_change
from econmodel.programme.intake import running
from econmodel.programme.money.levels import PriceIndices
from econmodel.records import record

FloatArray = NDArray[np.float64]


@record
class FixedCost:
    """Nominal amounts by month, shape (draw, month): in all, the contingency in it, and what of it is paid every year."""

    total: FloatArray
    contingency: FloatArray
    recurrent: FloatArray


def fixed_rows(inputs: ProgrammeInputs, prices: PriceIndices) -> tuple[tuple[FixedRow, FloatArray], ...]:
    """Fixed costs with their amounts, (draw, period) or (draw, 1): the three that every case has, then the site's own."""
    service = prices.of(inputs, "c_service_contract") * (1.0 + inputs.share_device_tax[:, None])
    return (
        (FixedRow("Coordinator", 0.0), prices.of(inputs, "c_coordinator")),
        (FixedRow("Service contract", 0.0, index="devices"), service),
        (FixedRow("Training and set-up", 0.0, every="once", recurrent=False), prices.of(inputs, "c_training")),
        *((row, np.array([[row.amount]])) for row in inputs.fixed_costs),
    )


def is_carried(inputs: ProgrammeInputs, needs: str) -> bool:
    """Whether the proposal carries what needs sessions, a strategy, or nothing."""
    if needs in (ALWAYS, SESSIONS):
        return is_change(inputs) and (needs == ALWAYS or inputs.adds_sessions)
    return inputs.proposed_mix.get(needs, 0.0) > inputs.current_mix.get(needs, 0.0)


def posts(inputs: ProgrammeInputs) -> FloatArray:
    """Whole-time posts that carried rows pay for, by month, (draw, month): the coordinator's and those of the site's own rows."""
    month = np.arange(1, inputs.n_months + 1)
    found = inputs.n_posts_coordinator[:, None] * (running(inputs) & is_carried(inputs, SESSIONS))
    for row in inputs.fixed_costs:
        if row.every == "year" and is_carried(inputs, row.needs):
            found = found + row.wte * ((month >= row.month) & (month <= (row.until or inputs.n_months)) & running(inputs))
    return np.asarray(found)


def fixed_cost(inputs: ProgrammeInputs, prices: PriceIndices) -> FixedCost:
    """R13: every carried row, the contingency on them, and the exit cost in the month of a stop or closure."""
    month, n_months = np.arange(1, inputs.n_months + 1), inputs.n_months
    once, recurrent = np.zeros_like(prices.pay), np.zeros_like(prices.pay)
    for row, amount in fixed_rows(inputs, prices):
        if is_carried(inputs, row.needs):
            paid = month == row.month if row.every == "once" else (month >= row.month) & (month <= (row.until or n_months))
            level = 1.0 if row.index == "none" else getattr(prices, row.index)
            each = amount * level * (paid & running(inputs)) / (1.0 if row.every == "once" else 12.0)
            once, recurrent = (once, recurrent + each) if row.recurrent else (once + each, recurrent)
    contingency = inputs.share_contingency[:, None] * (once + recurrent)
    stop = inputs.n_stop_month or (n_months if inputs.closes else 0)
    leaves = (month == stop) * prices.of(inputs, "c_exit") * prices.pay * is_carried(inputs, SESSIONS)
    return FixedCost(once + recurrent + contingency + leaves, contingency, recurrent)
