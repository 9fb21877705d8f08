"""Prices sheet, what an activity is worth in the chosen view; Totals sheet, what each strategy comes to over time.

Activity, money and health are the arithmetic of ``economics`` run on cells. A column block per strategy: undiscounted
sums to each risk year, the horizon and the headline years, and sums discounted as costs and as outcomes to the last two.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np

from econmodel.arrays import choose
from econmodel.economics.activity import count_activity
from econmodel.economics.bleed_prices import split_bleeds
from econmodel.economics.evaluate import RISK_YEARS
from econmodel.economics.outcomes import COURSE_UTILITY_OF, UTILITY_OF, Utilities, gather_utilities, lived, quality_lived
from econmodel.economics.prices import STEMS, VIEWS, Prices, list_price
from econmodel.model.structure import ALL_LABELS
from econmodel.parameters.catalogue import CATEGORIES, CATEGORY, LABELS
from econmodel.reporting.workbook.book import Book, Plan
from econmodel.reporting.workbook.formula import Formula, call
from econmodel.reporting.workbook.hazards import HAZARDS, YEAR
from econmodel.reporting.workbook.writer import Sheet, letters, span
from econmodel.reporting.workbook.years import CellSums, strategy_rules

PRICES, TOTALS = "Prices", "Totals"
PRICE_HEADERS = ("Activity", "Category", "Full cost", "Variable share", "Payment received", "Cost to patient and carer")
CATEGORY_COLUMN, FIRST_PRICE, VIEW = 2, 3, 7
LOSS_WORDS = {
    "sessions": "A treatment session",
    "drug_year": "A year on a drug",
    "first_bleeds": "A first bleed",
    "rebleeds": "A rebleed",
}
DIED_ROW, FIRST_PRICE_ROW = 4, 7
UP_TO = ("horizon", "headline")
COLUMNS = (
    *(("undiscounted", str(y)) for y in RISK_YEARS),
    *((weighting, up_to) for weighting in ("undiscounted", "costs", "outcomes") for up_to in UP_TO),
)
WORDS = {"undiscounted": "undiscounted", "costs": "as costs", "outcomes": "as outcomes"}
TITLE_ROW, YEARS_ROW, FIRST = 5, 7, 8


def build_prices(book: Book) -> None:
    """Write prices, then utilities and losses."""
    sheet = book.add_sheet(PRICES)
    sheet.heading(
        "Prices and utilities",
        f"{book.money_label}. The setting perspective chooses the view; a bleed is priced per "
        "episode or from days and events, never both.",
    )
    sheet.text(DIED_ROW, 1, "Share of bleed admissions without prophylaxis that end in death, over a lifetime")
    died = sheet.number(DIED_ROW, FIRST_PRICE, float(book.evaluation.died[0]), "factor")
    v = {**book.v, **split_bleeds(book.v, died)}  # type: ignore[arg-type]
    sheet.row(FIRST_PRICE_ROW - 1, [*PRICE_HEADERS, "Price in the chosen view"], "headings")
    sheet.heights[FIRST_PRICE_ROW - 1] = 28
    found = [_price_row(book, v, sheet, row, activity) for row, activity in enumerate(CATEGORY, start=FIRST_PRICE_ROW)]
    last = FIRST_PRICE_ROW + len(CATEGORY) - 1
    book.cells["prices", "view"] = Formula(span(FIRST_PRICE_ROW, last, VIEW, PRICES), np.array([cell.value for cell in found]))
    categories = np.array([CATEGORIES[category] for category in CATEGORY.values()])
    book.cells["prices", "category"] = Formula(span(FIRST_PRICE_ROW, last, CATEGORY_COLUMN, PRICES), categories)
    _utilities(book, sheet, last + 3)
    sheet.widths(40, 18, 14, 14, 16, 18, 18)
    sheet.frame(f"B{FIRST_PRICE_ROW}", book.footer)


def finish_prices(book: Book) -> None:
    """Take the share of bleeds that end in death from the cohort without prophylaxis; the program's stays where there is none."""
    if ("share_died",) in book.cells:
        book.sheets[PRICES].formula(DIED_ROW, FIRST_PRICE, book.at("share_died"), "factor")


def _price_row(book: Book, v: Mapping[str, Any], sheet: Sheet, row: int, activity: str) -> Formula:
    sheet.text(row, 1, LABELS[activity])
    sheet.text(row, CATEGORY_COLUMN, CATEGORIES[CATEGORY[activity]], "small")
    figures: dict[str, Any] = {}
    for column, (field, stem) in enumerate(STEMS.items(), start=FIRST_PRICE):
        style = "plain|share" if field == "variable_share" else "money_exact"
        figure: Any = list_price(activity, stem, v, book.input("bleed_costing"), 0.0)  # type: ignore[arg-type]
        figures[field] = sheet.formula(row, column, figure, style)
    prices, view = Prices((activity,), **figures), book.input("perspective")
    price: Any = Formula("NA()", np.nan)
    for name, of in reversed(VIEWS.items()):
        price = choose(view == name, lambda of=of: of(prices), lambda price=price: price)  # type: ignore[misc]
    book.cells["price", activity] = sheet.formula(row, VIEW, price, "strong|money_exact")
    return book.at("price", activity)  # type: ignore[no-any-return]


def _utilities(book: Book, sheet: Sheet, row: int) -> None:
    """Write each state's utility and each one-off loss, and keep their cells."""
    utility_of = UTILITY_OF | (COURSE_UTILITY_OF if book.layout.process else {})
    found = gather_utilities(book.v, book.input("bleed_utility"), utility_of)
    cells: dict[str, dict[str, Any]] = {"by_state": {}, "losses": {}}
    words = {"by_state": ("Utility by state", "Utility"), "losses": ("One-off loss", "QALY")}
    for kind, formulas in vars(found).items():
        sheet.row(row, [words[kind][0], "", words[kind][1]], "headings")
        for name, formula in formulas.items():
            row += 1
            sheet.text(row, 1, {**LABELS, **ALL_LABELS, **LOSS_WORDS}[name])
            cells[kind][name] = sheet.formula(row, FIRST_PRICE, formula, "factor")
        row += 2
    book.cells["utilities",] = Utilities(**cells)


def build_totals(book: Book) -> None:
    """Write the totals."""
    sheet = book.add_sheet(TOTALS)
    sheet.heading(
        "Totals over time",
        f"Per patient. Money in {book.money_label}. Years in row {YEARS_ROW}: sums run over the first so many years.",
    )
    rows = _rows(book, sheet)
    _headline(book, sheet)
    column = 2
    for plan in book.plans:
        sheet.row(TITLE_ROW, [plan.row.label] + [""] * (len(COLUMNS) - 1), "section", first=column)
        for weighting, up_to in COLUMNS:
            _Column(book, sheet, plan, weighting, up_to, column, rows).write()
            column += 1
        sheet.page.column_dimensions[letters(column)].width = 2
        column += 1
    sheet.widths(44)
    sheet.frame(f"B{FIRST}", book.footer, wide=True)


def _rows(book: Book, sheet: Sheet) -> dict[str, int]:
    """Write what each row is, and give the row of each total."""
    sheet.text(YEARS_ROW, 1, "Years summed", "header")
    blocks: tuple[dict[str, str], ...] = (
        {f"item.{item}": label for item, label in book.layout.items.items()},
        book.layout.counts | {name: LABELS[name] for name in CATEGORY},
        {name: f"Cost: {label.lower()}" for name, label in CATEGORIES.items()} | {"total": "Cost, all"},
        {"life_years": "Life-years", "qalys": "QALYs"},
    )
    found, row = {}, FIRST
    for block in blocks:
        for name, words in block.items():
            sheet.text(row, 1, words)
            found[name] = row
            row += 1
        row += 1
    return found


def _headline(book: Book, sheet: Sheet) -> None:
    """Headline years, not available when not a whole number."""
    sheet.text(4, 1, "Headline years (cut at the time horizon)", "bold")
    typed, horizon = book.input("headline_years").text, book.at("horizon").text
    text = f"IF(AND({typed}=INT({typed}),{typed}>=0),MIN({typed},{horizon}),NA())"
    book.cells["headline",] = sheet.formula(4, 2, Formula(text, float(book.evaluation.headline)), "strong|whole")


class _Column:
    """One strategy's totals of one weighting up to one year."""

    def __init__(self, book: Book, sheet: Sheet, plan: Plan, weighting: str, up_to: str, column: int, rows: dict[str, int]) -> None:
        self.book, self.sheet, self.plan, self.weighting, self.up_to = book, sheet, plan, weighting, up_to
        self.column, self.rows = column, rows
        self.found: dict[str, Any] = {}

    def put(self, name: str, formula: Any, style: str = "factor") -> None:
        """Write one total; a plain 0 stays known as such, so that what follows from it folds."""
        cell = self.sheet.formula(self.rows[name], self.column, formula, style)
        self.book.cells["total", self.plan.key, name, self.weighting, self.up_to] = cell
        self.found[name] = cell if isinstance(formula, Formula) else formula

    def write(self) -> None:
        """Write the column from cohort sums to money and health."""
        book, key = self.book, self.plan.key
        self.sheet.text(YEARS_ROW - 1, self.column, WORDS[self.weighting], "header_right")
        until = book.at(self.up_to) if self.up_to in UP_TO else float(self.up_to)
        years = self.sheet.formula(YEARS_ROW, self.column, until, "strong|whole")
        counted = book.layout.over_years(HAZARDS, YEAR, np.arange(1.0, book.layout.n_years + 1)) <= years
        for item in book.layout.items:
            known = isinstance(book.at("item", key, self.weighting, item), Formula)
            self.put(f"item.{item}", (counted * book.at("over_years", key, self.weighting, item)).sum() if known else 0.0)
        sums = CellSums(lambda item: self.found[f"item.{item}"], choose(years > 0, lambda: 1.0, lambda: 0.0))
        for name, formula in count_activity(sums, *strategy_rules(book, self.plan), book.case.parameters.secondary).items():
            self.put(name, formula)
        self._money()
        self.put("life_years", lived(self._amount, book.layout.families))
        self.put("qalys", quality_lived(self._amount, book.at("utilities")))

    def _amount(self, name: str) -> Any:
        return self.found[f"item.years.{name}" if name in ALL_LABELS else name]

    def _money(self) -> None:
        """Activity times price, in each category and in all."""
        names = list(CATEGORY)
        amounts = np.array([self.book.at("total", self.plan.key, n, self.weighting, self.up_to).value for n in names], dtype=float)
        cells = Formula(span(self.rows[names[0]], self.rows[names[-1]], self.column), amounts)
        priced = self.book.at("prices", "view") * cells
        for name, label in CATEGORIES.items():
            self.put(name, ((self.book.at("prices", "category") == label) * priced).sum(), "money_exact")
        self.put("total", call("SUMPRODUCT", priced.value.sum(), self.book.at("prices", "view"), cells), "money_exact")


def total(book: Book, key: str, name: str, weighting: str = "undiscounted", up_to: str = "horizon") -> Formula:
    """Cell of one total of a strategy; a state's name is its patient-years."""
    return book.at("total", key, f"item.years.{name}" if name in ALL_LABELS else name, weighting, up_to)  # type: ignore[no-any-return]


Total = Callable[..., Formula]
