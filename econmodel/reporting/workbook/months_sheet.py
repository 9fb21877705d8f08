"""Months sheet: discount factors at cycle boundaries, and the months in which a surveillance visit is due."""

from __future__ import annotations

from econmodel.model.hazards import CYCLES_PER_YEAR
from econmodel.reporting.workbook.book import Book
from econmodel.reporting.workbook.layout import FIRST_MONTH_ROW, StrategyPlan

NAME = "Months"
MONTH, MODEL_YEAR, AS_IS, COSTS, OUTCOMES, FIRST_VISIT = range(1, 7)
WEIGHTINGS = {"undiscounted": AS_IS, "costs": COSTS, "outcomes": OUTCOMES}


def build_months(book: Book) -> None:
    """Write the months: discount factors at cycle boundaries, and visits due by strategy."""
    sheet = book.add_sheet(NAME)
    sheet.heading("Months", "Discount factors (1 + d)^-t at the boundaries of cycles, and whether a surveillance visit is due.")
    plans = book.layout.strategies
    sheet.row(
        FIRST_MONTH_ROW - 1,
        ["Month", "Model year", "Undiscounted", "Costs", "Outcomes", *(f"Visit due: {plan.row.label}" for plan in plans)],
    )
    rates = [book.input("discount_costs"), book.input("discount_outcomes")]
    sheet.text(4, 1, "Factor from a cycle's start to its middle", "bold")
    sheet.number(4, AS_IS, 1, "factor")
    for column, rate in zip((COSTS, OUTCOMES), rates, strict=True):
        sheet.formula(4, column, f"(1+{rate})^(-0.5/{CYCLES_PER_YEAR})", "factor")
    for weighting, column in WEIGHTINGS.items():
        book.known("middle", weighting, sheet=NAME, row=4, column=column)
    for month, row in enumerate(book.layout.month_rows):
        sheet.put(row, MONTH, month, "whole")
        sheet.put(row, MODEL_YEAR, month // CYCLES_PER_YEAR + 1, "whole")
        sheet.put(row, AS_IS, 1, "whole")
    for column, rate in zip((COSTS, OUTCOMES), rates, strict=True):
        sheet.fill(book.layout.month_rows, column, f"(1+{rate})^(-A#/{CYCLES_PER_YEAR})")
    for column, plan in enumerate(plans, start=FIRST_VISIT):
        sheet.fill(book.layout.month_rows, column, _visit(book, plan), "whole")
    sheet.widths(*[13] * (FIRST_VISIT + len(plans)))
    sheet.frame(f"B{FIRST_MONTH_ROW}", book.footer, wide=True)


def _visit(book: Book, plan: StrategyPlan) -> str:
    months, interval = book.at("strategy", plan.key, "months"), book.at("strategy", plan.key, "interval")
    again = f"IF({interval}>0,IF(A#>MAX({months}),IF(MOD(A#-MAX({months}),{interval})=0,1,0),0),0)"
    return f"IF(COUNTIF({months},A#)>0,1,{again})"
