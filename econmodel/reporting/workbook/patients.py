"""Patients sheet, the case mix and the reference mix; Solved sheet, what follows from the reference mix.

The untreated rate and the fatality are the arithmetic of ``model.natural_history`` run on cells: Newton's method is
laid out one row a step, from 0, and has converged long before the last row. What
only the program can solve (susceptibility classes, the effect of a closed varix) stands as plain numbers, and a
check fails when an input they rest on is changed.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any, Literal

import numpy as np

from econmodel.arrays import choose
from econmodel.evidence.untreated import relative_hazard
from econmodel.model.course_inputs import product
from econmodel.model.inputs import CHILD
from econmodel.model.natural_history import first_month_fatality, newton_step, shift_step, times_odds
from econmodel.reporting.workbook.book import Book
from econmodel.reporting.workbook.formula import Formula, call
from econmodel.reporting.workbook.writer import Sheet, address, span

PATIENTS, SOLVED = "Patients", "Solved"
HEADERS = ("Group", "Share", "Child-Pugh", "Size step", "Red spot", "Class step", "Relative bleeding rate")
GROUP_HEADERS = ("Transplant a year", "Excess death a year", "Death, first bleed", "Death, rebleed")
SHARE, CHILD_CLASS, SIZE, RED, STEP, RELATIVE, TRANSPLANT, EXCESS, FIRST_DEATH, AGAIN = range(2, 12)
FIRST = 6
EXPOSURE, SHIFT = 2, 3
NEWTON_STEPS, FIRST_STEP_ROW = 30, 27
HELD_WORDS = (
    "Solved so that a trial on the evidence's own closure, recurrence, sessions, detection, acceptance, at the untreated risk of the",
    "reference mix, has the pooled effect. They do not follow when an input marked held is changed in this file: a check then",
    "fails, and the file must be made anew. Closure, recurrence, sessions, detection, acceptance act in the run alone.",
)
POOLED = ("p_first_bleed_year_1", "hr_first_bleed_years_2_3", "hr_first_bleed_from_year_4", "b_child", "b_size", "b_red")


def build_patients(book: Book) -> None:
    """Write both mixes; the columns that need solved figures are filled by :func:`finish_patients`."""
    sheet = book.add_sheet(PATIENTS, tab="E0B400")
    sheet.heading("Patients", "Patient groups: shares must sum to 1. Size step 0 is below 5 mm, 1 is 5-10 mm, 2 above 10 mm.")
    for name, first in mixes(book):
        _mix(book, sheet, first, name)
    sheet.widths(30, 10, 10, 10, 10, 10, 12, 12, 12, 12, 12)
    sheet.frame("B6", book.footer)


def mixes(book: Book) -> list[tuple[str, int]]:
    """Both mixes and the first row of each."""
    return [("case_mix", FIRST), ("reference_mix", FIRST + len(book.layout.groups) + 5)]


def _mix(book: Book, sheet: Sheet, first: int, name: str) -> None:
    p = book.case.parameters[name]
    rows = p.table or ()
    own = name == "case_mix"
    sheet.row(first - 2, [p.label] + [""] * (len(HEADERS) + len(GROUP_HEADERS) - 1 if own else 6), "section")
    sheet.row(first - 1, list(HEADERS), "headings")
    sheet.heights[first - 1] = 40
    found = [_group_row(book, sheet, row, group) for row, group in enumerate(rows, start=first)]
    last = first + len(rows) - 1
    for item, column, cells in zip(("shares", "steps", "relative"), (SHARE, STEP, RELATIVE), zip(*found, strict=True), strict=True):
        book.cells[name, item] = Formula(span(first, last, column, PATIENTS), np.array([cell.value for cell in cells], dtype=float))
    book.cells[name, "rows"] = found
    sheet.text(last + 1, 1, "Sum of shares", "bold")
    book.cells[name, "sum"] = sheet.formula(last + 1, SHARE, book.at(name, "shares").sum(), "strong|factor")
    sheet.text(last + 2, 1, f"{p.status}: {p.rationale or p.reason}", "note")


def _group_row(book: Book, sheet: Sheet, row: int, group: dict[str, Any]) -> tuple[Formula, Formula, Formula]:
    """Share, class step and relative rate of one group."""
    sheet.text(row, 1, group["name"])
    share = sheet.number(row, SHARE, group["share"], "input")
    sheet.text(row, CHILD_CLASS, group["child"], "input")
    size, red = (sheet.number(row, c, group[key], "input|whole") for c, key in ((SIZE, "size_step"), (RED, "red_spot")))
    child, classes = CHILD.index(group["child"]), ",".join(f'"{c}"' for c in CHILD)
    place = Formula(f"MATCH({address(row, CHILD_CLASS)},{{{classes}}},0)", child + 1)
    step = sheet.formula(row, STEP, place - 1, "whole")
    relative = relative_hazard(step, size, red, *(book.v[name] for name in ("b_child", "b_size", "b_red")))  # type: ignore[arg-type]
    return share, step, sheet.formula(row, RELATIVE, relative, "factor")  # type: ignore[arg-type]


def finish_patients(book: Book) -> None:
    """Fill each group's death, transplant and fatality from its Child-Pugh class; make the cells known."""
    sheet = book.sheets[PATIENTS]
    sheet.row(FIRST - 1, list(GROUP_HEADERS), "header_right", first=TRANSPLANT)
    by_class = {
        "transplant": [book.v[f"r_transplant_child_{c.lower()}"] for c in CHILD],
        "excess": [book.v[f"r_excess_death_child_{c.lower()}"] for c in CHILD],
        "first": [book.at("fatality", c) for c in CHILD],
        "again": [book.at("fatality_again", c) for c in CHILD],
    }
    for g, (share, step, relative) in enumerate(book.at("case_mix", "rows")):
        book.cells["group", str(g), "share"], book.cells["group", str(g), "relative"] = share, relative
        for column, (item, cells) in zip((TRANSPLANT, EXCESS, FIRST_DEATH, AGAIN), by_class.items(), strict=True):
            chosen = call("CHOOSE", cells[int(step.value)].value, step + 1, *cells)
            book.cells["group", str(g), item] = sheet.formula(FIRST + g, column, chosen, "factor")


def build_solved(book: Book) -> None:
    """Write the solved figures and how each comes about."""
    sheet = book.add_sheet(SOLVED)
    sheet.heading(
        "Solved quantities",
        "Found from the year-1 risk and the six-week mortality of the reference mix, so that it reproduces "
        "them; the site's own mix then moves the result.",
    )
    held: list[str] = []
    sheet.row(FIRST_STEP_ROW - 2, ["Newton's method, a step a row: sum(share exp(-relative u)) = exp(-H)", "", ""], "section")
    sheet.text(FIRST_STEP_ROW - 1, 1, "Step", "header")
    for step in range(NEWTON_STEPS + 1):
        sheet.text(FIRST_STEP_ROW + step, 1, f"Step {step}")
    if book.case.parameters.text("hazard_decline") == "frailty":
        _held_rate(book, sheet)
        held += [*POOLED, "n_frailty_classes"]
    else:
        _solve_rate(book, sheet)
        book.cells["susceptibility",] = [1.0]
    _fatality(book, sheet)
    if book.layout.process:
        held += _held_course(book, sheet, FIRST_STEP_ROW + NEWTON_STEPS + 4)
    book.cells["held",] = list(dict.fromkeys(held))
    sheet.widths(58, 16, 16, 16, 16)
    sheet.frame("B4", book.footer)


def _line(sheet: Sheet, row: int, label: str, formulas: Any) -> list[Any]:
    sheet.text(row, 1, label)
    return [sheet.formula(row, column, formula, "factor") for column, formula in enumerate(formulas, start=2)]


def _largest(cells: list[Any]) -> Formula:
    return call("MAX", max(abs(cell.value) for cell in cells), *(abs(cell) for cell in cells))


def _solve_rate(book: Book, sheet: Sheet) -> None:
    """Cumulative hazard of the reference mix in year 1, the exposure of the reference cell that reproduces it, later years."""
    shares, relative = book.at("reference_mix", "shares"), book.at("reference_mix", "relative")
    risk, second, third = (book.v[name] for name in POOLED[:3])
    sheet.row(4, ["Untreated first gastric bleed", ""], "headings")
    (hazard,) = _line(sheet, 5, "Cumulative hazard of the reference mix in year 1", [-np.log1p(-risk)])
    u = _newton(sheet, EXPOSURE, "Exposure u", lambda u: newton_step(u, hazard, relative, shares))
    (rate,) = _line(sheet, 6, "Rate a year of the reference cell (Child A, above 10 mm, no red spot) in year 1", [u])
    missed = np.exp(-hazard) - (shares * np.exp(-relative * rate)).sum()
    label = "Risk of the reference mix at that rate, less its year-1 risk (must be 0)"
    book.cells["solved", "residual"] = _largest(_line(sheet, 7, label, [missed]))
    constant = book.input("hazard_decline") == "constant"
    later = [choose(constant, lambda: 1.0, lambda x=x: x) for x in (second, np.minimum(second, third))]  # type: ignore[misc]
    book.cells["solved", "rate"] = rate
    book.cells["solved", "time"] = _line(sheet, 8, "Rate relative to year 1: years 2-3, and from year 4", later)


def _newton(sheet: Sheet, column: int, label: str, step: Callable[[Any], Any]) -> Formula:
    """Lay Newton's method out from 0, one row a step, and give the last."""
    sheet.text(FIRST_STEP_ROW - 1, column, label, "header_right")
    at = sheet.number(FIRST_STEP_ROW, column, 0, "factor")
    for row in range(FIRST_STEP_ROW + 1, FIRST_STEP_ROW + 1 + NEWTON_STEPS):
        at = sheet.formula(row, column, at + step(at), "factor")
    return at


def _held_rate(book: Book, sheet: Sheet) -> None:
    """Rate and susceptibility classes as the program solved them."""
    inputs = book.evaluation.inputs
    sheet.row(4, ["Untreated first gastric bleed, solved by the program", ""], "headings")
    sheet.text(5, 1, "Rate a year of the reference cell (Child A, above 10 mm, no red spot)")
    book.cells["solved", "rate"] = sheet.number(5, 2, float(inputs.r_first_bleed[0]), "factor")
    book.cells["solved", "time"], book.cells["solved", "residual"] = [1.0, 1.0], Formula("0", 0.0)
    classes = inputs.relative[0, inputs.group_of_cell == 0]
    sheet.text(6, 1, "Bleeding rate of each susceptibility class, equally frequent, relative to its group")
    book.cells["susceptibility",] = [
        sheet.number(6, column, float(x), "factor") for column, x in enumerate(classes / classes.mean(), start=2)
    ]


def _held_course(book: Book, sheet: Sheet, row: int) -> list[str]:
    """Bleeding rates of a closed and of an open varix as the program solved them; give the inputs they rest on."""
    course, hr_patent = book.evaluation.inputs.course, book.v["hr_patent"]
    assert course is not None
    title = "Rate of a gastric bleed relative to none, solved by the program: held numbers"
    sheet.row(row, [title, "Varix closed, or on the drug", "Varix open"], "headings")
    names = [*POOLED, "hr_patent", "n_trial_months"]
    for at, plan in enumerate(book.plans, start=row + 1):
        s = book.evaluation.index(plan.key)
        sheet.text(at, 1, plan.row.label)
        ratios: tuple[Any, Any] = 1.0, 1.0
        if plan.row.starts_in != "at_risk":
            closed = sheet.number(at, 2, float(course.hr_obliterated[0, s]), "factor")
            opened: Any = float(course.hr_patent[0, s]) if course.lowered[0, s] else np.maximum(closed, hr_patent)
            ratios = closed, (sheet.formula if isinstance(opened, Formula) else sheet.number)(at, 3, opened, "factor")
        book.cells["held", plan.key, "hr_closed"], book.cells["held", plan.key, "hr_open"] = ratios
        names += plan.row.hr_gastric
    for line, words in enumerate(HELD_WORDS, start=row + 1 + len(book.plans)):
        sheet.text(line, 1, words, "note")
    return names


def _fatality(book: Book, sheet: Sheet) -> None:
    """Six-week mortality by class moved to its pooled figure, and the chance of death in a bleed and in a rebleed."""
    sheet.row(11, ["Death within six weeks of a bleed", *(f"Child-Pugh {c}" for c in CHILD)], "headings")
    stated = _line(sheet, 12, "Six-week mortality as stated", [book.v[f"p_death_six_weeks_child_{c.lower()}"] for c in CHILD])
    steps, shares, relative = (book.at("reference_mix", item) for item in ("steps", "shares", "relative"))
    bleeds = (shares * relative).sum()
    by_class = [((steps == float(step)) * shares * relative).sum() / bleeds for step in range(len(CHILD))]
    share = _line(sheet, 13, "Share of the bleeds of the reference mix (share x relative bleeding rate)", by_class)
    scaled, missed = _scaled(book, sheet, stated, share)
    e, odds = book.v["p_early_rebleed"], book.v["or_death_rebleed"]
    first = _line(sheet, 17, "Death in the first month of a bleed: f", [first_month_fatality(big, e, odds) for big in scaled])
    again = _line(
        sheet, 18, "Death in a month of rebleeding: f', the odds of f times the odds ratio", [times_odds(f, odds) for f in first]
    )
    back = [f + (1 - f) * e * (g / (1 - (1 - g) * e)) for f, g in zip(first, again, strict=True)]
    back = _line(sheet, 19, "Check: f + (1-f) e D, with D = f' / (1 - (1 - f') e), gives F again", back)
    residual = _line(sheet, 20, "Difference (must be 0)", [x - y for x, y in zip(back, scaled, strict=True)])
    for c, f, g in zip(CHILD, first, again, strict=True):
        book.cells["fatality", c], book.cells["fatality_again", c] = f, g
    book.cells["fatality", "residual"] = _largest([*residual, missed])
    book.cells["fatality", "highest"] = call("MAX", max(x.value for x in (*scaled, *again)), *scaled, *again)


def _scaled(book: Book, sheet: Sheet, stated: list[Any], share: list[Any]) -> tuple[list[Any], Any]:
    """Six-week mortality by class under the setting, and by how much its mean misses the pooled figure."""
    p, shares = (_across(row, cells) for row, cells in ((12, stated), (13, share)))
    pooled, scaling = book.v["p_death_six_weeks"], book.input("fatality_scaling") == "pooled"
    shift = _newton(sheet, SHIFT, "Shift of logits", lambda shift: shift_step(shift, p, shares, pooled))
    (odds,) = _line(sheet, 14, "Factor on all odds that brings their mean over these bleeds to the pooled figure", [np.exp(shift)])
    moved = [choose(scaling, lambda x=x: times_odds(x, odds), lambda x=x: x) for x in stated]  # type: ignore[misc]
    scaled = _line(sheet, 15, "Six-week mortality: F, moved so, or as stated", moved)
    mean = (shares * _across(15, scaled)).sum()
    (missed,) = _line(
        sheet, 16, "Its mean, less the pooled figure (0 unless as stated)", [choose(scaling, lambda: mean - pooled, lambda: 0.0)]
    )
    return scaled, missed


def _across(row: int, cells: list[Any]) -> Any:
    return Formula(span(row, row, 2, SOLVED, 1 + len(cells)), np.array([cell.value for cell in cells]))


def late_rebleeding(book: Book, source: Literal["hr_late_rebleed", "hr_late_rebleed_other"] = "hr_late_rebleed") -> Any:
    """Ratio of late rebleeding from a source under the secondary prophylaxis chosen."""
    chosen, ratio = book.input("secondary_prophylaxis"), 0.0
    for key, row in book.case.parameters.secondary.items():
        ratio = ratio + choose(chosen == key, partial(product, book.v, getattr(row, source)), lambda: 0.0)
    return ratio
