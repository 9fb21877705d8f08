"""Strategies sheet: every figure of a strategy made of inputs as its row says, and its schedule of visits."""

from __future__ import annotations

from econmodel.parameters.catalogue import COMPLICATIONS
from econmodel.reporting.workbook.book import Book
from econmodel.reporting.workbook.layout import StrategyPlan
from econmodel.reporting.workbook.writer import Sheet, quoted, span

NAME = "Strategies"
LABELS = {
    "hr_gastric": "Rate of a gastric bleed relative to none",
    "hr_other": "Rate of another bleed relative to none",
    "effect_full_years": "Years of full effect",
    "effect_none_years": "Years after which there is no effect",
    "sessions_mean": "Sessions in a course (mean)",
    "r_retreat_1": "Re-treatment rate, year 1",
    "r_retreat_later": "Re-treatment rate, later",
    "p_death_course": "Death from the procedure, per course",
    "r_late_rebleed": "Late rebleed rate a year after a bleed",
    "coils": "Coils a session",
    "glue_ml": "Glue a session, mL",
    **{c: f"{c.replace('_', ' ').capitalize()}, per course" for c in COMPLICATIONS},
}
SCHEDULE_SLOTS = 12
FIRST = 6


def build_strategies(book: Book) -> None:
    """Write each strategy's figures, made of inputs as its row says, and its surveillance schedule."""
    sheet = book.add_sheet(NAME)
    sheet.heading("Strategies", "Each figure is made of inputs; the schedule of visits may be changed here.")
    plans = book.layout.strategies
    sheet.row(4, ["", *(plan.row.label for plan in plans)], "headings")
    sheet.page.row_dimensions[4].height = 28
    sheet.row(5, ["Key", *(plan.key for plan in plans)], "key")
    for row, (item, label) in enumerate(LABELS.items(), start=FIRST):
        sheet.text(row, 1, label)
        for column, plan in enumerate(plans, start=2):
            style = "years" if item.startswith("effect_") else "factor"
            sheet.formula(row, column, strategy_formula(book, plan, item), style)
            book.known("strategy", plan.key, item, sheet=NAME, row=row, column=column)
    _schedule(book, sheet, FIRST + len(LABELS) + 1)
    sheet.widths(44, *[20] * len(plans))
    sheet.frame("B6", book.footer)


def strategy_formula(book: Book, plan: StrategyPlan, item: str) -> str:
    """Build the formula of one figure of a strategy."""
    row = plan.row
    single = {
        "sessions_mean": (row.sessions_mean, "1"),
        "p_death_course": (row.p_death_course, "0"),
        "coils": (row.coils, "0"),
        "glue_ml": (row.glue_ml, "0"),
        "effect_full_years": (row.effect_full_years, "1E9"),
        "effect_none_years": (row.effect_none_years, "1E9"),
        **{c: (row.complications.get(c, ""), "0") for c in COMPLICATIONS},
    }
    if item in single:
        name, default = single[item]
        return book.input(name) if name else default
    if item in ("hr_gastric", "hr_other"):
        return book.product(getattr(row, item))
    if item == "r_late_rebleed":
        return f"{book.input('r_late_rebleed')}*{_secondary_ratio(book)}*{book.product(row.hr_late_rebleed)}"
    first = f"-LN(1-{book.input(row.p_retreat_year_1)})" if row.p_retreat_year_1 else "0"
    if item == "r_retreat_1":
        return first
    return f"{first}*{book.input(row.retreat_later)}" if row.retreat_later and row.p_retreat_year_1 else "0"


def _secondary_ratio(book: Book) -> str:
    """Effect of the chosen secondary prophylaxis on late rebleeding."""
    chosen = book.input("secondary_prophylaxis")
    terms = [
        f"IF({chosen}={quoted(key)},{book.product(row.hr_late_rebleed)},0)" for key, row in book.case.parameters.secondary.items()
    ]
    return "(" + "+".join(terms) + ")"


def _schedule(book: Book, sheet: Sheet, first: int) -> None:
    plans = book.layout.strategies
    sheet.row(first, ["Surveillance: months of a visit after the start"] + [""] * len(plans), "section")
    slots = max([SCHEDULE_SLOTS, *(len(plan.row.surveillance.months) for plan in plans)])
    end = first + 1 + slots
    sheet.text(end, 1, "Then every so many months (0: no more)")
    sheet.text(end + 1, 1, "Examination")
    for column, plan in enumerate(plans, start=2):
        for slot in range(slots):
            months = plan.row.surveillance.months
            sheet.number(first + 1 + slot, column, months[slot] if slot < len(months) else None, "input|whole")
        sheet.number(end, column, plan.row.surveillance.interval, "input|whole")
        sheet.text(end + 1, column, plan.row.surveillance.visit.replace("_", " "), "small")
        book.cells["strategy", plan.key, "months"] = span(first + 1, first + slots, column, NAME)
        book.known("strategy", plan.key, "interval", sheet=NAME, row=end, column=column)
