"""Yearly sheets: one per strategy, from chances through cohort sums to activity and cost by model year.

A move's flow in a year is its chance times the summed occupancy of the state it leaves, each month weighted with its
discount factor, at mid-cycle. Patient-years are by trapezoid on cycle boundaries. Sessions and visits fall at the
start of their month. Everything from ``All patients`` on is weighted with the group shares.
"""

from __future__ import annotations

from econmodel.economics.activity import CATEGORY, COUNTS
from econmodel.model.structure import NEVER_BLED, STATE_LABELS
from econmodel.reporting.workbook.activity_formulas import (
    COUNT_LABELS,
    ITEM_LABELS,
    ITEMS,
    activity_formulas,
)
from econmodel.reporting.workbook.book import Book
from econmodel.reporting.workbook.chances import write_chances, write_effects
from econmodel.reporting.workbook.hazards_sheet import HAZARDS
from econmodel.reporting.workbook.layout import FIRST_YEAR_ROW, HEADER_ROWS, StrategyPlan
from econmodel.reporting.workbook.months_sheet import NAME as MONTHS
from econmodel.reporting.workbook.months_sheet import FIRST_VISIT, WEIGHTINGS
from econmodel.reporting.workbook.prices_sheet import ACTIVITY_LABELS
from econmodel.reporting.workbook.trace_sheet import ALL, trace_column
from econmodel.reporting.workbook.writer import Sheet, letters, span

PRICE_ROW = 4


def build_chances(book: Book, plan: StrategyPlan) -> None:
    """Write the left part of the yearly sheet: effects and chances, which the trace reads."""
    sheet = book.add_sheet(plan.years_sheet, tab="14506B")
    sheet.heading(f"By model year: {plan.row.label}", "Left to right: effect, chances a month by group, occupancy summed over "
                                                      "the year, events and activity per patient, cost.")
    write_effects(book, sheet, plan)
    book.cells["free", plan.key] = str(write_chances(book, sheet, plan))
    sheet.page.row_dimensions[HEADER_ROWS[2]].height = 50
    sheet.frame(f"B{FIRST_YEAR_ROW}", book.case.title)


def build_sums(book: Book, plan: StrategyPlan) -> None:
    """Write the right part of the yearly sheet: sums of the trace, events, activity, cost."""
    sheet = book.sheets[plan.years_sheet]
    column = _occupancy(book, sheet, plan, int(book.at("free", plan.key)))
    for weighting in WEIGHTINGS:
        column = _items(book, sheet, plan, weighting, column)
    column = _activity(book, sheet, plan, column)
    _group_bleeds(book, sheet, plan, column)


def _section(sheet: Sheet, title: str, headers: list[str], first: int) -> None:
    sheet.row(HEADER_ROWS[0], [title] + [""] * (len(headers) - 1), "section", first=first)
    sheet.row(HEADER_ROWS[2], headers, "header_right", first=first)
    sheet.page.column_dimensions[letters(first + len(headers))].width = 2


def _weighted_sum(block: str, weighting: str, first: int, last: int) -> str:
    if weighting == "undiscounted":
        return f"SUM({block})"
    return f"SUMPRODUCT({block},{span(first, last, WEIGHTINGS[weighting], MONTHS)})"


def _occupancy(book: Book, sheet: Sheet, plan: StrategyPlan, column: int) -> int:
    """Occupancy summed over the months of a year, by group, weighting and state."""
    for g, group in enumerate(book.layout.groups):
        for weighting in WEIGHTINGS:
            _section(sheet, f"Months in state, {_words(weighting)}: {group.name}", [STATE_LABELS[s] for s in plan.states], column)
            for i, state in enumerate(plan.states):
                trace = trace_column(plan, state, g)
                book.cells["months", plan.key, state, weighting, str(g)] = letters(column + i)
                for row in book.layout.year_rows:
                    first, last = book.layout.months_of(row)
                    block = span(first, last, trace, plan.trace_sheet)
                    sheet.formula(row, column + i, _weighted_sum(block, weighting, first, last), "factor")
            column += len(plan.states) + 1
    return column


def _words(weighting: str) -> str:
    return {"undiscounted": "undiscounted", "costs": "discounted as costs", "outcomes": "discounted as outcomes"}[weighting]


def _items(book: Book, sheet: Sheet, plan: StrategyPlan, weighting: str, first: int) -> int:
    """Cohort sums of all patients by year: sessions, visits, patient-years, events."""
    _section(sheet, f"All patients, per patient, {_words(weighting)}", [ITEM_LABELS[i] for i in ITEMS], first)
    for column, item in enumerate(ITEMS, start=first):
        letter = letters(column)
        book.cells["item", plan.key, weighting, item] = letter
        book.cells["item_span", plan.key, weighting, item] = span(FIRST_YEAR_ROW, book.layout.last_year_row, column, sheet.name)
        for row in book.layout.year_rows:
            formula = _item(book, plan, weighting, item, row)
            if formula is None:
                sheet.number(row, column, 0, "factor")
            else:
                sheet.formula(row, column, f"{HAZARDS}!$C{row}*({formula})", "factor")
    return first + len(ITEMS) + 1


def _item(book: Book, plan: StrategyPlan, weighting: str, item: str, row: int) -> str | None:
    """Formula of one cohort sum in one year; None where it cannot happen."""
    first, last = book.layout.months_of(row)
    kind, _, name = item.partition(".")
    if kind == "move":
        return _flow(book, plan, weighting, name, row)
    if kind == "years":
        return _patient_years(book, plan, weighting, name, row) if name in plan.states else None
    states = ["in_course"] if kind == "sessions" else list(NEVER_BLED)
    blocks = [span(first, last, trace_column(plan, s, ALL), plan.trace_sheet) for s in states if s in plan.states]
    if not blocks:
        return None
    if kind == "sessions":
        return _weighted_sum(blocks[0], weighting, first, last)
    due, factor = span(first, last, FIRST_VISIT + plan.position, MONTHS), span(first, last, WEIGHTINGS[weighting], MONTHS)
    return f"SUMPRODUCT({due}*{factor}*({'+'.join(blocks)}))"


def _patient_years(book: Book, plan: StrategyPlan, weighting: str, state: str, row: int) -> str:
    first, last = book.layout.months_of(row)
    column = trace_column(plan, state, ALL)
    whole = _weighted_sum(span(first, last, column, plan.trace_sheet), weighting, first, last)
    trace, factor = f"{plan.trace_sheet}!${letters(column)}", f"{MONTHS}!${letters(WEIGHTINGS[weighting])}"
    edge = f"({trace}{last + 1}*{factor}{last + 1}-{trace}{first}*{factor}{first})/2"
    return f"({whole}+{edge})/12"


def _flow(book: Book, plan: StrategyPlan, weighting: str, kind: str, row: int) -> str | None:
    """Events of one kind in a year: over groups and sources, share x chance x months in state, at mid-cycle."""
    sources = [m.source for m in plan.moves if m.kind == kind]
    if not sources:
        return None
    terms = []
    for g in range(len(book.layout.groups)):
        flows = "+".join(f"{_chance(book, plan, s, kind, g, row)}*{book.at('months', plan.key, s, weighting, str(g))}{row}"
                         for s in sources)
        terms.append(f"{book.at('group', str(g), 'share')}*({flows})")
    middle = "" if weighting == "undiscounted" else f"*{book.at('middle', weighting)}"
    return f"({'+'.join(terms)}){middle}"


def _activity(book: Book, sheet: Sheet, plan: StrategyPlan, first: int) -> int:
    """Counts and priced activity by year, undiscounted, the price of each above it, and cost by year."""
    names = [*COUNTS, *CATEGORY]
    labels = [*COUNT_LABELS.values(), *(ACTIVITY_LABELS[a] for a in CATEGORY)]
    _section(sheet, "Activity per patient, undiscounted", [*labels, "Cost", "Alive at the end"], first)
    priced, last = first + len(COUNTS), first + len(names) - 1
    sheet.text(PRICE_ROW, priced - 1, "Price", "key")
    for column, name in enumerate(CATEGORY, start=priced):
        sheet.formula(PRICE_ROW, column, book.at("price", name), "money")
    for row in book.layout.year_rows:
        def item(name: str, row: int = row) -> str:
            if name == "started":
                return str(int(row == FIRST_YEAR_ROW))
            return f"{book.at('item', plan.key, 'undiscounted', name)}{row}"

        formulas = activity_formulas(book, plan, item)
        for column, name in enumerate(names, start=first):
            sheet.formula(row, column, formulas[name], "factor")
        prices = f"${letters(priced)}${PRICE_ROW}:${letters(last)}${PRICE_ROW}"
        sheet.formula(row, last + 1, f"SUMPRODUCT({letters(priced)}{row}:{letters(last)}{row},{prices})", "money_exact")
        deaths = "-".join(f"{book.at('item', plan.key, 'undiscounted', f'move.{kind}')}{row}"
                          for kind in ("bleed_death", "procedure_death", "other_death"))
        before = "1" if row == FIRST_YEAR_ROW else f"{letters(last + 2)}{row - 1}"
        sheet.formula(row, last + 2, f"{before}-{deaths}", "factor")
    for column, name in enumerate([*names, "cost", "alive"], start=first):
        book.cells["yearly", plan.key, name] = letters(column)
    return last + 4


def _group_bleeds(book: Book, sheet: Sheet, plan: StrategyPlan, first: int) -> None:
    """First bleeds by year and group, undiscounted."""
    _section(sheet, "First bleeds by group", [g.name for g in book.layout.groups], first)
    for g in range(len(book.layout.groups)):
        column = first + g
        book.cells["group_bleeds", plan.key, str(g)] = span(FIRST_YEAR_ROW, book.layout.last_year_row, column, sheet.name)
        sources = [(m.source, m.kind) for m in plan.moves if m.kind in ("gastric_bleed", "other_bleed")]
        for row in book.layout.year_rows:
            flows = "+".join(f"{_chance(book, plan, s, kind, g, row)}*{book.at('months', plan.key, s, 'undiscounted', str(g))}{row}"
                             for s, kind in sources)
            sheet.formula(row, column, f"{HAZARDS}!$C{row}*({flows})", "factor")


def _chance(book: Book, plan: StrategyPlan, source: str, kind: str, group: int, row: int) -> str:
    """Chance of a move, as this sheet's own formulas refer to it."""
    cell = book.at("chance", plan.key, source, kind, str(group))
    return cell.replace("#", str(row)).removeprefix(f"{plan.years_sheet}!").replace("$", "" if cell.endswith("#") else "$")
