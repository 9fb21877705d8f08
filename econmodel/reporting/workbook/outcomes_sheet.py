"""Outcomes sheet: every result of a strategy, one row each, beside the key it has in the result document.

Rows are declared as data (label, key, formula, number style), so that sheet, check and reader agree.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial

from econmodel.economics.evaluate import RISK_YEARS
from econmodel.model.structure import STATE_LABELS
from econmodel.parameters.catalogue import CATEGORIES, CATEGORY, COMPLICATIONS, LABELS
from econmodel.reporting.workbook.activity_formulas import FAMILIES
from econmodel.reporting.workbook.book import Book
from econmodel.reporting.workbook.totals_sheet import total
from econmodel.reporting.workbook.writer import Sheet

NAME = "Outcomes"
LABEL, KEY, FIRST_STRATEGY = 1, 2, 3
LABELS_ROW, KEYS_ROW, FIRST = 4, 5, 6
SECOND_PAGE = "Patient-years by state, undiscounted"
COST, OUTCOME = "costs", "outcomes"


@dataclass(frozen=True)
class Line:
    """One row: its label, its key in the result document ('' for a heading), its formula by strategy key."""

    label: str
    key: str = ""
    formula: Callable[[str], str] = lambda key: key
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
    for title, key, name in (
        ("Risk of a first bleed", "first_bleed_risk", "first_bleeds"),
        ("Risk of a first gastric bleed", "gastric_first_bleed_risk", "gastric_first_bleeds"),
    ):
        yield Line(f"{title}, by year")
        yield from _risks(book, title, key, name)
    yield from _events(book)
    yield Line(SECOND_PAGE)
    for state in FAMILIES:
        yield Line(STATE_LABELS[state], f"state_years.{state}", partial(_total, book, state))
    yield Line("Complications per patient")
    for kind in COMPLICATIONS:
        yield Line(LABELS[kind], f"complications.{kind}", partial(_total, book, kind))
    yield Line("Activity per patient, undiscounted")
    for name in CATEGORY:
        yield Line(LABELS[name], f"activity.{name}", partial(_total, book, name))


def _total(book: Book, name: str, key: str) -> str:
    return total(book, key, name)


def _costs(of: Callable[..., str], key: str, up_to: str) -> Iterator[Line]:
    yield Line("Total", f"{key}.total", lambda k: of(k, "total", COST, up_to), "money")
    for category in CATEGORIES:
        formula = partial(_cost, of, category, up_to)
        yield Line(CATEGORIES[category], f"{key}.by_category.{category}", formula, "money")


def _cost(of: Callable[..., str], category: str, up_to: str, key: str) -> str:
    return of(key, category, COST, up_to)


def _risks(book: Book, title: str, key: str, name: str) -> Iterator[Line]:
    horizon = book.at("horizon")
    for year in RISK_YEARS:

        def by(k: str, year: int = year) -> str:
            return f'IF({year}<{horizon},{total(book, k, name, up_to=str(year))},"")'

        yield Line(f"{title} by year {year}", f"{key}.{year}", by, "share")
    yield Line(f"{title} over the time horizon", f"{key}.horizon", lambda k: total(book, k, name), "share")


def _events(book: Book) -> Iterator[Line]:
    yield Line("Events per patient, time horizon, undiscounted")
    for label, key, name in (
        ("First bleeds", "first_bleeds", "first_bleeds"),
        ("Rebleeds", "rebleeds", "rebleeds"),
        ("Deaths from bleeding", "deaths.bleed", "deaths_bleed"),
        ("Deaths from the procedure", "deaths.procedure", "deaths_procedure"),
        ("Other deaths", "deaths.other", "deaths_other"),
        ("Treatment sessions", "sessions", "sessions"),
        ("Courses", "courses", "courses"),
        ("Transplants", "transplants", "transplants"),
        ("ICU days of bleeds", "icu_days", "icu_days"),
        ("Ward days of bleeds", "ward_days", "ward_days"),
    ):
        yield Line(label, key, partial(_total, book, name))


def write_lines(sheet: Sheet, lines: Iterator[Line], keys: list[str], first_row: int) -> dict[str, int]:
    """Write rows for the given strategies; give the row of each key."""
    rows: dict[str, int] = {}
    row = first_row
    for line in lines:
        if not line.key:
            sheet.row(row, [line.label] + [""] * (len(keys) + 1), "section")
            sheet.break_before(row=row if line.label == SECOND_PAGE else 0)
        else:
            sheet.text(row, LABEL, line.label)
            sheet.text(row, KEY, line.key, "key")
            for column, key in enumerate(keys, start=FIRST_STRATEGY):
                sheet.formula(row, column, line.formula(key), line.style)
            rows[line.key] = row
        row += 1
    return rows


def build_outcomes(book: Book) -> None:
    """Write the outcomes of every strategy."""
    sheet = book.add_sheet(NAME, tab="0B8659")
    sheet.heading(
        "Outcomes by strategy", f"Per patient. Money in {book.money_label}. The grey names are the keys of the result document."
    )
    plans = book.layout.strategies
    sheet.row(LABELS_ROW, ["Outcome", "Key", *(plan.row.label for plan in plans)], "headings")
    sheet.row(KEYS_ROW, ["", "", *(plan.key for plan in plans)], "key")
    rows = write_lines(sheet, outcome_lines(book), [plan.key for plan in plans], FIRST)
    for key, row in rows.items():
        for column, plan in enumerate(plans, start=FIRST_STRATEGY):
            book.known("outcome", plan.key, key, sheet=NAME, row=row, column=column)
    sheet.widths(44, 30, *[16] * len(plans))
    sheet.page.row_dimensions[LABELS_ROW].height = 30
    sheet.frame(f"C{FIRST}", book.footer, header_rows=f"{LABELS_ROW}:{KEYS_ROW}")
