"""Year table and groups: what happens in each model year by strategy, and bleeds by patient group."""

from __future__ import annotations

from econmodel.economics.evaluate import RISK_YEARS
from econmodel.reporting.workbook.book import Book
from econmodel.reporting.workbook.hazards_sheet import HAZARDS, YEAR
from econmodel.reporting.workbook.layout import FIRST_YEAR_ROW
from econmodel.reporting.workbook.writer import Sheet, letters, span

NAME, GROUPS = "Year_table", "Groups"
COLUMNS = {
    "cost_undiscounted": ("Cost", "cost", "money"),
    "first_bleeds": ("First bleeds", "first_bleeds", "count"),
    "rebleeds": ("Rebleeds", "rebleeds", "count"),
    "sessions": ("Sessions", "sessions", "count"),
    "icu_days": ("ICU days", "icu_days", "count"),
    "ward_days": ("Ward days", "ward_days", "count"),
    "alive": ("Alive at the end", "alive", "count"),
}


def build_year_table(book: Book) -> None:
    """Write the year table; years beyond the time horizon stay empty."""
    sheet = book.add_sheet(NAME, tab="0B8659")
    sheet.heading("Year by year", f"Per patient started, undiscounted. Money in {book.money_label}.")
    sheet.text(FIRST_YEAR_ROW - 1, 1, "Model year", "header")
    column = 2
    sheet.page.row_dimensions[FIRST_YEAR_ROW - 1].height = 28
    sheet.page.print_title_cols = "A:A"
    for plan in book.layout.strategies:
        sheet.break_before(column=column if column > 2 else 0)
        sheet.row(FIRST_YEAR_ROW - 3, [plan.row.label] + [""] * (len(COLUMNS) - 1), "section", first=column)
        sheet.row(FIRST_YEAR_ROW - 2, [plan.key] * len(COLUMNS), "key", first=column)
        for key, (label, source, style) in COLUMNS.items():
            sheet.text(FIRST_YEAR_ROW - 1, column, label, "header_right")
            book.cells["year_table", plan.key, key] = letters(column)
            letter = book.at("yearly", plan.key, source)
            for row in book.layout.year_rows:
                sheet.formula(row, column, f'IF({HAZARDS}!$C{row}=1,{plan.years_sheet}!{letter}{row},"")', style)
            sheet.page.column_dimensions[letters(column)].width = 11
            column += 1
        sheet.page.column_dimensions[letters(column)].width = 2
        column += 1
    for row in book.layout.year_rows:
        sheet.number(row, 1, row - FIRST_YEAR_ROW + 1, "whole")
    sheet.frame(f"B{FIRST_YEAR_ROW}", book.footer, header_rows=f"{FIRST_YEAR_ROW - 3}:{FIRST_YEAR_ROW - 1}", wide=True)


def build_groups(book: Book) -> None:
    """Write risk of a first bleed and risk reduction by patient group."""
    sheet = book.add_sheet(GROUPS, tab="0B8659")
    sheet.heading(
        "By patient group",
        "Risk of a first bleed, any source, death competing; and the reduction against the first "
        "strategy listed. The overall NNT comes from the mean of the risk reductions, never from a "
        "mean of NNTs.",
    )
    row = 4
    for year in (*map(str, RISK_YEARS), "horizon"):
        sheet.break_before(row=row if year in ("3", "horizon") else 0)
        row = _risk_block(book, sheet, year, row) + 2
    sheet.widths(44, 10, *[16] * len(book.layout.strategies))
    sheet.frame("C4", book.footer)


def _risk_block(book: Book, sheet: Sheet, year: str, row: int) -> int:
    plans = book.layout.strategies
    words = "over the time horizon" if year == "horizon" else f"by year {year}"
    sheet.row(row, [f"Risk of a first bleed {words}", "Share", *(p.row.label for p in plans)], "headings")
    sheet.page.row_dimensions[row].height = 40
    limit = book.at("horizon") if year == "horizon" else year
    counted = f"({span(FIRST_YEAR_ROW, book.layout.last_year_row, YEAR, HAZARDS)}<={limit})"
    first = row + 1
    for g, group in enumerate(book.layout.groups):
        row += 1
        sheet.text(row, 1, group.name)
        sheet.formula(row, 2, book.at("group", str(g), "share"), "share")
        for column, plan in enumerate(plans, start=3):
            sheet.formula(row, column, f"SUMPRODUCT({counted}*{book.at('group_bleeds', plan.key, str(g))})", "share")
    row += 1
    sheet.text(row, 1, "All patients", "bold")
    sheet.formula(row, 2, f"SUM({span(first, row - 1, 2)})", "strong|share")
    for column in range(3, 3 + len(plans)):
        sheet.formula(row, column, f"SUMPRODUCT({span(first, row - 1, 2)},{span(first, row - 1, column)})", "strong|share")
    row += 1
    sheet.text(row, 1, f"Risk reduction against {plans[0].row.label.lower()}, all patients")
    for column in range(4, 3 + len(plans)):
        sheet.formula(row, column, f"$C{row - 1}-{letters(column)}{row - 1}", "share")
    return row
