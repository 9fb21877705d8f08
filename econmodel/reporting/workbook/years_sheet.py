"""Yearly sheets: one per strategy, from chances through cohort sums to activity and cost by model year.

A move's flow in a year is its chance times the summed occupancy of the state it leaves, each month weighted with its
discount factor, at mid-cycle. Patient-years are by trapezoid on cycle boundaries. Sessions and visits fall at the
start of their month. Everything from ``All patients`` on is weighted with the group shares.
"""

from __future__ import annotations

from collections.abc import Sequence

from econmodel.model.structure import NEVER_BLED, STATE_LABELS
from econmodel.parameters.catalogue import CATEGORY, COUNT_KEYS, LABELS
from econmodel.reporting.workbook.activity_formulas import ITEM_LABELS, ITEMS, activity_formulas
from econmodel.reporting.workbook.book import Book
from econmodel.reporting.workbook.chances import write_chances, write_effects
from econmodel.reporting.workbook.hazards_sheet import HAZARDS
from econmodel.reporting.workbook.layout import FIRST_YEAR_ROW, HEADER_ROWS, StrategyPlan
from econmodel.reporting.workbook.months_sheet import FIRST_VISIT, WEIGHTINGS
from econmodel.reporting.workbook.months_sheet import NAME as MONTHS
from econmodel.reporting.workbook.trace_sheet import ALL, trace_column
from econmodel.reporting.workbook.writer import Sheet, letters, span

PRICE_ROW = 4
WEIGHTING_WORDS = {"undiscounted": "undiscounted", "costs": "discounted as costs", "outcomes": "discounted as outcomes"}


def build_chances(book: Book, plan: StrategyPlan) -> None:
    """Write the left part of the yearly sheet: effects and chances, which the trace reads."""
    sheet = book.add_sheet(plan.years_sheet, tab="14506B")
    sheet.heading(
        f"By model year: {plan.row.label}",
        "Left to right: effect, chances a month by group, occupancy summed over the year, events and activity per patient, cost.",
    )
    write_effects(book, sheet, plan)
    book.cells["free", plan.key] = str(write_chances(book, sheet, plan))
    sheet.page.row_dimensions[HEADER_ROWS[2]].height = 50
    sheet.frame(f"B{FIRST_YEAR_ROW}", book.footer, wide=True)


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


def _marks(book: Book) -> dict[str, Sequence[int]]:
    """Marks of a pattern: ``#`` is the row of the year, ``@1`` and ``@2`` its first and last month, ``@3`` the next."""
    months = [book.layout.months_of(row) for row in book.layout.year_rows]
    return {
        "#": book.layout.year_rows,
        "@1": [first for first, _ in months],
        "@2": [last for _, last in months],
        "@3": [last + 1 for _, last in months],
    }


def _months(column: int, sheet: str) -> str:
    """Pattern of a column over the months of a year."""
    letter = letters(column)
    return f"{sheet}!${letter}$@1:${letter}$@2"


def _weighted_sum(block: str, weighting: str) -> str:
    return f"SUM({block})" if weighting == "undiscounted" else f"SUMPRODUCT({block},{_months(WEIGHTINGS[weighting], MONTHS)})"


def _occupancy(book: Book, sheet: Sheet, plan: StrategyPlan, column: int) -> int:
    """Occupancy summed over the months of a year, by group, weighting and state."""
    rows, marks = book.layout.year_rows, _marks(book)
    for g, group in enumerate(book.layout.groups):
        for weighting, words in WEIGHTING_WORDS.items():
            _section(sheet, f"Months in state, {words}: {group.name}", [STATE_LABELS[s] for s in plan.states], column)
            for state in plan.states:
                book.cells["months", plan.key, state, weighting, str(g)] = letters(column)
                formula = _weighted_sum(_months(trace_column(plan, state, g), plan.trace_sheet), weighting)
                sheet.fill(rows, column, formula, marks=marks)
                column += 1
            column += 1
    return column


def _items(book: Book, sheet: Sheet, plan: StrategyPlan, weighting: str, first: int) -> int:
    """Cohort sums of all patients by year: sessions, visits, patient-years, events."""
    rows, marks = book.layout.year_rows, _marks(book)
    _section(sheet, f"All patients, per patient, {WEIGHTING_WORDS[weighting]}", [ITEM_LABELS[i] for i in ITEMS], first)
    for column, item in enumerate(ITEMS, start=first):
        book.cells["item", plan.key, weighting, item] = letters(column)
        book.cells["item_span", plan.key, weighting, item] = span(FIRST_YEAR_ROW, book.layout.last_year_row, column, sheet.name)
        formula = _item(book, plan, weighting, item)
        if formula:
            sheet.fill(rows, column, f"{HAZARDS}!$C#*({formula})", marks=marks)
        else:
            for row in rows:
                sheet.put(row, column, 0)
    return first + len(ITEMS) + 1


def _item(book: Book, plan: StrategyPlan, weighting: str, item: str) -> str | None:
    """Pattern of one cohort sum; None where it cannot happen."""
    kind, _, name = item.partition(".")
    if kind == "move":
        return _flow(book, plan, weighting, name)
    if kind == "years":
        return _patient_years(plan, weighting, name) if name in plan.states else None
    states = [s for s in (["in_course"] if kind == "sessions" else NEVER_BLED) if s in plan.states]
    blocks = [_months(trace_column(plan, s, ALL), plan.trace_sheet) for s in states]
    if not blocks:
        return None
    if kind == "sessions":
        return _weighted_sum(blocks[0], weighting)
    due, factor = _months(FIRST_VISIT + plan.position, MONTHS), _months(WEIGHTINGS[weighting], MONTHS)
    return f"SUMPRODUCT({due}*{factor}*({'+'.join(blocks)}))"


def _patient_years(plan: StrategyPlan, weighting: str, state: str) -> str:
    column = trace_column(plan, state, ALL)
    whole = _weighted_sum(_months(column, plan.trace_sheet), weighting)
    trace, factor = f"{plan.trace_sheet}!${letters(column)}", f"{MONTHS}!${letters(WEIGHTINGS[weighting])}"
    return f"({whole}+({trace}$@3*{factor}$@3-{trace}$@1*{factor}$@1)/2)/12"


def _flow(book: Book, plan: StrategyPlan, weighting: str, kind: str) -> str | None:
    """Events of one kind in a year: over groups and sources, share x chance x months in state, at mid-cycle."""
    sources = [m.source for m in plan.moves if m.kind == kind]
    if not sources:
        return None
    terms = [
        f"{book.at('group', str(g), 'share')}*({_group_flow(book, plan, weighting, [(s, kind) for s in sources], g)})"
        for g in range(len(book.layout.groups))
    ]
    middle = "" if weighting == "undiscounted" else f"*{book.at('middle', weighting)}"
    return f"({'+'.join(terms)}){middle}"


def _group_flow(book: Book, plan: StrategyPlan, weighting: str, moves: list[tuple[str, str]], g: int) -> str:
    return "+".join(
        f"{_chance(book, plan, source, kind, g)}*{book.at('months', plan.key, source, weighting, str(g))}#" for source, kind in moves
    )


def _chance(book: Book, plan: StrategyPlan, source: str, kind: str, group: int) -> str:
    """Chance of a move, as this sheet's own formulas refer to it."""
    cell = book.at("chance", plan.key, source, kind, str(group))
    return cell.removeprefix(f"{plan.years_sheet}!").replace("$", "" if cell.endswith("#") else "$")


def _activity(book: Book, sheet: Sheet, plan: StrategyPlan, first: int) -> int:
    """Write counts and priced activity by year, undiscounted, the price of each above it, and cost by year."""
    names = [*COUNT_KEYS, *CATEGORY]
    labels = [LABELS[name] for name in names]
    _section(sheet, "Activity per patient, undiscounted", [*labels, "Cost", "Alive at the end"], first)
    priced, last = first + len(COUNT_KEYS), first + len(names) - 1
    sheet.text(PRICE_ROW, priced - 1, "Price", "key")
    for column, name in enumerate(CATEGORY, start=priced):
        sheet.formula(PRICE_ROW, column, book.at("price", name), "money")
    formulas = activity_formulas(book, plan, lambda name: _undiscounted(book, plan, name))
    prices = f"${letters(priced)}${PRICE_ROW}:${letters(last)}${PRICE_ROW}"
    deaths = "-".join(_undiscounted(book, plan, f"move.{kind}") for kind in ("bleed_death", "procedure_death", "other_death"))
    rows = book.layout.year_rows
    for column, name in enumerate(names, start=first):
        sheet.fill(rows, column, formulas[name])
    sheet.fill(rows, last + 1, f"SUMPRODUCT({letters(priced)}#:{letters(last)}#,{prices})", "money_exact")
    sheet.fill(rows[:1], last + 2, f"1-{deaths}")
    sheet.fill(rows[1:], last + 2, f"{letters(last + 2)}@-{deaths}", marks={"@": rows[:-1], "#": rows[1:]})
    for column, name in enumerate([*names, "cost", "alive"], start=first):
        book.cells["yearly", plan.key, name] = letters(column)
    return last + 4


def _undiscounted(book: Book, plan: StrategyPlan, name: str) -> str:
    """Cell of an undiscounted sum in the year of the row; a first course starts with year 1."""
    return "IF(A#=1,1,0)" if name == "started" else f"{book.at('item', plan.key, 'undiscounted', name)}#"


def _group_bleeds(book: Book, sheet: Sheet, plan: StrategyPlan, first: int) -> None:
    """First bleeds by year and group, undiscounted."""
    _section(sheet, "First bleeds by group", [g.name for g in book.layout.groups], first)
    for g in range(len(book.layout.groups)):
        column = first + g
        book.cells["group_bleeds", plan.key, str(g)] = span(FIRST_YEAR_ROW, book.layout.last_year_row, column, sheet.name)
        moves = [(m.source, m.kind) for m in plan.moves if m.kind in ("gastric_bleed", "other_bleed")]
        formula = f"{HAZARDS}!$C#*({_group_flow(book, plan, 'undiscounted', moves, g)})"
        sheet.fill(book.layout.year_rows, column, formula)
