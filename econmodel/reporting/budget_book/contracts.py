"""Blended contracts in the budget workbook: a year's change in value within each, what its contract pays of it, and the share kept."""

from __future__ import annotations

import numpy as np

from econmodel.parameters.catalogue import CATEGORY
from econmodel.programme.calendar import year_names
from econmodel.programme.input_tables import Contract
from econmodel.programme.inputs import ProgrammeInputs
from econmodel.programme.money.contracts import in_each_year, share_paid
from econmodel.programme.money.finance import by_year
from econmodel.programme.money.levels import price_indices
from econmodel.reporting.budget_book.book import BudgetBook, block, times
from econmodel.reporting.budget_book.budget import BUDGET, FIRST_YEAR, last_row, yearly
from econmodel.reporting.workbook.formula import Formula
from econmodel.reporting.workbook.writer import Sheet, address, letters

TERMS = {"variable": "Paid of what goes beyond the plan", "floor": "Least paid, of the plan", "cap": "Most paid, of the plan"}
ROWS = 4
BELOW = 5


def covers(contract: Contract, key: str) -> bool:
    """Whether an activity is settled by a contract."""
    return key in contract.scope or CATEGORY.get(key) in contract.scope


def contract_of(inputs: ProgrammeInputs, payer: str) -> Contract | None:
    """A payer's contract."""
    return next((contract for contract in inputs.contracts if contract.payer == payer), None)


def write_contracts(book: BudgetBook, column: int) -> None:
    """Write each contract's change in value by month from a column of its own on; below the budget, what is paid of it by year."""
    sheet, inputs = book.sheets[BUDGET], book.plan.inputs
    for number, contract in enumerate(inputs.contracts):
        top = last_row() + BELOW + number * (ROWS + len(TERMS) + 2)
        sheet.text(top, 2, f"Contract of {contract.payer}, nominal", "header")
        sheet.row(top, list(year_names(inputs)), "header_right", first=FIRST_YEAR)
        for offset, (name, label) in enumerate(TERMS.items(), start=1):
            value = getattr(contract, name)
            sheet.text(top + offset, 2, label)
            sheet.number(top + offset, FIRST_YEAR, value if np.isfinite(value) else None, "input")
        share = _by_year(book, sheet, contract, number, top + len(TERMS) + 1)
        months = Formula(f"INDEX({share.text},1,{book.months['year'].text})", np.repeat(share.value[0], 12))
        book.put(book.sheets["Months"], column + 2 * number + 1, f"kept_{number}", f"{contract.payer}: share paid", months, "factor")


def write_values(book: BudgetBook, column: int) -> None:
    """Write each contract's change in value at full payment, by month."""
    unit, v = {name: book.at("unit", name) for name in ("own", "harm", "rest")}, book.v
    counted = unit["own"] + unit["harm"] * v["share_harms_paid"] + unit["rest"]
    for number, contract in enumerate(book.plan.inputs.contracts):
        value = times(book.at("activity"), book.at("unit", f"contract_{number}"), counted) * book.over("tariff")
        book.put_array(
            book.sheets["Months"], column + 2 * number, f"contract_{number}", f"{contract.payer}: change in value", value, "money"
        )


def _by_year(book: BudgetBook, sheet: Sheet, contract: Contract, number: int, row: int) -> Formula:
    """Plan, payment without the change and with it, and the share paid, by year; give that share."""
    inputs = book.plan.inputs
    tariff = price_indices(inputs).tariff[:, 1:]
    added = by_year(book.months[f"contract_{number}"].value[None, :])
    share = share_paid(contract, added, tariff)
    change = yearly(book, (f"contract_{number}",))
    v, floor, cap = (address(row - 3 + offset, FIRST_YEAR) for offset in range(3))
    for offset, label in enumerate(("Plan", "Without the programme", "Change in value", "Share of the change that is paid")):
        sheet.text(row + offset, 2, label)
    for year in range(1, inputs.n_budget_years + 1):
        at = FIRST_YEAR + year
        for offset, values in enumerate((contract.plan, contract.baseline)):
            _planned(book, sheet, (row + offset, at), values, year, row + offset)
        sheet.formula(row + 2, at, change(year), "money")
        plan, base, more = (f"{letters(at)}${row + k}" for k in range(3))
        most = f"IF(ISNUMBER({cap}),({cap}-1)*{plan},1E+99)"
        paid = [f"MIN(MAX({v}*({value}-{plan}),({floor}-1)*{plan}),{most})" for value in (f"({base}+{more})", base)]
        text = f"IF({more}=0,{v},({paid[0]}-{paid[1]})/{more})"
        sheet.formula(row + 3, at, Formula(text, float(share[0, year - 1])), "factor")
    return block(sheet, row + 3, FIRST_YEAR + 1, share)


def _planned(book: BudgetBook, sheet: Sheet, place: tuple[int, int], values: tuple[float, ...], year: int, row: int) -> None:
    """A plan of a year: as given, or the one given, left of the years, at the level of payments."""
    if len(values) > 1:
        sheet.number(*place, values[year - 1], "input")
        return
    one = sheet.number(row, FIRST_YEAR, values[0], "input")
    levels = book.at("level", "tariff")
    level = Formula(f"INDEX({levels.text},1,{year + 1})", float(levels.value[0, year]))
    found = float(in_each_year(values, np.array([level.value]))[0])
    sheet.formula(*place, Formula(f"{one.text}*{level.text}", found), "money")
