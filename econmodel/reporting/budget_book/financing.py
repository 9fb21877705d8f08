"""Financing in the budget workbook: loans drawn and repaid, the capital charge where it is paid, and cash after both, by month."""

from __future__ import annotations

import numpy as np

from econmodel.programme.money.finance import annualised
from econmodel.programme.money.rows import Row
from econmodel.reporting.budget_book.book import MONTHS, START_ROW, BudgetBook
from econmodel.reporting.budget_book.capital import CAPITAL, book_in
from econmodel.reporting.workbook.formula import BEFORE, ROW, Formula
from econmodel.reporting.workbook.writer import Sheet, address, letters

HEADERS = ("Loan", "Amount", "Drawn in month", "Rate a year", "Months to repay", "Repaid a month")
FINANCED = "cumulative_financed"


def has_financing(book: BudgetBook) -> bool:
    """Whether the case has a loan, or pays its capital charge."""
    return bool(book.plan.inputs.loans) or book.plan.inputs.capital_charge == "paid"


def write_loans(book: BudgetBook, row: int) -> None:
    """Write each loan with what is repaid of it in a month."""
    sheet, loans = book.sheets[CAPITAL], book.plan.inputs.loans
    if loans:
        sheet.row(row, list(HEADERS), "headings")
    for at, loan in enumerate(loans, start=row + 1):
        sheet.text(at, 1, loan.name)
        for column, value in enumerate((loan.amount, loan.month, loan.rate, loan.term_months), start=2):
            sheet.number(at, column, float(value), "input")
        amount, _, rate, term = (letters(column) + str(at) for column in range(2, 6))
        monthly = f"((1+{rate})^(1/12)-1)"
        text = f"IF({rate}=0,{amount}/{term},{amount}*{monthly}/(1-(1+{monthly})^-{term}))"
        level = annualised(loan.amount, (1.0 + loan.rate) ** (1.0 / 12.0) - 1.0, loan.term_months)
        sheet.formula(at, 6, Formula(text, level), "money_exact")
    book.cells["loans",] = row + 1


def write_financing(book: BudgetBook, sheet: Sheet, column: int) -> int:
    """Write R17f, nominal, and cumulative cash after it in the basis of the cash, from a column on; give the next."""
    if not has_financing(book):
        return column
    budget, m = book.plan.budget, book.months
    level = m["deflator"].value
    months, start = budget.months[Row.FINANCING][0], float(budget.years[Row.FINANCING][0, 0])
    at_start = sheet.formula(START_ROW, column, Formula(_paid(book, "0", ""), start), "money")
    text = _paid(book, f"$A{ROW}", book_in(book, f"$A{ROW}") if book.plan.inputs.capital_charge == "paid" else "")
    paid = book.put(sheet, column, Row.FINANCING, f"{Row.FINANCING} {Row.FINANCING.label}", Formula(text, months * level), "money")
    first = Formula(f"{m['cash'].text.replace(ROW, str(START_ROW))}-{at_start.text}", float(budget.flows[0, 0]) - start)
    sheet.formula(START_ROW, column + 1, first, "money")
    flow = (m["cash"] - paid / m["deflator"]).text
    total = first.value + np.cumsum(budget.flows[0, 1:] - months)
    sheet.text(START_ROW - 1, column + 1, "Cumulative cash after financing", "header_right")
    after = Formula(f"${letters(column + 1)}{BEFORE}+{flow}", total)
    m[FINANCED] = sheet.column(book.rows, column + 1, after, "money", {BEFORE: [row - 1 for row in book.rows]})
    return column + 2


def _paid(book: BudgetBook, month: str, held: str) -> str:
    """Repayments less what is drawn in a month, and the charge on what is held."""
    parts, top = ["0"], int(book.at("loans"))
    for at in range(top, top + len(book.plan.inputs.loans)):
        amount, drawn, term, level = (address(at, column, CAPITAL) for column in (2, 3, 5, 6))
        parts.append(f"IF({month}={drawn},-{amount},IF(AND({month}>{drawn},{month}<={drawn}+{term}),{level},0))")
    charge = f"+{book.v['r_capital_charge'].text}*{held}/12" if held else ""
    return f"({'+'.join(parts)})*{book.at('builds').text}{charge}"


def lowest_after(book: BudgetBook) -> Formula:
    """Lowest cumulative cash after financing."""
    found = book.plan.budget.peak_after_financing
    column = book.months[FINANCED].text.split("$")[1][:-1]
    cells = f"{MONTHS}!${column}${START_ROW}:${column}${book.rows[-1]}"
    return Formula(f"MIN(0,{cells})", 0.0 if found is None else float(found[0]))
