"""Patients sheet, the case mix and the evidence mix; Solved sheet, what follows from the evidence's pooled figures.

The untreated rate and the fatality are the arithmetic of ``model.natural_history`` run on cells: Newton's method is
laid out one row a step, from 0; it approaches the root from below and has converged long before the last row. What
only the program can solve (susceptibility classes, the effect of a complete course) stands as plain numbers, and a
check fails when an input they rest on is changed.
"""

from __future__ import annotations

from functools import partial
from typing import Any

import numpy as np

from econmodel.arrays import choose
from econmodel.model.disease import calibrate_complete
from econmodel.model.inputs import CHILD, product
from econmodel.model.natural_history import TARGET_YEARS, first_month_fatality, newton_step, pooled_hazards, relative_hazard
from econmodel.reporting.workbook.book import Book
from econmodel.reporting.workbook.formula import Formula, call
from econmodel.reporting.workbook.writer import Sheet, address, span

PATIENTS, SOLVED = "Patients", "Solved"
HEADERS = ("Group", "Share", "Child-Pugh", "Size step", "Red spot", "Class step", "Relative bleeding rate")
GROUP_HEADERS = ("Transplant a year", "Excess death a year", "Death, first bleed")
SHARE, CHILD_CLASS, SIZE, RED, STEP, RELATIVE, TRANSPLANT, EXCESS, FATAL = range(2, 11)
FIRST = 6
NEWTON_STEPS, FIRST_STEP_ROW = 30, 22
POOLED = ("p_first_bleed_year_1", "hr_first_bleed_years_2_3", "hr_first_bleed_from_year_4", "b_child", "b_size", "b_red")


def build_patients(book: Book) -> None:
    """Write both mixes; the columns that need solved figures are filled by :func:`finish_patients`."""
    sheet = book.add_sheet(PATIENTS, tab="E0B400")
    sheet.heading("Patients", "Patient groups: shares must sum to 1. Size step 0 is below 5 mm, 1 is 5-10 mm, 2 above 10 mm.")
    for name, first in mixes(book):
        _mix(book, sheet, first, name)
    sheet.widths(30, 10, 10, 10, 10, 10, 12, 12, 12, 12)
    sheet.frame("B6", book.footer)


def mixes(book: Book) -> list[tuple[str, int]]:
    """Both mixes and the first row of each."""
    return [("case_mix", FIRST), ("evidence_mix", FIRST + len(book.layout.groups) + 5)]


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
        "fatality": [book.at("fatality", c) for c in CHILD],
    }
    for g, (share, step, relative) in enumerate(book.at("case_mix", "rows")):
        book.cells["group", str(g), "share"], book.cells["group", str(g), "relative"] = share, relative
        for column, (item, cells) in zip((TRANSPLANT, EXCESS, FATAL), by_class.items(), strict=True):
            chosen = call("CHOOSE", cells[int(step.value)].value, step + 1, *cells)
            book.cells["group", str(g), item] = sheet.formula(FIRST + g, column, chosen, "factor")


def build_solved(book: Book) -> None:
    """Write the solved figures and how each comes about."""
    sheet = book.add_sheet(SOLVED)
    sheet.heading(
        "Solved quantities",
        "Found from the pooled figures of the evidence, so that the evidence mix reproduces "
        "them; the site's own mix then moves the result.",
    )
    held: list[str] = []
    if book.case.parameters.text("hazard_decline") == "frailty":
        _held_rate(book, sheet)
        held += [*POOLED, "n_frailty_classes"]
    else:
        _solve_rate(book, sheet)
        book.cells["susceptibility",] = [1.0]
    _fatality(book, sheet)
    if book.layout.per_protocol:
        held += _held_effects(book, sheet, FIRST_STEP_ROW + NEWTON_STEPS + 4)
    book.cells["held",] = list(dict.fromkeys(held))
    sheet.widths(58, 16, 16, 16, 16)
    sheet.frame("B4", book.footer)


def _line(sheet: Sheet, row: int, label: str, formulas: Any) -> list[Any]:
    sheet.text(row, 1, label)
    return [sheet.formula(row, column, formula, "factor") for column, formula in enumerate(formulas, start=2)]


def _largest(cells: list[Any]) -> Formula:
    return call("MAX", max(abs(cell.value) for cell in cells), *(abs(cell) for cell in cells))


def _solve_rate(book: Book, sheet: Sheet) -> None:
    """Cumulative hazard of the evidence mix, the exposure of the reference cell that reproduces it, and its rates."""
    shares, relative = book.at("evidence_mix", "shares"), book.at("evidence_mix", "relative")
    sheet.row(4, ["Untreated first gastric bleed", *(f"At {y:g} years" for y in TARGET_YEARS)], "headings")
    hazard = _line(sheet, 5, "Cumulative hazard of the evidence mix", pooled_hazards(*(book.v[name] for name in POOLED[:3])))
    u = _newton(sheet, hazard, shares, relative)
    u = _line(sheet, 6, "Exposure u of the reference cell, from the last Newton step below", u)
    missed = [np.exp(-h) - (shares * np.exp(-relative * x)).sum() for h, x in zip(hazard, u, strict=True)]
    label = "Risk of the evidence mix at that exposure, less the pooled risk (must be 0)"
    book.cells["solved", "residual"] = _largest(_line(sheet, 7, label, missed))
    (rate,) = _line(sheet, 8, "Rate a year of the reference cell (Child A, above 10 mm, no red spot) in year 1", [u[0]])
    constant = book.input("hazard_decline") == "constant"
    spans = np.diff(TARGET_YEARS)
    later = [choose(constant, lambda: 1.0, lambda i=i: (u[i + 1] - u[i]) / spans[i] / rate) for i in range(2)]  # type: ignore[misc]
    book.cells["solved", "rate"] = rate
    book.cells["solved", "time"] = _line(sheet, 9, "Rate relative to year 1: years 2-3, and from year 4", later)


def _newton(sheet: Sheet, hazard: list[Any], shares: Any, relative: Any) -> list[Any]:
    sheet.row(20, ["Newton's method: sum(share exp(-relative u)) = exp(-H)"] + [""] * 3, "section")
    sheet.row(21, ["Step", *(f"u at {y:g} years" for y in TARGET_YEARS)], "headings")
    u: list[Any] = [0.0] * len(hazard)
    for step in range(NEWTON_STEPS + 1):
        row = FIRST_STEP_ROW + step
        sheet.text(row, 1, f"Step {step}")
        if step == 0:
            u = [sheet.number(row, column, 0, "factor") for column in (2, 3, 4)]
            continue
        moved = [x + newton_step(x, h, relative, shares) for x, h in zip(u, hazard, strict=True)]
        u = [sheet.formula(row, column, formula, "factor") for column, formula in enumerate(moved, start=2)]
    return u


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


def _held_effects(book: Book, sheet: Sheet, row: int) -> list[str]:
    """Bleeding rate of a complete course as the program calibrated it; give the inputs it rests on."""
    sheet.row(row, ["Per protocol: bleeding rate of a complete course relative to none, calibrated by the program", ""], "headings")
    found, names = calibrate_complete(book.evaluation.inputs)[0], list(POOLED)
    for at, plan in enumerate(book.plans, start=row + 1):
        sheet.text(at, 1, plan.row.label)
        value = float(found[book.evaluation.index(plan.key)])
        book.cells["held", plan.key] = sheet.number(at, 2, value, "factor")
        s = plan.row
        names += [*s.hr_gastric, s.sessions_mean, s.p_obliteration, s.p_retreat_year_1, s.retreat_later]
        names += [s.effect_full_years, s.effect_none_years]
    return [name for name in (*names, "hr_incomplete_vs_complete", "r_protection_lost", "n_trial_months") if name]


def _fatality(book: Book, sheet: Sheet) -> None:
    sheet.row(11, ["Death within six weeks of a bleed", *(f"Child-Pugh {c}" for c in CHILD)], "headings")
    stated = _line(sheet, 12, "Six-week mortality as stated", [book.v[f"p_death_six_weeks_child_{c.lower()}"] for c in CHILD])
    steps, shares, relative = (book.at("evidence_mix", item) for item in ("steps", "shares", "relative"))
    terms = "+".join(f"({steps.text}={i})*{cell.text}" for i, cell in enumerate(stated))
    by_class = Formula(f"({terms})", np.array([stated[int(step)].value for step in steps.value]))
    mean = (shares * relative * by_class).sum() / (shares * relative).sum()
    (mean,) = _line(sheet, 13, "Mean over bleeds of the evidence mix (weights: share x relative bleeding rate)", [mean])
    pooled = book.input("fatality_scaling") == "pooled"
    factor = choose(pooled, lambda: book.v["p_death_six_weeks"] / mean, lambda: 1.0)
    (factor,) = _line(sheet, 14, "Factor that brings that mean to the pooled figure (1 when taken as stated)", [factor])
    scaled = _line(sheet, 15, "Six-week mortality, scaled: F", [cell * factor for cell in stated])
    e, rr = book.v["p_early_rebleed"], book.v["rr_death_rebleed"]
    label = "Death in the first month of a bleed: f = F(1-e) / ((1-e) + e rr (1-F))"
    f = _line(sheet, 16, label, [first_month_fatality(big, e, rr) for big in scaled])
    for c, cell in zip(CHILD, f, strict=True):
        book.cells["fatality", c] = cell
    back = [x + (1 - x) * e * (rr * x / (1 - (1 - rr * x) * e)) for x in f]
    again = _line(sheet, 17, "Check: f + (1-f) e D, with D = rr f / (1 - (1 - rr f) e), gives F again", back)
    residual = _line(sheet, 18, "Difference (must be 0)", [x - y for x, y in zip(again, scaled, strict=True)])
    book.cells["fatality", "residual"] = _largest(residual)
    worst = [max(cell.value for cell in scaled), *(rr.value * cell.value for cell in f)]
    book.cells["fatality", "highest"] = call("MAX", max(worst), *scaled, *(rr * cell for cell in f))


def late_rebleeding(book: Book) -> Any:
    """Rate of late rebleeding under the secondary prophylaxis chosen."""
    chosen, ratio = book.input("secondary_prophylaxis"), 0.0
    for key, row in book.case.parameters.secondary.items():
        ratio = ratio + choose(chosen == key, partial(product, book.v, row.hr_late_rebleed), lambda: 0.0)
    return book.v["r_late_rebleed"] * ratio
