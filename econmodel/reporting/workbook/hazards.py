"""What cohorts run on: life tables, rates by model year, each strategy's figures and visits, discount factors by month."""

from __future__ import annotations

from typing import Any

import numpy as np

from econmodel.arrays import choose
from econmodel.model.course_inputs import course_figures
from econmodel.model.hazards import CYCLES_PER_YEAR
from econmodel.model.inputs import LAST_AGE, background_rate, sexes_mixed, strategy_figures
from econmodel.parameters.loading import read_life_table
from econmodel.reporting.workbook.book import FIRST_MONTH_ROW, FIRST_YEAR_ROW, Book, Plan
from econmodel.reporting.workbook.formula import ROW, Formula, call, quoted
from econmodel.reporting.workbook.patients import late_rebleeding
from econmodel.reporting.workbook.writer import Sheet, letters, span

LIFE, HAZARDS, STRATEGIES, MONTHS = "Life_tables", "Hazards", "Strategies", "Months"
FIRST_AGE_ROW = 6
YEAR, AGE, WITHIN, LIFETIME, DIES, BACKGROUND, TIME, FIRST_CELL = range(1, 9)
FIGURES = {
    "hr_gastric": "Rate of a gastric bleed relative to none",
    "hr_other": "Rate of another bleed relative to none",
    "hr_excess_death": "Rate of excess death relative to none, while in effect",
    "effect_full_years": "Years of full effect",
    "effect_none_years": "Years after which there is no effect",
    "sessions_mean": "Sessions in a course (mean)",
    "r_retreat_1": "Re-treatment rate, year 1",
    "r_retreat_later": "Re-treatment rate, later",
    "p_death_course": "Death from the procedure, per course",
    "r_late_rebleed": "Late rebleed rate a year after a bleed",
    "p_obliteration": "Varix obliterated by a course (per protocol only)",
    "r_lost": "Lost to follow-up, rate",
}
COURSE_FIGURES = {
    "hr_closed": "Rate of a gastric bleed relative to none, varix closed or on the drug (held)",
    "hr_open": "Rate of a gastric bleed relative to none, varix open (held)",
    **{item: FIGURES[item] for item in ("hr_other", "hr_excess_death", "sessions_mean", "p_death_course")},
    "p_obliteration": "Varix closed at the first check after a course",
    "r_recurrence": "Closed varix opens again, rate",
    "r_lost": FIGURES["r_lost"],
    "r_stop": "Drug stopped, rate in years 1 and 2",
    "r_stop_later": "Drug stopped, rate later",
    "p_detect": "Open varix found at a visit",
    "p_retreat_accepted": "Another course accepted when found open",
    "p_found": "Open varix sent to another course at a visit",
    "r_gastric_rebleed": "Late rebleed rate a year after a gastric bleed: gastric varix",
    "r_other_rebleed": "Late rebleed rate a year after a gastric bleed: another source",
}
SCHEDULE_SLOTS = 12
FIRST_FIGURE = 6
MONTH, MODEL_YEAR, AS_IS, COSTS, OUTCOMES, FIRST_VISIT = range(1, 7)


def build_life_tables(book: Book) -> None:
    """Write every life table the setting can choose, and the chosen one mixed by sex."""
    sheet = book.add_sheet(LIFE)
    sheet.heading("Life tables", "Probability of death within a year by sex and age; the setting life_table chooses one.")
    names = book.case.parameters["life_table"].choices or (book.case.parameters.text("life_table"),)
    tables = {name: read_life_table(name) for name in names}
    last = max(len(q) for table in tables.values() for q in table.values())
    sheet.row(FIRST_AGE_ROW - 1, ["Age", "Chosen, sexes mixed", *(f"{n}, {s}" for n in names for s in ("male", "female"))])
    setting = book.input("life_table")
    chosen = names.index(setting.value) + 1
    place = f"MATCH({setting.text},{{{','.join(map(quoted, names))}}},0)"
    mixed = []
    for age in range(last):
        row = FIRST_AGE_ROW + age
        sheet.number(row, 1, age, "whole")
        for column, q in enumerate((tables[name][sex] for name in names for sex in ("male", "female")), start=3):
            if age < len(q):
                sheet.number(row, column, float(q[age]), "factor")
        block = f"$C{row}:{letters(2 + 2 * len(names))}{row}"
        known = [tables[names[chosen - 1]][sex] for sex in ("male", "female")]
        there = all(age < len(q) for q in known)
        now = [float(x[age]) if age < len(x) else 0.0 for x in known]
        male, female = Formula(f"INDEX({block},2*{place}-1)", now[0]), Formula(f"INDEX({block},2*{place})", now[1])
        both = call("AND", there, *(Formula(f"ISNUMBER({x.text})", there) for x in (male, female)))
        found = choose(both, lambda m=male, f=female: sexes_mixed(book.v["share_female"], m, f), lambda: "")  # type: ignore[misc]
        mixed.append(sheet.formula(row, 2, found, "factor").value)
    book.cells["life", "q"] = Formula(span(FIRST_AGE_ROW, FIRST_AGE_ROW + last - 1, 2, LIFE), np.array(mixed, dtype=object))
    sheet.widths(8, 14, *[14] * (2 * len(names)))
    sheet.frame(f"C{FIRST_AGE_ROW}", book.footer, wide=True)


def build_hazards(book: Book) -> None:
    """Write the rates by model year that no strategy changes."""
    sheet = book.add_sheet(HAZARDS)
    sheet.heading(
        "Hazards by model year",
        "Rates per patient-year without prophylaxis, constant within a model year. Years "
        "beyond the time horizon are worked out, and count only in the share of bleeds that end in death.",
    )
    headers = [
        "Model year",
        "Age at start",
        "Within horizon",
        f"Before age {LAST_AGE}",
        "Life table q",
        "Background death rate",
        "Rate relative to year 1",
    ]
    classes = [f", class {c + 1}" if book.layout.classes > 1 else "" for c in range(book.layout.classes)]
    cells = [f"Gastric bleed, untreated: {g.name}{c}" for g in book.layout.groups for c in classes]
    sheet.row(FIRST_YEAR_ROW - 1, headers + cells)
    sheet.heights[FIRST_YEAR_ROW - 1] = 62
    horizon, rows, years = _horizon(book, sheet), book.layout.year_rows, np.arange(book.layout.n_years)
    for number, row in enumerate(rows, start=1):
        sheet.number(row, YEAR, number, "whole")
    year = Formula(f"$A{ROW}", years + 1.0)
    age = sheet.column(rows, AGE, book.input("start_age") + year - 1, "whole")
    within = sheet.column(rows, WITHIN, choose(year <= horizon, lambda: 1, lambda: 0), "whole")
    lifetime = sheet.column(rows, LIFETIME, choose(age < LAST_AGE, lambda: 1, lambda: 0), "whole")
    dies = sheet.column(rows, DIES, choose(lifetime == 1, lambda: _of_age(book, age), lambda: 0.0))
    background = sheet.column(rows, BACKGROUND, background_rate(dies))  # type: ignore[arg-type]
    later = book.at("solved", "time")
    time = sheet.column(rows, TIME, choose(year <= 1, lambda: 1.0, lambda: choose(year <= 3, lambda: later[0], lambda: later[1])))
    book.cells["within",], book.cells["lifetime",], book.cells["background",] = within, lifetime, background
    for cell in range(len(cells)):
        g, c = divmod(cell, book.layout.classes)
        rate = book.at("solved", "rate") * (book.at("group", str(g), "relative") * book.at("susceptibility")[c])
        book.cells["gastric", str(cell)] = sheet.column(rows, FIRST_CELL + cell, time * rate)
    sheet.widths(*[11] * (FIRST_CELL + len(cells)))
    sheet.frame(f"B{FIRST_YEAR_ROW}", book.footer, wide=True)


def _of_age(book: Book, age: Formula) -> Formula:
    q = book.at("life", "q")
    found = [q.value[int(a)] if a < len(q.value) else np.nan for a in age.value]
    return call("INDEX", np.array([x if x != "" else np.nan for x in found], dtype=float), q, age + 1)


def _horizon(book: Book, sheet: Sheet) -> Formula:
    """Horizon in whole years; not available when the sheets do not hold it, never cut in silence."""
    typed, age = book.input("horizon_years"), book.input("start_age")
    sheet.text(4, 1, "Time horizon, years", "bold")
    wanted = f'IF({typed.text}="lifetime",{LAST_AGE}-{age.text},{typed.text})'
    longest = f"MIN({book.layout.n_years},{LAST_AGE}-{age.text})"
    allowed = f"{wanted}=INT({wanted}),{wanted}>=1,{wanted}<={longest},{age.text}=INT({age.text})"
    horizon = Formula(f"IF(AND({allowed}),{wanted},NA())", float(book.evaluation.horizon))
    sheet.text(4, 4, f"This file holds {book.layout.n_years} years. A longer horizon, or a younger start, needs a new file.", "note")
    book.cells["horizon",] = sheet.formula(4, 3, horizon, "strong|whole")
    return book.at("horizon")  # type: ignore[no-any-return]


def build_strategies(book: Book) -> None:
    """Write each strategy's figures, made of inputs as its row says, and its surveillance schedule."""
    sheet = book.add_sheet(STRATEGIES)
    sheet.heading("Strategies", "Each figure is made of inputs; the schedule of visits may be changed here.")
    sheet.row(4, ["", *(plan.row.label for plan in book.plans)], "headings")
    sheet.heights[4] = 28
    sheet.row(5, ["Key", *(plan.key for plan in book.plans)], "key")
    labels = COURSE_FIGURES if book.layout.process else FIGURES
    book.cells["figures",] = list(labels)
    late = late_rebleeding(book), late_rebleeding(book, "hr_late_rebleed_other")
    for column, plan in enumerate(book.plans, start=2):
        figures: dict[str, Any] = strategy_figures(plan.row, book.v, book.v["r_late_rebleed"] * late[0])
        if book.layout.process:
            figures |= course_figures(plan.row, book.v, *late)
            figures["p_found"] = figures["p_detect"] * figures["p_retreat_accepted"]
            figures |= {item: book.at("held", plan.key, item) for item in ("hr_closed", "hr_open")}
        for row, (item, label) in enumerate(labels.items(), start=FIRST_FIGURE):
            sheet.text(row, 1, label)
            cell = sheet.formula(row, column, figures[item], "years" if item.startswith("effect_") else "factor")
            book.cells["strategy", plan.key, item] = cell if isinstance(figures[item], Formula) else figures[item]
            book.cells["shown", plan.key, item] = cell
    _schedule(book, sheet, FIRST_FIGURE + len(labels) + 1)
    sheet.widths(44, *[20] * len(book.plans))
    sheet.frame("B6", book.footer)


def _schedule(book: Book, sheet: Sheet, first: int) -> None:
    sheet.row(first, ["Surveillance: months of a visit after the start"] + [""] * len(book.plans), "section")
    slots = max([SCHEDULE_SLOTS, *(len(plan.row.surveillance.months) for plan in book.plans)])
    end = first + 1 + slots
    sheet.text(end, 1, "Then every so many months (0: no more)")
    sheet.text(end + 1, 1, "Last visit by the end of year (0: no end)")
    sheet.text(end + 2, 1, "Examination")
    for column, plan in enumerate(book.plans, start=2):
        visits = plan.row.surveillance
        for slot in range(slots):
            sheet.number(first + 1 + slot, column, visits.months[slot] if slot < len(visits.months) else None, "input|whole")
        interval = sheet.number(end, column, visits.interval, "input|whole")
        until = sheet.number(end + 1, column, visits.until_year, "input|whole")
        sheet.text(end + 2, column, visits.visit.replace("_", " "), "small")
        book.cells["visits", plan.key] = span(first + 1, first + slots, column, STRATEGIES), interval.text, until.text


def build_months(book: Book) -> None:
    """Write the months: discount factors at cycle boundaries, and visits due by strategy."""
    sheet = book.add_sheet(MONTHS)
    sheet.heading("Months", "Discount factors (1 + d)^-t at the boundaries of cycles, and whether a surveillance visit is due.")
    headers = ["Month", "Model year", "Undiscounted", "Costs", "Outcomes", *(f"Visit due: {plan.row.label}" for plan in book.plans)]
    sheet.row(FIRST_MONTH_ROW - 1, headers)
    rows = book.layout.month_rows
    months = np.arange(len(rows))
    for month, row in enumerate(rows):
        sheet.number(row, MONTH, month, "whole")
        sheet.number(row, MODEL_YEAR, month // CYCLES_PER_YEAR + 1, "whole")
        sheet.number(row, AS_IS, 1, "whole")
    sheet.text(4, 1, "Factor from a cycle's start to its middle", "bold")
    sheet.number(4, AS_IS, 1, "factor")
    book.cells["factor", "undiscounted"], book.cells["middle", "undiscounted"] = (AS_IS, np.ones(len(rows))), 1.0
    years = Formula(f"A{ROW}", months.astype(float)) / CYCLES_PER_YEAR
    for weighting, column in (("costs", COSTS), ("outcomes", OUTCOMES)):
        grown = 1 + book.v[f"discount_{weighting}"]
        book.cells["middle", weighting] = sheet.formula(
            4, column, grown ** -Formula(f"0.5/{CYCLES_PER_YEAR}", 0.5 / CYCLES_PER_YEAR, 2)
        )
        book.cells["factor", weighting] = column, sheet.column(rows, column, grown**-years).value
    for column, plan in enumerate(book.plans, start=FIRST_VISIT):
        book.cells["due", plan.key] = column, sheet.column(rows, column, _visit(book, plan, months), "factor").value
    sheet.widths(*[13] * (FIRST_VISIT + len(book.plans)))
    sheet.frame(f"B{FIRST_MONTH_ROW}", book.footer, wide=True)


def _visit(book: Book, plan: Plan, months: Any) -> Any:
    """Whether a visit is due, from the schedule's own cells; times the share not lost where loss is no state."""
    listed, interval, until = book.at("visits", plan.key)
    month = f"A{ROW}"
    again = f"IF({interval}>0,IF({month}>MAX({listed}),IF(MOD({month}-MAX({listed}),{interval})=0,1,0),0),0)"
    due = f"IF(COUNTIF({listed},{month})>0,1,{again})"
    ends = f"IF({until}>0,{until},{LAST_AGE})*{CYCLES_PER_YEAR}"
    there = np.array([float(plan.row.surveillance.at(int(m))) for m in months])
    seen = Formula(f"IF({month}>{ends},0,{due})", there)
    if not plan.row.r_lost or (book.layout.process and plan.row.starts_in == "in_course"):
        return seen
    return seen * np.exp(book.at("strategy", plan.key, "r_lost") * Formula(f"-{month}/{CYCLES_PER_YEAR}", -months / CYCLES_PER_YEAR))
