"""Funnel sheet: patients a year, then who starts and who waits in each month."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from econmodel.programme.intake import FUNNEL_LABELS, FunnelStep, funnel_steps, monthly_risk, ramp_by_month, running, slots_per_start
from econmodel.programme.places import PLACES
from econmodel.reporting.budget_book.activity import MIX, TODAY, first_year
from econmodel.reporting.budget_book.book import START_ROW, BudgetBook, times
from econmodel.reporting.workbook.formula import BEFORE, ROW, Formula
from econmodel.reporting.workbook.writer import Sheet, letters

FUNNEL = "Funnel"
LEAVES = ("first_bleeds", "deaths_other", "transplants")
SIDE = 14
SITES_ROW = 24
NO_LIMIT = 1e99
FloatArray = NDArray[np.float64]


def build_funnel(book: BudgetBook) -> None:
    """Write the funnel and the months of the intake; the last columns are what waits and what no slot is needed for."""
    sheet = book.sheets[FUNNEL]
    sheet.heading(
        "Funnel: from patients endoscoped to who starts",
        "Starts are those ready, as far as slots allow; who waits is lost to starts at today's rates.",
    )
    _steps(book, sheet)
    _rates(book, sheet)
    _calendar(book, sheet)
    _intake(book, sheet)
    sheet.widths(8, 8, *[11] * 10, 3, 44, *[14] * 8)
    sheet.frame("A7", book.footer, header_rows="6:6")


def _steps(book: BudgetBook, sheet: Sheet) -> None:
    """Patients a year after each step, right of the months."""
    v, left = book.v, None
    steps: tuple[FunnelStep, ...] = funnel_steps(book.plan.inputs)
    sheet.row(START_ROW - 1, ["Patients a year, year 1", ""], "header", first=SIDE)
    for row, (name, step) in enumerate(zip(FUNNEL_LABELS, steps, strict=True), start=START_ROW):
        sheet.text(row, SIDE, step.step)
        cell = (
            v[name]
            if left is None
            else left + v[name]
            if name == "n_referred_in"
            else left - v[name]
            if name == "n_treated_elsewhere"
            else left * v[name]
        )
        left = sheet.formula(row, SIDE + 1, cell, "plain|two")
    assert left is not None
    row = START_ROW + len(steps)
    sheet.text(row, SIDE, "eligible and accepting, as scaled", "bold")
    book.cells["eligible",] = sheet.formula(row, SIDE + 1, left * v["ratio_volume"], "strong|two")


def _rates(book: BudgetBook, sheet: Sheet) -> None:
    """Sessions a start needs, chance of leaving the queue, and whether the option builds a service."""
    plan, row = book.plan, START_ROW + 9
    profiles, inputs = plan.profiles, plan.inputs
    total = "+".join(f"SUM({first_year(book, TODAY, key).text})" for key in LEAVES)
    leave = float(monthly_risk(profiles, inputs.current_mix, ("first_bleeds", "deaths_other", "transplant"))[0])
    sheet.row(row, ["Rates", ""], "header", first=SIDE)
    lines = [("leave", "Chance a month of leaving the queue", Formula(f"1-(1-MIN(1,{total}))^(1/12)", leave), "plain|rate")]
    for key, place in PLACES.items():
        if place.most:
            needs = times(first_year(book, MIX), book.at("unit", f"at_{key}"))
            sessions = Formula(f"SUMPRODUCT({needs.text})", float(slots_per_start(profiles, inputs.proposed_mix, place)[0]))
            lines.append((key, f"Slots of {place.label.lower()} in the first year of a start", sessions, "plain|number"))
    for offset, (key, label, formula, style) in enumerate(lines, start=1):
        sheet.text(row + offset, SIDE, label)
        book.cells["rate", key] = sheet.formula(row + offset, SIDE + 1, formula, style)


def _calendar(book: BudgetBook, sheet: Sheet) -> None:
    """Month, year, and what runs in it."""
    v, inputs, rows = book.v, book.plan.inputs, book.rows
    month = np.arange(1.0, book.n_months + 1)
    sheet.text(START_ROW - 1, 1, "Month", "header_right")
    for row, m in zip(rows, month, strict=True):
        sheet.number(row, 1, int(m), "plain|whole")
    at = book.months["month"] = Formula(f"{FUNNEL}!$A{ROW}", month)
    book.put(sheet, 2, "year", "Year", Formula(f"INT(({at.text}-1)/12)+1", (month - 1) // 12 + 1), "whole")
    stop, first, length = v["n_stop_month"], v["n_absence_start_month"], v["n_absence_months"]
    runs = Formula(f"IF(OR({stop.text}=0,{at.text}<={stop.text}),1,0)", running(inputs).astype(float))
    book.put(sheet, 3, "running", "Runs", runs, "whole")
    gone = np.zeros(book.n_months)
    gone[inputs.absent] = 1.0
    ends = f"{first.text}+{length.text}"
    book.put(
        sheet,
        4,
        "away",
        "Operator away",
        Formula(f"IF(AND({first.text}>0,{at.text}>={first.text},{at.text}<{ends}),1,0)", gone),
        "whole",
    )
    back = np.zeros(book.n_months)
    back[inputs.absent.stop : inputs.absent.stop + inputs.n_absence_months] = 1.0
    back = back * bool(inputs.n_absence_start_month)
    made_up = f"IF(AND({first.text}>0,{at.text}>={ends},{at.text}<{ends}+{length.text}),1,0)"
    book.put(sheet, 5, "later", "Sessions made up", Formula(made_up, back), "whole")
    _opening(book, sheet)
    _demand(book, sheet)


def _opening(book: BudgetBook, sheet: Sheet) -> None:
    """Share of its slots that a place has open in a month."""
    v, at, inputs = book.v, book.months["month"], book.plan.inputs
    n = len(inputs.ramp)
    delay = book.at("delay")
    cells = f"{v['ramp_1'].text}:{v[f'ramp_{n}'].text}" if n > 1 else v["ramp_1"].text
    quarter = f"MIN({n},INT(({at.text}-1-{delay.text})/3)+1)"
    builds = book.at("builds")
    opened = f"IF({builds.text}=0,1,IF({at.text}<={delay.text},0,INDEX({cells},{quarter})))"
    ramp = Formula(f"IF(OR({book.months['running'].text}=0,{book.months['away'].text}=1),0,{opened})", ramp_by_month(inputs))
    book.put(sheet, 6, "ramp", "Share of slots", ramp, "share")


def _demand(book: BudgetBook, sheet: Sheet) -> None:
    """Patients who become ready in a month: the year's, and a part of the backlog."""
    v, inputs, at, year = book.v, book.plan.inputs, book.months["month"], book.months["year"]
    found = (
        book.at("eligible")
        * Formula(f"(1+{v['r_growth'].text})^({year.text}-1)", (1.0 + inputs.r_growth[0]) ** (year.value - 1), 4)
        / 12.0
    )
    released = f"3*{v['n_backlog_quarters'].text}"
    months = 3.0 * inputs.n_backlog_quarters
    backlog = Formula(
        f"IF({at.text}<={released},{v['ratio_volume'].text}*{v['n_backlog'].text}/({released}),0)",
        inputs.ratio_volume[0] * inputs.n_backlog[0] * (at.value <= months) / months,
    )
    book.put(sheet, 7, "demand", "Become ready", (found + backlog) * book.months["running"], "count")


def _intake(book: BudgetBook, sheet: Sheet) -> None:
    """Those ready, the most that slots allow, starts and who waits at the end, each row from the one before."""
    intake, rows, m = book.plan.budget.intake, book.rows, book.months
    demand, starts, waiting, lost = (a[0] for a in (intake.demand, intake.starts, intake.waiting, intake.lost_waiting))
    leave = book.at("rate", "leave")
    before = {BEFORE: [row - 1 for row in rows]}
    queue = np.concatenate([[0.0], waiting[:-1]])
    sheet.number(START_ROW, 11, 0.0, "count")
    for column, label in ((8, "Ready"), (9, "Most that can"), (10, "Start"), (11, "Wait at the end")):
        sheet.text(START_ROW - 1, column, label, "header_right")
    wait = letters(11)
    ready = Formula(f"${wait}{BEFORE}*(1-{leave.text})+{m['demand'].text}", queue - lost + demand)
    m["ready"] = sheet.column(rows, 8, ready, "count", before)
    limits = []
    for key, place in PLACES.items():
        if place.most:
            need = book.at("rate", key).text
            limits.append(f"IF({need}>0,{book.v[place.most].text}/12*{m['ramp'].text}/{need},1E+99)")
    most = Formula(f"IF({m['ramp'].text}=0,0,MIN({','.join(limits)}))", np.minimum(intake.capacity[0], NO_LIMIT))
    book.put(sheet, 9, "most", "Most that can", most, "count")
    changes = book.at("changes")
    start = Formula(f"MIN({m['ready'].text},{m['most'].text})*{changes.text}", starts)
    book.put(sheet, 10, "starts", "Start", start, "count")
    left = Formula(f"({m['ready'].text}-{m['starts'].text})*{m['running'].text}", waiting)
    book.put(sheet, 11, "waiting", "Wait at the end", left, "count")
    _sites(book, sheet)


def _sites(book: BudgetBook, sheet: Sheet) -> None:
    """Starts of each partner's patients, as all who are ready; then starts whose bleeds, and whose care today, are the hub's."""
    plan, m, rows = book.plan, book.months, book.rows
    inputs, column = plan.inputs, SIDE + 5
    leave, referred = book.at("rate", "leave"), sum(site.patients for site in inputs.sites)
    hub = {"bleeds": m["starts"].text, "care": m["starts"].text}
    values = {name: m["starts"].value.copy() for name in hub}
    for number, (site, starts) in enumerate(zip(inputs.sites, _starts_by_site(book), strict=True)):
        at = SITES_ROW + number
        sheet.text(at, SIDE, site.name)
        for offset, figure in enumerate((site.bleeds_at_home, site.current_care_at_home, site.transfer_payment), start=1):
            sheet.number(at, SIDE + offset, figure, "input")
        before = {BEFORE: [row - 1 for row in rows]}
        waits, mine = letters(column), letters(column + 1)
        grown = f"(1+{book.v['r_growth'].text})^({m['year'].text}-1)*{m['running'].text}"
        demand = f"{book.v['ratio_volume'].text}*{book.v['n_referred_in'].text}*{site.patients / referred!r}*{grown}/12"
        queue = f"(${waits}{BEFORE}-${mine}{BEFORE})*{m['running'].text.replace(ROW, BEFORE)}*(1-{leave.text})"
        ready = _ready_of(book, site.patients / referred, starts)
        sheet.row(START_ROW - 1, [f"{site.name}: ready", f"{site.name}: start"], "header_right", first=column)
        for empty in (column, column + 1):
            sheet.number(START_ROW, empty, 0.0, "count")
        sheet.number(START_ROW, 3, 1.0, "whole")
        sheet.column(rows, column, Formula(f"{queue}+{demand}", ready), "count", before)
        part = Formula(f"IF({m['ready'].text}>0,${waits}{ROW}*{m['starts'].text}/{m['ready'].text},0)", starts)
        m[f"site_{number}"] = sheet.column(rows, column + 1, part, "count")
        for name, offset in (("bleeds", 1), ("care", 2)):
            hub[name] += f"-${letters(SIDE + offset)}${at}*{m[f'site_{number}'].text}"
            values[name] -= (site.bleeds_at_home, site.current_care_at_home)[offset - 1] * starts
        column += 2
    for name, label in (("bleeds", "Start, bleeds at the hub"), ("care", "Start, cared for at the hub today")):
        book.put(sheet, column, f"hub_{name}", label, Formula(hub[name], values[name]), "count")
        column += 1
    if inputs.sites:
        titles = ["Partner", "Bleeds at home", "Care today at home", "Transfer a start"]
        sheet.row(SITES_ROW - 1, titles, "headings", first=SIDE)


def _ready_of(book: BudgetBook, part: float, starts: FloatArray) -> FloatArray:
    """Patients of a partner who are ready in each month: those found, and those who wait and have not left the queue."""
    inputs, m, ready, waiting = book.plan.inputs, book.months, np.zeros(len(starts)), 0.0
    found = float(inputs.ratio_volume[0] * inputs.n_referred_in[0]) * part / 12.0
    for month, runs in enumerate(m["running"].value):
        grown = found * (1.0 + float(inputs.r_growth[0])) ** (month // 12) * runs
        ready[month] = waiting * (1.0 - book.at("rate", "leave").value) + grown
        waiting = (ready[month] - starts[month]) * runs
    return ready


def _starts_by_site(book: BudgetBook) -> list[FloatArray]:
    budget = book.plan.budget
    return [part.share[0] * budget.intake.starts[0] for part in budget.activity.sites]
