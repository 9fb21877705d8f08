"""Patients sheet: the case mix, the evidence mix, and what each group's class means for bleeding and death."""

from __future__ import annotations

from typing import Any

from econmodel.reporting.workbook.book import Book
from econmodel.reporting.workbook.layout import CLASSES
from econmodel.reporting.workbook.writer import Sheet, address, span

NAME = "Patients"
HEADERS = ("Group", "Share", "Child-Pugh", "Size step", "Red spot", "Class step", "Relative bleeding rate")
GROUP_HEADERS = (
    "Transplant a year",
    "Excess death a year",
    "Death, first bleed",
    "Early rebleed after first",
    "Survives first",
    "Death, later bleed",
    "Early rebleed after later",
    "Survives later",
)
SHARE, CHILD, SIZE, RED, STEP, RELATIVE, TRANSPLANT, EXCESS, FATAL, EARLY, RECOVER, FATAL_2, EARLY_2, RECOVER_2 = range(2, 16)
FIRST = 6


def build_patients(book: Book) -> None:
    """Write both mixes; the columns that need solved figures are filled by :func:`finish_patients`."""
    sheet = book.add_sheet(NAME, tab="E0B400")
    sheet.heading("Patients", "Patient groups: shares must sum to 1. Size step 0 is below 5 mm, 1 is 5-10 mm, 2 above 10 mm.")
    n = len(book.layout.groups)
    _mix(book, sheet, FIRST, "case_mix")
    evidence = FIRST + n + 5
    _mix(book, sheet, evidence, "evidence_mix")
    for kind, first, count in (("case", FIRST, n), ("evidence", evidence, book.layout.evidence_rows)):
        book.cells[kind, "shares"] = span(first, first + count - 1, SHARE, NAME)
        book.cells[kind, "relative"] = span(first, first + count - 1, RELATIVE, NAME)
        book.cells[kind, "steps"] = span(first, first + count - 1, STEP, NAME)
        book.known(kind, "sum", sheet=NAME, row=first + count, column=SHARE)
    sheet.widths(30, 10, 10, 10, 10, 10, 12, 12, 12, 12, 12, 12, 12, 12, 12)
    sheet.frame("B6", book.footer)


def _mix(book: Book, sheet: Sheet, first: int, name: str) -> None:
    p = book.case.parameters[name]
    sheet.row(first - 2, [p.label] + [""] * (len(HEADERS) + len(GROUP_HEADERS) - 1 if name == "case_mix" else 6), "section")
    sheet.row(first - 1, list(HEADERS), "headings")
    sheet.page.row_dimensions[first - 1].height = 40
    for row, group in enumerate(p.table or (), start=first):
        _group_row(book, sheet, row, group)
    last = first + len(p.table or ()) - 1
    sheet.text(last + 1, 1, "Sum of shares", "bold")
    sheet.formula(last + 1, SHARE, f"SUM({span(first, last, SHARE)})", "strong|factor")
    sheet.text(last + 2, 1, f"{p.status}: {p.rationale or p.reason}", "note")


def _group_row(book: Book, sheet: Sheet, row: int, group: dict[str, Any]) -> None:
    sheet.text(row, 1, group["name"])
    sheet.number(row, SHARE, group["share"], "input")
    sheet.text(row, CHILD, group["child"], "input")
    sheet.number(row, SIZE, group["size_step"], "input|whole")
    sheet.number(row, RED, group["red_spot"], "input|whole")
    child, size, red = (address(row, column) for column in (CHILD, SIZE, RED))
    sheet.formula(row, STEP, f'MATCH({child},{{"A","B","C"}},0)-1', "whole")
    step = address(row, STEP)
    b_child, b_size, b_red = (book.input(name) for name in ("b_child", "b_size", "b_red"))
    sheet.formula(row, RELATIVE, f"EXP({b_child}*{step}+{b_size}*({size}-2)+{b_red}*{red})", "factor")


def finish_patients(book: Book) -> None:
    """Fill each group's death, transplant and fatality from its Child-Pugh class; make the cells known."""
    sheet = book.sheets[NAME]
    sheet.row(FIRST - 1, list(GROUP_HEADERS), "header_right", first=TRANSPLANT)
    early = book.input("p_early_rebleed")
    for g, row in enumerate(range(FIRST, FIRST + len(book.layout.groups))):
        step = f"{address(row, STEP)}+1"

        def by_class(items: list[str], step: str = step) -> str:
            return f"CHOOSE({step},{','.join(items)})"

        for column, stem in ((TRANSPLANT, "r_transplant_child"), (EXCESS, "r_excess_death_child")):
            sheet.formula(row, column, by_class([book.input(f"{stem}_{c.lower()}") for c in CLASSES]), "factor")
        fatal = by_class([book.at("fatality", c) for c in CLASSES])
        sheet.formula(row, FATAL, fatal, "factor")
        sheet.formula(row, FATAL_2, f"{book.input('rr_death_rebleed')}*{address(row, FATAL)}", "factor")
        for f, e, r in ((FATAL, EARLY, RECOVER), (FATAL_2, EARLY_2, RECOVER_2)):
            sheet.formula(row, e, f"(1-{address(row, f)})*{early}", "factor")
            sheet.formula(row, r, f"(1-{address(row, f)})*(1-{early})", "factor")
        columns = {
            "share": SHARE,
            "relative": RELATIVE,
            "transplant": TRANSPLANT,
            "excess": EXCESS,
            "bleeding.bleed_death": FATAL,
            "bleeding.early_rebleed": EARLY,
            "bleeding.recover": RECOVER,
            "rebleeding.bleed_death": FATAL_2,
            "rebleeding.early_rebleed": EARLY_2,
            "rebleeding.recover": RECOVER_2,
        }
        for item, column in columns.items():
            book.known("group", str(g), item, sheet=NAME, row=row, column=column)
