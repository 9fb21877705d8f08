"""What a closure leaves in the budget workbook: examinations still owed after the last month, and what they are worth in it."""

from __future__ import annotations

import numpy as np

from econmodel.reporting.budget_book.activity import ACTIVITY, MIX, TODAY
from econmodel.reporting.budget_book.book import START_ROW, BudgetBook, added, block, product, times
from econmodel.reporting.budget_book.months import nominal_rate
from econmodel.reporting.workbook.formula import Formula
from econmodel.reporting.workbook.writer import letters, span


def write_worth(book: BudgetBook, sheet_name: str, top: int, column: int) -> None:
    """Write what an activity owed costs after a closure, less its payment, with the work it displaces; at the last year's prices."""
    sheet, v = book.sheets[sheet_name], book.v
    last = {name: _last(book, name) for name in ("mixed", "tariff")}
    unit = {name: book.at("unit", name) for name in ("cash", "income", "seen", "at_surveillance")}
    paid = [unit["income"]]
    for number, contract in enumerate(book.plan.inputs.contracts):
        paid.append(product(book.at("unit", f"contract_{number}"), Formula(repr(contract.variable), contract.variable)))
    owed = unit["seen"] * (unit["cash"] * last["mixed"] - added(paid) * last["tariff"])
    slot = v["n_slots_surveillance"] * v["share_sessions_displacing"] * v["c_displaced_contribution"] * last["tariff"]
    sheet.text(top - 1, column, "Owed after a closure", "header_right")
    found = sheet.array(top, column, owed + unit["at_surveillance"] * slot, "money_exact")
    book.cells["unit", "owed"] = Formula(found.text, np.reshape(found.value, (-1, 1)))


def _last(book: BudgetBook, name: str) -> Formula:
    levels, years = book.at("level", name), book.plan.inputs.n_budget_years
    return Formula(f"INDEX({levels.text},1,{years + 1})", float(levels.value[0, years]))


def write_duty(book: BudgetBook) -> None:
    """Write what a start still owes by month, then all that is owed after the last month, and its value in it; never a gain."""
    plan, sheet = book.plan, book.sheets[ACTIVITY]
    n, column = len(plan.counted), len(plan.counted) + 2 * len(plan.activities) + 6
    total, months = plan.drivers[0].series.shape[1], book.n_months
    each = []
    for offset, (mix, label) in enumerate({MIX: "Owed, of a start", TODAY: "Owed today, of a start"}.items()):
        first, values = book.at("per_start", mix)
        sheet.text(START_ROW - 1, column + offset, label, "header_right")
        found = times(block(sheet, START_ROW + 1, first, values[:, :n]), book.at("unit", "owed"))
        each.append(sheet.array(START_ROW + 1, column + offset, found, "money"))
    month = span(START_ROW + 1, START_ROW + months, 1, ACTIVITY)
    whole, after = (span(START_ROW + 1 + k, START_ROW + total, 1, ACTIVITY) for k in (0, months))
    parts, lag = [], np.arange(months, total)[:, None] - np.arange(total)[None, :]
    for worth, who in zip(each, ("starts", "hub_care"), strict=True):
        begun = book.over(who)
        still = np.where((lag >= 0) & (lag < months), begun.value[lag.clip(0, months - 1)], 0.0)
        lagged = Formula(f"SUMIF({month},{after}-TRANSPOSE({whole})+1,{begun.text})", still)
        parts.append(Formula(f"MMULT({lagged.text},{worth.text})", still @ np.ravel(worth.value)))
    sheet.text(START_ROW - 1, column + 2, "Owed after the last month", "header_right")
    owed = sheet.array(START_ROW + months + 1, column + 2, parts[0] - parts[1], "money")
    rate = nominal_rate(book)
    text = f"MAX(0,SUMPRODUCT({owed.text}*(1+{rate.text})^(-({after}-{months})/12)))"
    sheet.text(4, column + 2, "Worth in the last month", "plain_text")
    duty = Formula(text, float(plan.budget.volume.duty[0]))
    book.cells["duty",] = sheet.formula(5, column + 2, duty, "strong|money")
    sheet.page.column_dimensions[letters(column + 2)].width = 14
