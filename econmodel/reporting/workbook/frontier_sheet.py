"""Frontier sheet: which options are worth comparing, by slopes between every pair, live.

With costs c and effects e, an option is on the efficiency frontier where the steepest slope to any option with less
effect is below the flattest slope to any option with more, and that is above 0. Its ICER is the former.
"""

from __future__ import annotations

from econmodel.economics.comparison import DOMINATED, EXTENDEDLY_DOMINATED, ON_FRONTIER, REFERENCE
from econmodel.reporting.workbook.book import Book
from econmodel.reporting.workbook.totals_sheet import total
from econmodel.reporting.workbook.writer import address, letters, span

NAME = "Frontier"
LABEL, KEY, COST, EFFECT, BEFORE, AFTER, STATUS, ICER = range(1, 9)
HEADERS = (
    "Strategy",
    "Key",
    "Cost",
    "QALYs",
    "Steepest slope from less effect",
    "Flattest slope to more effect",
    "Status",
    "ICER on the frontier",
)
FIRST = 6
NONE = "-1E300"
FAR = "1E300"


def build_frontier(book: Book) -> None:
    """Write the frontier over the time horizon, and the slopes it rests on."""
    sheet = book.add_sheet(NAME, tab="0B8659")
    sheet.heading("Efficiency frontier", f"Over the time horizon, discounted; {book.money_label} per QALY.")
    sheet.row(FIRST - 1, list(HEADERS), "headings")
    sheet.page.row_dimensions[FIRST - 1].height = 40
    plans = book.layout.strategies
    last = FIRST + len(plans) - 1
    slopes = last + 4
    sheet.page.row_dimensions[slopes - 1].height = 40
    sheet.row(slopes - 1, ["Cost per QALY from column to row", *(p.row.label for p in plans)], "headings")
    for i, plan in enumerate(plans):
        row = FIRST + i
        sheet.text(row, LABEL, plan.row.label)
        sheet.text(row, KEY, plan.key, "key")
        sheet.formula(row, COST, total(book, plan.key, "total", "costs"), "money")
        sheet.formula(row, EFFECT, total(book, plan.key, "qalys", "outcomes"), "count")
        sheet.text(slopes + i, 1, plan.row.label)
        for j in range(len(plans)):
            _slope(book, slopes + i, 2 + j, row, FIRST + j)
        _judge(book, row, slopes + i, last)
        for key, column in (("status", STATUS), ("icer", ICER)):
            book.known("frontier", plan.key, key, sheet=NAME, row=row, column=column)
    sheet.widths(40, 18, 16, 16, 18, 18, 22, 18)
    sheet.frame("C6", book.footer)


def _slope(book: Book, row: int, column: int, to: int, start: int) -> None:
    """Slope from one option to another; empty between options of equal effect."""
    de = f"({address(to, EFFECT)}-{address(start, EFFECT)})"
    book.sheets[NAME].formula(row, column, f'IF({de}=0,"",({address(to, COST)}-{address(start, COST)})/{de})', "money")


def _judge(book: Book, row: int, slope_row: int, last: int) -> None:
    sheet, n = book.sheets[NAME], last - FIRST + 1
    costs, effects = span(FIRST, last, COST), span(FIRST, last, EFFECT)
    cost, effect = address(row, COST), address(row, EFFECT)
    cells = [(f"{letters(2 + j)}{slope_row}", address(FIRST + j, EFFECT)) for j in range(n)]
    before = [f"IF({e}<{effect},{slope},{NONE})" for slope, e in cells]
    after = [f"IF({e}>{effect},{slope},{FAR})" for slope, e in cells]
    sheet.formula(row, BEFORE, f"MAX({','.join(before)})", "slope")
    sheet.formula(row, AFTER, f"MIN({','.join(after)})", "slope")
    better = f"SUMPRODUCT(({costs}<={cost})*({effects}>={effect})*((({costs}<{cost})+({effects}>{effect}))>0))"
    twin = f"SUMPRODUCT(({span(FIRST, row, COST)}={cost})*({span(FIRST, row, EFFECT)}={effect}))>1"
    steep, flat = address(row, BEFORE), address(row, AFTER)
    on = f'IF({steep}<=0,"{REFERENCE}","{ON_FRONTIER}")'
    sheet.formula(row, STATUS, f'IF(OR({better}>0,{twin}),"{DOMINATED}",IF({steep}>={flat},"{EXTENDEDLY_DOMINATED}",{on}))', "small")
    sheet.formula(row, ICER, f'IF({address(row, STATUS)}="{ON_FRONTIER}",{steep},"")', "strong|money")
