"""Chances of every move by model year: the left part of a strategy's yearly sheet.

Moves out of a state compete within a month: ``p = rate / R x (1 - exp(-R / 12))``, R the sum of the rates out.
"""

from __future__ import annotations

from econmodel.model.structure import MOVE_LABELS, NEVER_BLED, STATE_LABELS
from econmodel.reporting.workbook.book import Book
from econmodel.reporting.workbook.hazards_sheet import TRANSPLANTED, hazard
from econmodel.reporting.workbook.layout import FIRST_YEAR_ROW, HEADER_ROWS, StrategyPlan
from econmodel.reporting.workbook.writer import Sheet, letters

YEAR, LOST, GASTRIC, OTHER, RETREAT, FIRST_CHANCE = range(1, 7)
ACUTE = ("bleeding", "rebleeding")
TOTAL, FACTOR, STAY = "Sum of rates", "Chance per unit of rate", "Stays"


def write_effects(book: Book, sheet: Sheet, plan: StrategyPlan) -> None:
    """Write the effect of the strategy by year, as it wanes, and its re-treatment rate."""
    sheet.row(
        HEADER_ROWS[2],
        ["Model year", "Share of effect lost", "Gastric bleed, ratio", "Other bleed, ratio", "Re-treatment rate"],
        "header",
    )

    def own(item: str) -> str:
        return book.at("strategy", plan.key, item)

    full, none = own("effect_full_years"), own("effect_none_years")
    rows, middle = book.layout.year_rows, "A#-0.5"
    for row in rows:
        sheet.put(row, YEAR, row - FIRST_YEAR_ROW + 1, "whole")
    ramp = f"MAX(0,MIN(1,({middle}-{full})/({none}-{full})))"
    sheet.fill(rows, LOST, f"IF({none}>{full},{ramp},IF({middle}>{full},1,0))")
    sheet.fill(rows, GASTRIC, f"{own('hr_gastric')}^(1-B#)")
    sheet.fill(rows, OTHER, f"{own('hr_other')}^(1-B#)")
    sheet.fill(rows[:1], RETREAT, own("r_retreat_1"))
    sheet.fill(rows[1:], RETREAT, own("r_retreat_later"))


def write_chances(book: Book, sheet: Sheet, plan: StrategyPlan) -> int:
    """Write the chances of every group and state; give the first free column."""
    column = FIRST_CHANCE
    for g, group in enumerate(book.layout.groups):
        start = column
        for state in plan.states:
            column = _write_state(book, sheet, plan, state, g, column)
        sheet.row(HEADER_ROWS[0], [f"Chances a month: {group.name}"] + [""] * (column - start - 1), "section", first=start)
        sheet.page.column_dimensions[letters(column)].width = 2
        column += 1
    return column


def _write_state(book: Book, sheet: Sheet, plan: StrategyPlan, state: str, g: int, first: int) -> int:
    """Write the columns of one state of one group; constants of the acute states stand on the patients sheet."""
    kinds = [m.kind for m in plan.moves if m.source == state]
    if state in ACUTE:
        for kind in kinds:
            book.cells["chance", plan.key, state, kind, str(g)] = book.at("group", str(g), f"{state}.{kind}")
        return first
    items = _formulas(book, plan, state, g)
    places = {item: letters(first + i) for i, item in enumerate(items)}
    for column, (item, formula) in enumerate(items.items(), start=first):
        sheet.text(HEADER_ROWS[1], column, STATE_LABELS[state] if column == first else "", "note")
        sheet.text(HEADER_ROWS[2], column, MOVE_LABELS.get(item, item), "header_right")
        for other, letter in places.items():
            formula = formula.replace(f"[{other}]", f"{letter}#")
        sheet.fill(book.layout.year_rows, column, formula)
        key = ("stay", plan.key, state, str(g)) if item == STAY else ("chance", plan.key, state, item, str(g))
        book.cells[key] = f"{sheet.name}!${letters(column)}$#"
    return first + len(items)


def _formulas(book: Book, plan: StrategyPlan, state: str, g: int) -> dict[str, str]:
    """Formulas of a state's columns in order; ``[item]`` is another column of the state, ``#`` the row."""
    rates = _rates(book, plan, state, g)
    if state == "transplanted":
        found = {"other_death": rates["other_death"]}
    else:
        factor = f"IF([{TOTAL}]>0,(1-EXP(-[{TOTAL}]/12))/[{TOTAL}],1/12)"
        found = {TOTAL: "+".join(rates.values()), FACTOR: factor}
        found |= {kind: f"({rate})*[{FACTOR}]" for kind, rate in rates.items()}
    if state == "in_course":
        death = f"{book.at('strategy', plan.key, 'p_death_course')}/{book.at('strategy', plan.key, 'sessions_mean')}"
        done = f"1/{book.at('strategy', plan.key, 'sessions_mean')}"
        found[FACTOR] = f"(1-{death})*{found[FACTOR]}"
        found |= {"procedure_death": death, "finish": f"(1-{death})*EXP(-[{TOTAL}]/12)*{done}"}
    kinds = [item for item in found if item in MOVE_LABELS]
    return found | {STAY: "1-" + "-".join(f"[{kind}]" for kind in kinds)}


def _rates(book: Book, plan: StrategyPlan, state: str, g: int) -> dict[str, str]:
    """Rates per year out of a state, by move; ``#`` is the row."""
    if state == "transplanted":
        return {"other_death": f"Hazards!${letters(TRANSPLANTED)}#"}
    transplant = book.at("group", str(g), "transplant")
    if state == "post_bleed":
        return {
            "late_rebleed": book.at("strategy", plan.key, "r_late_rebleed"),
            "transplant": transplant,
            "other_death": hazard(book, "#", 2, g),
        }
    assert state in NEVER_BLED
    treated = state != "at_risk"
    rates = {
        "gastric_bleed": hazard(book, "#", 0, g) + ("*$C#" if treated else ""),
        "other_bleed": book.input("r_other_bleed") + ("*$D#" if treated else ""),
        "transplant": transplant,
        "other_death": hazard(book, "#", 1, g),
    }
    retreated = state == "protected" and any(m.kind == "retreat" for m in plan.moves)
    return rates | ({"retreat": "$E#"} if retreated else {})
