"""Results by strategy: the Outcomes sheet, the year table, and risks by patient group.

Rows are declared as data (label, key in the result document, cell, number style), so that sheet, check and reader agree.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial

import numpy as np

from econmodel.arrays import choose
from econmodel.economics.evaluate import RISK_YEARS
from econmodel.model.structure import ALL_LABELS
from econmodel.parameters.catalogue import CATEGORIES, CATEGORY, COMPLICATIONS, COUNT_KEYS, LABELS
from econmodel.records import record
from econmodel.reporting.workbook.book import FIRST_YEAR_ROW, Book
from econmodel.reporting.workbook.formula import Formula
from econmodel.reporting.workbook.hazards import HAZARDS, YEAR
from econmodel.reporting.workbook.totals import Total, total
from econmodel.reporting.workbook.writer import Sheet, letters, span

OUTCOMES, YEAR_TABLE, GROUPS = "Outcomes", "Year_table", "Groups"
LABEL, KEY, FIRST_STRATEGY = 1, 2, 3
LABELS_ROW, KEYS_ROW, FIRST = 4, 5, 6
SECOND_PAGE = "Patient-years by state, undiscounted"
COST, OUTCOME = "costs", "outcomes"
EVENTS = {
    "first_bleeds": ("First bleeds", "first_bleeds"),
    "rebleeds": ("Rebleeds", "rebleeds"),
    "deaths.bleed": ("Deaths from bleeding", "deaths_bleed"),
    "deaths.procedure": ("Deaths from the procedure", "deaths_procedure"),
    "deaths.other": ("Other deaths", "deaths_other"),
    "sessions": ("Treatment sessions", "sessions"),
    "courses": ("Courses", "courses"),
    "transplants": ("Transplants", "transplants"),
    "icu_days": ("ICU days of bleeds", "icu_days"),
    "ward_days": ("Ward days of bleeds", "ward_days"),
}
YEAR_COLUMNS = {
    "cost_undiscounted": ("Cost", "cost", "money"),
    "first_bleeds": ("First bleeds", "first_bleeds", "count"),
    "rebleeds": ("Rebleeds", "rebleeds", "count"),
    "sessions": ("Sessions", "sessions", "count"),
    "icu_days": ("ICU days", "icu_days", "count"),
    "ward_days": ("Ward days", "ward_days", "count"),
    "alive": ("Alive at the end", "alive", "count"),
}


@record
class Line:
    """One row: its label, its key in the result document ('' for a heading), its cell by strategy key."""

    label: str
    key: str = ""
    cell: Callable[[str], Formula] | None = None
    style: str = "count"


def outcome_lines(book: Book) -> Iterator[Line]:
    """Every outcome of a strategy, in order."""
    of = partial(total, book)
    yield Line("Cost, discounted, time horizon")
    yield from _costs(of, "cost", "horizon")
    yield Line("Cost, discounted, headline years")
    yield from _costs(of, "cost_five_years", "headline")
    yield Line("Length and quality of life, time horizon")
    yield Line("Life-years, discounted", "life_years", lambda k: of(k, "life_years", OUTCOME))
    yield Line("QALYs, discounted", "qalys", lambda k: of(k, "qalys", OUTCOME))
    yield Line("Cost, undiscounted", "undiscounted.cost", lambda k: of(k, "total"), "money")
    yield Line("Life-years, undiscounted", "undiscounted.life_years", lambda k: of(k, "life_years"))
    yield Line("QALYs, undiscounted", "undiscounted.qalys", lambda k: of(k, "qalys"))
    yield from _risks(book, of, "Risk of a first bleed", "first_bleed_risk", "first_bleeds")
    yield from _risks(book, of, "Risk of a first gastric bleed", "gastric_first_bleed_risk", "gastric_first_bleeds")
    yield Line("Events per patient, time horizon, undiscounted")
    for key, (label, name) in EVENTS.items():
        yield Line(label, key, partial(_total, of, name))
    for name in list(book.layout.counts)[len(COUNT_KEYS) :]:
        yield Line(book.layout.counts[name], name, partial(_total, of, name))
    yield Line(SECOND_PAGE)
    for state in book.layout.families:
        yield Line(ALL_LABELS[state], f"state_years.{state}", partial(_total, of, state))
    yield Line("Complications per patient")
    for kind in COMPLICATIONS:
        yield Line(LABELS[kind], f"complications.{kind}", partial(_total, of, kind))
    yield Line("Activity per patient, undiscounted")
    for name in (*COUNT_KEYS, *CATEGORY):
        yield Line(LABELS[name], f"activity.{name}", partial(_total, of, name))


def _total(of: Total, name: str, key: str) -> Formula:
    return of(key, name)


def _costs(of: Total, key: str, up_to: str) -> Iterator[Line]:
    yield Line("Total", f"{key}.total", lambda k: of(k, "total", COST, up_to), "money")
    for category, label in CATEGORIES.items():
        yield Line(label, f"{key}.by_category.{category}", lambda k, c=category: of(k, c, COST, up_to), "money")  # type: ignore[misc]


def _risks(book: Book, of: Total, title: str, key: str, name: str) -> Iterator[Line]:
    yield Line(f"{title}, by year")
    for year in RISK_YEARS:

        def by(k: str, year: int = year) -> Formula:
            return choose(book.at("horizon") > year, lambda: of(k, name, up_to=str(year)), lambda: None)  # type: ignore[no-any-return]

        yield Line(f"{title} by year {year}", f"{key}.{year}", by, "share")
    yield Line(f"{title} by the headline years", f"{key}.headline", lambda k: of(k, name, up_to="headline"), "share")
    yield Line(f"{title} over the time horizon", f"{key}.horizon", lambda k: of(k, name), "share")


def build_outcomes(book: Book) -> None:
    """Write the outcomes of every strategy."""
    sheet = book.add_sheet(OUTCOMES, tab="0B8659")
    sheet.heading(
        "Outcomes by strategy", f"Per patient. Money in {book.money_label}. The grey names are the keys of the result document."
    )
    sheet.row(LABELS_ROW, ["Outcome", "Key", *(plan.row.label for plan in book.plans)], "headings")
    sheet.row(KEYS_ROW, ["", "", *(plan.key for plan in book.plans)], "key")
    for row, line in enumerate(outcome_lines(book), start=FIRST):
        if line.cell is None:
            sheet.row(row, [line.label] + [""] * (len(book.plans) + 1), "section")
            sheet.break_before(row=row if line.label == SECOND_PAGE else 0)
            continue
        sheet.text(row, LABEL, line.label)
        sheet.text(row, KEY, line.key, "key")
        for column, plan in enumerate(book.plans, start=FIRST_STRATEGY):
            book.cells["outcome", plan.key, line.key] = sheet.formula(row, column, line.cell(plan.key), line.style)
    sheet.widths(44, 30, *[16] * len(book.plans))
    sheet.heights[LABELS_ROW] = 30
    sheet.frame(f"C{FIRST}", book.footer, header_rows=f"{LABELS_ROW}:{KEYS_ROW}")


def build_year_table(book: Book) -> None:
    """Write the year table; years beyond the time horizon stay empty."""
    sheet = book.add_sheet(YEAR_TABLE, tab="0B8659")
    sheet.heading("Year by year", f"Per patient started, undiscounted. Money in {book.money_label}.")
    sheet.text(FIRST_YEAR_ROW - 1, 1, "Model year", "header")
    sheet.heights[FIRST_YEAR_ROW - 1] = 28
    sheet.page.print_title_cols = "A:A"
    column, rows, within = 2, book.layout.year_rows, book.at("within") == 1
    for plan in book.plans:
        sheet.break_before(column=column if column > 2 else 0)
        sheet.row(FIRST_YEAR_ROW - 3, [plan.row.label] + [""] * (len(YEAR_COLUMNS) - 1), "section", first=column)
        sheet.row(FIRST_YEAR_ROW - 2, [plan.key] * len(YEAR_COLUMNS), "key", first=column)
        for label, source, style in YEAR_COLUMNS.values():
            sheet.text(FIRST_YEAR_ROW - 1, column, label, "header_right")
            figure = book.at("yearly", plan.key, source)
            sheet.column(rows, column, choose(within, lambda figure=figure: figure, lambda: None), style)  # type: ignore[misc]
            sheet.page.column_dimensions[letters(column)].width = 11
            column += 1
        sheet.page.column_dimensions[letters(column)].width = 2
        column += 1
    for row in rows:
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
    sheet.widths(44, 10, *[16] * len(book.plans))
    sheet.frame("C4", book.footer)


def _risk_block(book: Book, sheet: Sheet, year: str, row: int) -> int:
    words = "over the time horizon" if year == "horizon" else f"by year {year}"
    sheet.row(row, [f"Risk of a first bleed {words}", "Share", *(p.row.label for p in book.plans)], "headings")
    sheet.heights[row] = 40
    limit = book.at("horizon") if year == "horizon" else float(year)
    counted = book.layout.over_years(HAZARDS, YEAR, np.arange(1.0, book.layout.n_years + 1)) <= limit
    first, last = row + 1, row + len(book.layout.groups)
    values = np.zeros((len(book.layout.groups), len(book.plans) + 1))
    for g, group in enumerate(book.layout.groups):
        sheet.text(first + g, 1, group.name)
        risks = [(counted * book.at("group_bleeds", plan.key, str(g))).sum() for plan in book.plans]
        for column, formula in enumerate([book.at("group", str(g), "share"), *risks], start=2):
            values[g, column - 2] = sheet.formula(first + g, column, formula, "share").value
    row = last + 1
    sheet.text(row, 1, "All patients", "bold")
    shares = Formula(span(first, last, 2), values[:, 0])
    sheet.formula(row, 2, shares.sum(), "strong|share")
    whole = [
        sheet.formula(row, column, (shares * Formula(span(first, last, column), values[:, column - 2])).sum(), "strong|share")
        for column in range(3, 3 + len(book.plans))
    ]
    sheet.text(row + 1, 1, f"Risk reduction against {book.plans[0].row.label.lower()}, all patients")
    for column, cell in enumerate(whole[1:], start=4):
        sheet.formula(row + 1, column, whole[0] - cell, "share")
    return row + 1
