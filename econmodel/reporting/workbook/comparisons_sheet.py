"""Comparisons sheet: each strategy against no prophylaxis, a beta-blocker and the chosen comparator.

What does not exist (an ICER under dominance, an NNT without a difference in risk) is an empty cell, never a number.
"""

from __future__ import annotations

from econmodel.reporting.workbook.book import Book
from econmodel.reporting.workbook.comparison_rows import HEADLINE, HORIZON, DerivedRow, GapRow, Total, block_rows
from econmodel.reporting.workbook.totals_sheet import total
from econmodel.reporting.workbook.writer import Sheet, letters, quoted

NAME = "Comparisons"
FIXED_COMPARATORS = ("watch", "beta_blocker")
CHOSEN = "chosen"
LABEL, KEY, COMPARATOR, FIRST_STRATEGY = 1, 2, 3, 4


def comparators(book: Book) -> list[str]:
    """List the fixed comparators among the strategies, then the one the setting chooses."""
    keys = [plan.key for plan in book.layout.strategies]
    return [key for key in FIXED_COMPARATORS if key in keys] + [CHOSEN]


def build_comparisons(book: Book) -> None:
    """Write a block for each comparator."""
    sheet = book.add_sheet(NAME, tab="0B8659")
    sheet.heading(
        "Comparisons",
        f"Per patient. Money in {book.money_label}, discounted; risks and bleeds undiscounted, death "
        "competing. An empty cell: there is no such number.",
    )
    row = 4
    for versus in comparators(book):
        sheet.break_before(row=row if row > 4 else 0)
        row = _block(book, sheet, versus, row) + 2
    sheet.widths(50, 36, 20, *[20] * len(book.layout.strategies))
    sheet.frame("C4", book.footer)


def _block(book: Book, sheet: Sheet, versus: str, row: int) -> int:
    plans = book.layout.strategies
    label = next((p.row.label for p in plans if p.key == versus), "the comparator chosen in the settings")
    sheet.row(row, [f"Compared with: {label}", "", "Comparator's own value", *(p.row.label for p in plans)], "headings")
    sheet.page.row_dimensions[row].height = 30
    sheet.row(row + 1, ["", "versus", versus, *(p.key for p in plans)], "key")
    row += 2
    rows: dict[str, int] = {}
    for up_to, title in ((HORIZON, "Over the time horizon"), (HEADLINE, "Over the headline years")):
        sheet.row(row, [title] + [""] * (len(plans) + 2), "section")
        for line in block_rows(up_to, book.input("willingness_to_pay")):
            row += 1
            rows[line.key] = row
            _line(book, sheet, versus, up_to, line, rows)
        row += 1
    return row


def _line(book: Book, sheet: Sheet, versus: str, up_to: str, line: GapRow | DerivedRow, rows: dict[str, int]) -> None:
    row = rows[line.key]
    sheet.text(row, LABEL, line.label)
    sheet.text(row, KEY, line.key, "key")
    if isinstance(line, GapRow):
        sheet.formula(row, COMPARATOR, _comparator_value(book, versus, line), line.style)
    else:
        sheet.text(row, COMPARATOR, "", line.style)
    for column, plan in enumerate(book.layout.strategies, start=FIRST_STRATEGY):
        letter = letters(column)
        if isinstance(line, GapRow):
            own = line.value(_totals(book, plan.key))
            gap = f"{own}-$C{row}" if line.factor == 1 else f"{line.factor}*({own}-$C{row})"
        else:
            gap = line.formula(lambda key, letter=letter: f"{letter}{rows[key]}")  # type: ignore[misc]
        if plan.key == versus:
            sheet.text(row, column, "", line.style)
        else:
            sheet.formula(row, column, _where_it_exists(book, versus, plan.key, up_to, line.year, gap), line.style)
        book.known("comparison", versus, plan.key, line.key, sheet=NAME, row=row, column=column)


def _totals(book: Book, key: str) -> Total:
    """Give a strategy's totals by name, weighting and time."""
    return lambda name, weighting, up_to: total(book, key, name, weighting, up_to)


def _comparator_value(book: Book, versus: str, line: GapRow) -> str:
    if versus != CHOSEN:
        return line.value(_totals(book, versus))
    chosen = book.input("comparator")
    return "+".join(f"IF({chosen}={quoted(p.key)},{line.value(_totals(book, p.key))},0)" for p in book.layout.strategies)


def _where_it_exists(book: Book, versus: str, key: str, up_to: str, year: int, formula: str) -> str:
    """Leave a cell empty against itself, past the horizon, and at headline years the horizon does not reach."""
    conditions = []
    if versus == CHOSEN:
        conditions.append(f"{book.input('comparator')}={quoted(key)}")
    if up_to == HEADLINE:
        conditions.append(f"{book.input('headline_years')}>{book.at('horizon')}")
    if year:
        conditions.append(f"{year}>={book.at('horizon')}")
    if not conditions:
        return formula
    test = conditions[0] if len(conditions) == 1 else f"OR({','.join(conditions)})"
    return f'IF({test},"",{formula})'
