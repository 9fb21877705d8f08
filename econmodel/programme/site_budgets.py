"""Money of partner sites: what they no longer do and earn, and what they pay the hub.

Prices and payers are the hub's, with a contract's variable share, as its plan is not the partner's, unless the site has its own. Fixed
cost, blocks and equipment are the hub's alone.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from econmodel.programme.budget import MONTHS, Budget
from econmodel.programme.intake import SiteActivity
from econmodel.programme.money import finance
from econmodel.programme.money.levels import price_indices
from econmodel.programme.money.payers import site_money
from econmodel.programme.money.rows import (
    MONEY_ROWS,
    Row,
    Rows,
    activity_rows,
    deflator,
    displaced_work,
    paid_income,
    slots_taken,
    with_contribution,
)
from econmodel.records import record

FloatArray = NDArray[np.float64]
HUB, SYSTEM = "Hub", "All places together"
PLACE_ROWS: tuple[Row, ...] = (*MONEY_ROWS, Row.BED_DAYS)


@record
class PlaceMoney:
    """Money of one place by year, arrays (draw, year), year 0 the start, in the basis of the cash."""

    name: str
    years: Rows
    npv_cash: FloatArray

    def to_json(self) -> dict[str, Any]:
        """Give it for JSON (means over draws)."""
        rows = {row: a.mean(axis=0).tolist() for row, a in self.years.items()}
        return {"npv_cash": float(self.npv_cash.mean()), "years": rows}


def money_by_place(budget: Budget) -> tuple[PlaceMoney, ...]:
    """Money of the hub, of each partner, and of all together; nothing without partners."""
    if not budget.activity.sites:
        return ()
    hub = PlaceMoney(HUB, {row: budget.years[row] for row in PLACE_ROWS}, budget.npv_cash)
    places = (hub, *(_partner(budget, part) for part in budget.activity.sites))
    together = {row: np.asarray(sum(place.years[row] for place in places)) for row in PLACE_ROWS}
    return (*places, PlaceMoney(SYSTEM, together, np.asarray(sum(place.npv_cash for place in places))))


def _partner(budget: Budget, part: SiteActivity) -> PlaceMoney:
    inputs, prices = budget.inputs, price_indices(budget.inputs).monthly()
    slots = np.asarray(sum(slots_taken(inputs, budget.activity, part.change).values()))
    starts = part.share * budget.volume.rows[Row.STARTS]
    rows = activity_rows(
        inputs, budget.activity, part.change, site_money(inputs, budget.money, part.site, budget.activity.activities), prices
    ) | {
        Row.DISPLACED_WORK: displaced_work(inputs, slots, prices),
        Row.TRANSFERS: -starts * part.site.transfer_payment * prices.tariff,
    }
    rows = dict.fromkeys(PLACE_ROWS, np.zeros_like(starts)) | with_contribution(rows)
    rows[Row.OPERATING_CASH] = rows[Row.NET_CONTRIBUTION]
    rows[Row.TAX] = np.zeros_like(rows[Row.OPERATING_CASH])
    rows[Row.TAX][:, 11::12] = finance.tax_due(finance.by_year(rows[Row.OPERATING_CASH]), inputs.share_tax)
    rows[Row.WORKING_CAPITAL] = finance.working_capital_increase(paid_income(rows), inputs.n_settlement_days, collected=inputs.closes)
    rows[Row.NET_CASH] = rows[Row.OPERATING_CASH] - rows[Row.TAX] - rows[Row.WORKING_CAPITAL]
    months = {row: rows[row] / (1.0 if row.is_count else deflator(inputs)) for row in PLACE_ROWS}
    flows = np.pad(months[Row.NET_CASH], [(0, 0), (1, 0)])
    years = {row: finance.with_start(a) for row, a in months.items()}
    return PlaceMoney(part.site.name, years, finance.npv(budget.rate, flows, MONTHS))
