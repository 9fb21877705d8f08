"""Trace sheets: one per strategy, a row a month, the share of each patient group in each state.

Written from the declared moves: next month's share of a state is its own share times the chance of staying, plus the
share of every state that leads to it times the chance of that move. Those chances stand on the strategy's yearly sheet.
"""

from __future__ import annotations

from econmodel.model.structure import STATE_LABELS
from econmodel.reporting.workbook.book import Book
from econmodel.reporting.workbook.layout import FIRST_MONTH_ROW, FIRST_YEAR_ROW, StrategyPlan
from econmodel.reporting.workbook.writer import letters

MONTH, FIRST_ALL = 1, 2
ALL = -1


def trace_column(plan: StrategyPlan, state: str, group: int) -> int:
    """Column of a state: all patients first (group -1), then each group."""
    return FIRST_ALL + (group + 1) * (len(plan.states) + 1) + plan.states.index(state)


def build_trace(book: Book, plan: StrategyPlan) -> None:
    """Write the monthly sheet of a strategy."""
    sheet = book.add_sheet(plan.trace_sheet, tab="5C6670")
    sheet.heading(
        f"Cohort trace: {plan.row.label}",
        "Share of patients in each state at the start of each month; who is in none of them has died.",
    )
    names = ["All patients", *(g.name for g in book.layout.groups)]
    for group, name in enumerate(names, start=ALL):
        first = trace_column(plan, plan.states[0], group)
        sheet.row(FIRST_MONTH_ROW - 2, [name] + [""] * (len(plan.states) - 1), "section", first=first)
        sheet.row(FIRST_MONTH_ROW - 1, [STATE_LABELS[s] for s in plan.states], "header_right", first=first)
        sheet.page.column_dimensions[letters(first - 1)].width = 2 if group > ALL else 8
    sheet.text(FIRST_MONTH_ROW - 1, MONTH, "Month", "header")
    sheet.page.row_dimensions[FIRST_MONTH_ROW - 1].height = 38
    _fill(book, plan)
    sheet.frame(f"B{FIRST_MONTH_ROW}", book.footer, wide=True)


def _fill(book: Book, plan: StrategyPlan) -> None:
    sheet = book.sheets[plan.trace_sheet]
    n = len(book.layout.groups)
    shares = [book.at("group", str(g), "share") for g in range(n)]
    first, *later = rows = book.layout.month_rows
    marks = {"@": [row - 1 for row in later], "#": [FIRST_YEAR_ROW + month // 12 for month in range(len(later))]}
    for month, row in enumerate(rows):
        sheet.put(row, MONTH, month, "whole")
    for state in plan.states:
        columns = [trace_column(plan, state, g) for g in range(n)]
        mean = "+".join(f"{share}*{letters(column)}#" for share, column in zip(shares, columns, strict=True))
        sheet.fill(rows, trace_column(plan, state, ALL), mean, "trace")
        for g, column in enumerate(columns):
            sheet.put(first, column, float(state == plan.row.starts_in), "trace")
            flows = "+".join(f"{source}@*{chance}" for source, chance in _flows(book, plan, state, g))
            sheet.fill(later, column, flows, "trace", marks)


def _flows(book: Book, plan: StrategyPlan, state: str, group: int) -> list[tuple[str, str]]:
    """Column of each state that feeds this one, and the chance of coming from it; ``#`` is the row of the year."""
    found = {}
    if ("stay", plan.key, state, str(group)) in book.cells:
        found[state] = book.at("stay", plan.key, state, str(group))
    for move in plan.moves:
        if move.target == state:
            chance = book.at("chance", plan.key, move.source, move.kind, str(group))
            found[move.source] = f"({found[move.source]}+{chance})" if move.source in found else chance
    return [(letters(trace_column(plan, source, group)), chance) for source, chance in found.items()]
