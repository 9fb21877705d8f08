"""Totals sheet: cohort sums, activity, money and health of each strategy over the horizons that results need.

A column block per strategy; its columns are undiscounted sums to each risk year, the horizon and the headline years,
and sums discounted as costs and as outcomes to the horizon and the headline years.
"""

from __future__ import annotations

from econmodel.economics.evaluate import RISK_YEARS
from econmodel.model.structure import STATE_LABELS
from econmodel.parameters.catalogue import CATEGORIES, CATEGORY, COUNT_KEYS, LABELS
from econmodel.reporting.workbook.activity_formulas import FAMILIES, ITEM_LABELS, ITEMS, activity_formulas
from econmodel.reporting.workbook.book import Book
from econmodel.reporting.workbook.hazards_sheet import HAZARDS, YEAR
from econmodel.reporting.workbook.layout import FIRST_YEAR_ROW, StrategyPlan
from econmodel.reporting.workbook.prices_sheet import LOSSES
from econmodel.reporting.workbook.writer import Sheet, letters, quoted, span

NAME = "Totals"
UP_TO = ("horizon", "headline")
COLUMNS = (
    *(("undiscounted", str(y)) for y in RISK_YEARS),
    *(("undiscounted", u) for u in UP_TO),
    *(("costs", u) for u in UP_TO),
    *(("outcomes", u) for u in UP_TO),
)
WORDS = {"undiscounted": "undiscounted", "costs": "as costs", "outcomes": "as outcomes"}
TITLE_ROW, YEARS_ROW, FIRST = 5, 7, 8
ITEM_ROW = {item: FIRST + i for i, item in enumerate(ITEMS)}
ACTIVITY_ROW = {name: FIRST + len(ITEMS) + 1 + i for i, name in enumerate((*COUNT_KEYS, *CATEGORY))}
MONEY_ROW = {name: max(ACTIVITY_ROW.values()) + 2 + i for i, name in enumerate((*CATEGORIES, "total"))}
HEALTH_ROW = {name: max(MONEY_ROW.values()) + 2 + i for i, name in enumerate(("life_years", "qalys"))}


def build_totals(book: Book) -> None:
    """Write the totals."""
    sheet = book.add_sheet(NAME)
    sheet.heading(
        "Totals over time",
        f"Per patient. Money in {book.money_label}. Years in row {YEARS_ROW}: sums run over the first so many years.",
    )
    _labels(sheet)
    _headline(book, sheet)
    column = 2
    for plan in book.layout.strategies:
        sheet.row(TITLE_ROW, [plan.row.label] + [""] * (len(COLUMNS) - 1), "section", first=column)
        for weighting, up_to in COLUMNS:
            book.cells["total", plan.key, weighting, up_to] = letters(column)
            _column(book, sheet, plan, weighting, up_to, column)
            column += 1
        sheet.page.column_dimensions[letters(column)].width = 2
        column += 1
    sheet.widths(44)
    sheet.frame(f"B{FIRST}", book.footer, wide=True)


def _labels(sheet: Sheet) -> None:
    sheet.text(YEARS_ROW, 1, "Years summed", "header")
    labels = {
        **{r: ITEM_LABELS[i] for i, r in ITEM_ROW.items()},
        **{r: LABELS[n] for n, r in ACTIVITY_ROW.items()},
        **{r: "Cost, all" if n == "total" else f"Cost: {CATEGORIES[n].lower()}" for n, r in MONEY_ROW.items()},
        **{r: {"life_years": "Life-years", "qalys": "QALYs"}[n] for n, r in HEALTH_ROW.items()},
    }
    for row, label in labels.items():
        sheet.text(row, 1, label)


def _headline(book: Book, sheet: Sheet) -> None:
    """Headline years, not available when not a whole number."""
    sheet.text(4, 1, "Headline years (cut at the time horizon)", "bold")
    typed, horizon = book.input("headline_years"), book.at("horizon")
    sheet.formula(4, 2, f"IF(AND({typed}=INT({typed}),{typed}>=0),MIN({typed},{horizon}),NA())", "strong|whole")
    book.known("headline", sheet=NAME, row=4, column=2)


def _column(book: Book, sheet: Sheet, plan: StrategyPlan, weighting: str, up_to: str, column: int) -> None:
    sheet.text(YEARS_ROW - 1, column, WORDS[weighting], "header_right")
    years = book.at(up_to) if up_to in UP_TO else up_to
    sheet.formula(YEARS_ROW, column, years, "strong|whole")
    letter = letters(column)
    counted = f"({span(FIRST_YEAR_ROW, book.layout.last_year_row, YEAR, HAZARDS)}<={letter}${YEARS_ROW})"
    for item, row in ITEM_ROW.items():
        source = book.at("item_span", plan.key, weighting, item)
        sheet.formula(row, column, f"SUMPRODUCT({counted}*{source})", "factor")

    def cell(item: str) -> str:
        return f"IF({letter}${YEARS_ROW}>0,1,0)" if item == "started" else f"{letter}{ITEM_ROW[item]}"

    for name, formula in activity_formulas(book, plan, cell).items():
        sheet.formula(ACTIVITY_ROW[name], column, formula, "factor")
    first, last = ACTIVITY_ROW[next(iter(CATEGORY))], ACTIVITY_ROW[list(CATEGORY)[-1]]
    amounts = f"{letter}{first}:{letter}{last}"
    for name, row in MONEY_ROW.items():
        chosen = "" if name == "total" else f"({book.at('prices', 'category')}={quoted(CATEGORIES[name])})*"
        sheet.formula(row, column, f"SUMPRODUCT({chosen}{book.at('prices', 'view')}*{amounts})", "money_exact")
    _health(book, sheet, letter, column)


def _health(book: Book, sheet: Sheet, letter: str, column: int) -> None:
    years = {state: f"{letter}{ITEM_ROW[f'years.{state}']}" for state in FAMILIES}
    lost = "-".join(f"{letter}{ACTIVITY_ROW[n]}*{book.at('loss', n)}" for n in LOSSES)
    lived = "+".join(f"{cell}*{book.at('utility', state)}" for state, cell in years.items())
    sheet.formula(HEALTH_ROW["life_years"], column, "+".join(years.values()), "factor")
    sheet.formula(HEALTH_ROW["qalys"], column, f"{lived}-{lost}", "factor")


def total(book: Book, key: str, name: str, weighting: str = "undiscounted", up_to: str = "horizon") -> str:
    """Cell of one total of a strategy."""
    rows = {**ACTIVITY_ROW, **MONEY_ROW, **HEALTH_ROW}
    row = ITEM_ROW[f"years.{name}"] if name in STATE_LABELS else rows[name]
    return f"{NAME}!${book.at('total', key, weighting, up_to)}${row}"
