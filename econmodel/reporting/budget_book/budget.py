"""Budget sheet: the rows by year for what the switches choose, and what they come to."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from econmodel.programme.calendar import year_names
from econmodel.programme.headline import headline
from econmodel.programme.money.rows import Row
from econmodel.programme.places import PLACES, blocks_bought
from econmodel.reporting.budget_book.book import MONTHS, START_ROW, BudgetBook, block
from econmodel.reporting.budget_book.financing import FINANCED, lowest_after
from econmodel.reporting.workbook.formula import ADD, Formula
from econmodel.reporting.workbook.writer import Sheet, address, letters

BUDGET = "Budget"
FIRST_YEAR = 3
TOP = 9
PLACES_TOP = TOP + len(Row) + 1
TAX_TOP = PLACES_TOP + 3 * len(PLACES) + 2
HEADLINES = 6
HIDDEN = (Row.PRESENT_VALUE, Row.CUMULATIVE_CASH)
STRONG = (Row.PROPHYLAXIS_CONTRIBUTION, Row.NET_CONTRIBUTION, Row.OPERATING_CASH, Row.NET_CASH)


def open_budget(book: BudgetBook) -> None:
    """Write the heading and what is chosen."""
    sheet, inputs = book.sheets[BUDGET], book.plan.inputs
    basis = f"{inputs.cash_basis} {inputs.currency}"
    sheet.heading("Budget by year", f"Change against today's mix, {basis}. Chosen on Decision; months are on Months.")
    for row, name in enumerate(("option", "view", "column", "downside"), start=3):
        sheet.formula(row, 2, book.at(name, "label"), "bold_left")
        sheet.text(row, 1, {"option": "Option", "view": "Paid", "column": "Column", "downside": "Worse"}[name], "small")
    names = year_names(inputs)
    sheet.row(TOP - 1, ["", "Row"], "header")
    sheet.row(TOP - 1, [*names, "Total"], "header_right", first=FIRST_YEAR)


def write_place(book: BudgetBook, key: str) -> Formula:
    """Write slots taken at a place by year, blocks bought of them, and the share of slots outside blocks; give that share."""
    sheet, inputs, v, place = book.sheets[BUDGET], book.plan.inputs, book.v, PLACES[key]
    row, years = PLACES_TOP + 3 * list(PLACES).index(key), inputs.n_budget_years
    taken = _lines(sheet, key, f"{place.label}: slots taken", yearly(book, (f"slots_{key}",)), book, row)
    slots = {key: book.plan.budget.volume.slots[key]}
    blocks, year_slots = blocks_bought(inputs, slots)[key], book.at("year", key).value
    spare = float(getattr(inputs, place.spare)[0])
    share = np.where(year_slots > spare, spare / np.where(year_slots > spare, year_slots, 1.0), 1.0)
    sheet.text(taken, 2, f"{place.label}: blocks bought")
    sheet.text(taken + 1, 2, f"{place.label}: share of slots in no block")
    for year in range(1, years + 1):
        used = f"{letters(FIRST_YEAR + year)}{row}"
        beyond = f"MAX(0,{used}-{v[place.spare].text})/{v[place.block].text}"
        text = f"ROUNDUP(MAX(0,{beyond}-0.000000001),0)"
        sheet.formula(taken, FIRST_YEAR + year, Formula(text, float(blocks[0, year - 1])), "whole")
        part = f"IF({used}>{v[place.spare].text},{v[place.spare].text}/{used},1)"
        sheet.formula(taken + 1, FIRST_YEAR + year, Formula(part, float(share[0, year - 1])), "share")
    book.cells["blocks", key] = block(sheet, taken, FIRST_YEAR + 1, blocks)
    return block(sheet, taken + 1, FIRST_YEAR + 1, share)


def yearly(book: BudgetBook, names: tuple[str, ...], *, real: bool = False) -> Callable[[int], Formula]:
    """Sum of monthly columns over a year, in the basis of the cash where asked."""

    def of(year: int) -> Formula:
        value, parts = 0.0, []
        for name in names:
            column, at = book.over(name), slice(12 * year - 12, 12 * year)
            if real and book.plan.inputs.cash_basis == "real":
                level = book.over("deflator")
                parts.append(f"SUMPRODUCT(({book.over('year').text}={year})*{column.text}/{level.text})")
                value += float((column.value[at] / level.value[at]).sum())
            else:
                parts.append(f"SUMIF({book.over('year').text},{year},{column.text})")
                value += float(column.value[at].sum())
        return Formula("+".join(parts), value, ADD)

    return of


def _lines(
    sheet: Sheet, key: str, label: str, of: Callable[[int], Formula], book: BudgetBook, row: int, style: str = "plain|one"
) -> int:
    years, values = book.plan.inputs.n_budget_years, []
    sheet.text(row, 2, label)
    for year in range(1, years + 1):
        values.append(sheet.formula(row, FIRST_YEAR + year, of(year), style).value)
    book.cells["year", key] = block(sheet, row, FIRST_YEAR + 1, np.array([values]))
    return row + 1


def write_tax(book: BudgetBook) -> None:
    """Write taxable surplus, losses carried forward and tax by year, nominal."""
    sheet, row, years = book.sheets[BUDGET], TAX_TOP, book.plan.inputs.n_budget_years
    cash, worn = yearly(book, (Row.OPERATING_CASH,)), yearly(book, ("worn",))
    sheet.text(row - 1, 2, "Tax, nominal", "header")

    def taxable(year: int) -> Formula:
        before, wear = cash(year), worn(year)
        return Formula(f"{before.text}-{wear.text}", before.value - wear.value, ADD)

    _lines(sheet, "taxable", "Operating cash less depreciation and hire", taxable, book, row, "money")
    losses, owed, due = 0.0, [], book.at("year", "taxable").value[0]
    sheet.text(row + 1, 2, "Losses carried forward")
    sheet.text(row + 2, 2, "Tax")
    for year in range(1, years + 1):
        here, before = (letters(FIRST_YEAR + y) for y in (year, year - 1))
        net = f"{here}{row}" + (f"-{before}{row + 1}" if year > 1 else "")
        left = float(due[year - 1]) - losses
        losses = max(0.0, -left)
        sheet.formula(row + 1, FIRST_YEAR + year, Formula(f"MAX(0,-({net}))", losses), "money")
        tax = Formula(f"{book.v['share_tax'].text}*MAX(0,{net})", book.v["share_tax"].value * max(0.0, left))
        owed.append(sheet.formula(row + 2, FIRST_YEAR + year, tax, "money").value)
    book.cells["tax_by_year",] = block(sheet, row + 2, FIRST_YEAR + 1, np.array([owed]))


def write_rows(book: BudgetBook) -> None:
    """Write every row by year with its total, then what they come to."""
    sheet, years = book.sheets[BUDGET], book.plan.inputs.n_budget_years
    paid = float(book.plan.budget.capital.by_month[0, 0])
    start = {Row.CAPITAL: paid, Row.NET_CASH: -paid, Row.FINANCING: float(book.plan.budget.years[Row.FINANCING][0, 0])}
    last = FIRST_YEAR + years
    for row, line in enumerate((one for one in Row if one not in HIDDEN and one in book.months), start=TOP):
        style = "strong|" if line in STRONG else "plain|"
        sheet.text(row, 1, line, "key")
        sheet.text(row, 2, line.label, "bold" if line in STRONG else "text")
        of, kind, total = yearly(book, (line,), real=not line.is_count), "one" if line.is_count else "money", 0.0
        if line in start:
            text = book.months[line].text[:-1] + f"${START_ROW}"
            total = sheet.formula(row, FIRST_YEAR, Formula(text, start[line]), style + kind).value
        for year in range(1, years + 1):
            total += sheet.formula(row, FIRST_YEAR + year, of(year), style + kind).value
        summed = Formula(f"SUM({letters(FIRST_YEAR)}{row}:{letters(last)}{row})", total)
        book.cells["total", line] = sheet.formula(row, last + 1, summed, style + kind)
    row = TOP + len(Row) - len(HIDDEN)
    sheet.text(row, 1, "R19", "key")
    sheet.text(row, 2, "Cumulative net cash, end of year")
    for year in range(years + 1):
        at = START_ROW + 12 * year
        column = book.months["cumulative_cash"]
        value = column.value[12 * year - 1] if year else -paid
        sheet.formula(row, FIRST_YEAR + year, Formula(column.text[:-1] + f"${at}", float(value)), "plain|money")
    _headline(book, sheet, last_row() - HEADLINES)
    sheet.widths(6, 44, *[13] * (years + 2))
    sheet.frame(f"C{TOP}", book.footer, header_rows=f"{TOP - 1}:{TOP - 1}")
    sheet.page.page_setup.fitToHeight = 1


def last_row() -> int:
    """Last row of what the budget comes to."""
    return TAX_TOP + 5 + HEADLINES


def _headline(book: BudgetBook, sheet: Sheet, row: int) -> None:
    """Net present values, peak and payback of what is chosen."""
    found = headline(book.plan.budget)
    value, freed = book.over(Row.PRESENT_VALUE), book.over("freed_value")
    start = book.months[Row.NET_CASH].text[:-1] + f"${START_ROW}"
    sheet.text(row, 2, "What it comes to", "header")
    cash = sheet.formula(row + 1, 3, Formula(f"{start}+SUM({value.text})", found.npv_cash), "strong|money")
    both = sheet.formula(
        row + 2, 3, Formula(f"{address(row + 1, 3, BUDGET)}+SUM({freed.text})", found.npv_with_capacity), "strong|money"
    )
    chosen = Formula(f"IF({book.at('column').text}=2,{both.text},{cash.text})", found.npv_cash)
    counted = sheet.formula(row + 3, 3, chosen, "strong|money")
    lines = _with_start(book, "cumulative_chosen")
    peak = sheet.formula(row + 4, 3, Formula(f"MIN(0,{lines})", found.peak_cash), "strong|money")
    payback = sheet.formula(row + 5, 3, _payback(book, lines, found.payback_years), "strong|number")
    if FINANCED in book.months:
        sheet.formula(row + 6, 3, lowest_after(book), "strong|money")
        sheet.text(row + 6, 2, "Lowest cumulative cash after financing", "bold")
    labels = ("Net present value in cash", "Net present value with capacity valued", "Net present value, column chosen")
    for offset, label in enumerate((*labels, "Lowest cumulative, column chosen", "Payback, years, column chosen"), start=1):
        sheet.text(row + offset, 2, label, "bold")
    book.cells |= {("npv_cash",): cash, ("npv_with_capacity",): both, ("npv",): counted, ("peak",): peak, ("payback",): payback}


def _with_start(book: BudgetBook, name: str) -> str:
    text = str(book.over(name).text)
    return text.replace(f"${book.rows[0]}:", f"${START_ROW}:")


def _payback(book: BudgetBook, lines: str, years: float | None) -> Formula:
    """Years to the month from which cumulative cash stays at or above 0, within the month; words where it does not."""
    last = f"SUMPRODUCT(MAX(({lines}<0)*({MONTHS}!$A${START_ROW}:$A${book.rows[-1]}+1)))"
    before, after = f"INDEX({lines},{last})", f"INDEX({lines},{last}+1)"
    turned = f"({last}-1-{before}/({after}-{before}))/12"
    text = f'IF({last}=0,0,IF({last}>{book.n_months},"not within the budget",{turned}))'
    return Formula(text, "not within the budget" if years is None else years)
