"""Activity: series by strategy and how many of each activity a unit of them brings, then per start, then by calendar month."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from econmodel.parameters.catalogue import LABELS
from econmodel.programme.intake import mix_profile
from econmodel.reporting.budget_book.book import START_ROW, BudgetBook, added, block, times
from econmodel.reporting.budget_book.plan import SUMS
from econmodel.reporting.workbook.formula import Formula
from econmodel.reporting.workbook.writer import Sheet

PROFILES, RATES, ACTIVITY = "Profiles", "Rates", "Activity"
NAMES = LABELS | dict(zip(SUMS, ("Treatment sessions", "Examinations"), strict=True))
FloatArray = NDArray[np.float64]
MIX, TODAY = "mix", "today"


def build_profiles(book: BudgetBook) -> None:
    """Write the series as values: those of every strategy, then those that a row of the downside table changes."""
    plan, sheet = book.plan, book.sheets[PROFILES]
    sheet.heading(
        "Profiles: values from the model, per patient who starts, by month after the start",
        "Worked out by the program and held as values. Right of each, as it is under rows of the downside table.",
    )
    labels = {worse.key: worse.label for worse in plan.worse}
    column = 2
    sheet.text(START_ROW - 1, 1, "Month", "header")
    for month in range(1, plan.drivers[0].series.shape[1] + 1):
        sheet.number(START_ROW + month, 1, month, "plain|whole")
    for driver in plan.drivers:
        blocks = {"": driver.series} | driver.alternatives
        for key, series in blocks.items():
            sheet.text(4, column, NAMES[driver.key] + (f", {labels[key]}" if key else ""), "plain_text")
            for s, line in enumerate(series):
                sheet.text(START_ROW - 1, column + s, book.case.parameters.strategies[plan.strategies[s]].label, "header_right")
                for month, value in enumerate(line.tolist(), start=1):
                    sheet.number(START_ROW + month, column + s, float(f"{value:.12g}"), "factor")
            book.cells["series", driver.key, key] = (sheet, column, series)
            column += len(series)
    sheet.widths(8, *[11] * column)
    sheet.frame("B7", book.footer, header_rows="4:6")


def build_rates(book: BudgetBook) -> None:
    """Write how many of each activity a unit of its series brings, by strategy; right of them, under rows of the downside table."""
    plan, sheet = book.plan, book.sheets[RATES]
    sheet.heading(
        "Rates: how many of each activity come with one of its series",
        "Coils a session, complications a session, and so on; 1 where the activity is its own series.",
    )
    n = len(plan.strategies)
    strategies = [book.case.parameters.strategies[key].label for key in plan.strategies]
    sheet.row(START_ROW - 1, ["Activity", "One of these brings", *strategies], "headings")
    labels = {worse.key: worse.label for worse in plan.worse}
    for row, one in enumerate(plan.activities, start=START_ROW + 1):
        sheet.text(row, 1, NAMES[one.key])
        sheet.text(row, 2, NAMES[one.driver], "small")
        column = 3
        for key, rates in ({"": one.per_unit} | one.alternatives).items():
            if key:
                sheet.text(row, column, labels[key], "small")
                column += 1
            for s, rate in enumerate(rates.tolist()):
                sheet.number(row, column + s, rate, "input" if not key else "plain")
            book.cells["rates", one.key, key] = (sheet, row, column, rates)
            column += n if not key else len(rates)
    sheet.widths(34, 26, *[13] * n)
    sheet.frame("C7", book.footer)


def _chosen(book: BudgetBook, kind: str, key: str, held: dict[str, FloatArray], ranges: list[Formula]) -> Formula:
    """Choose among ranges by the row of the downside table that is chosen."""
    if not held:
        return ranges[0]
    effect = f"INDEX({book.effects[f'{kind}_{key}']},{book.at('downside').text})"
    return Formula(f"CHOOSE({effect},{','.join(r.text for r in ranges)})", ranges[0].value)


def _part(book: BudgetBook, position: int, mix: str, *, mixed: bool) -> Formula:
    """Per start of some of the strategies: their series by their rates and shares."""
    plan, one = book.plan, book.plan.activities[position]
    driver = next(d for d in plan.drivers if d.key == one.driver)
    n, total = plan.n_mixed, len(plan.strategies)
    which = slice(0, n) if mixed else slice(n, total)

    def series(key: str) -> Formula:
        sheet, column, values = book.at("series", driver.key, key)
        return block(sheet, START_ROW + 1, column + which.start, values[which].T)

    def rates(key: str) -> Formula:
        sheet, row, column, values = book.at("rates", one.key, key)
        return block(sheet, row, column + which.start, values[None, which])

    row, first, shares = book.at(mix, "cells")
    share = block(book.sheets["Options"], row, first + which.start, shares[None, which])
    if not mixed:
        return times(series(""), share, rates(""), turned=True)
    by_series = _chosen(book, "series", driver.key, driver.alternatives, [series(key) for key in ("", *driver.alternatives)])
    by_rate = _chosen(book, "rates", one.key, one.alternatives, [rates(key) for key in ("", *one.alternatives)])
    return times(by_series, share, by_rate, turned=True)


def build_per_start(book: BudgetBook) -> None:
    """Write activity per start of the option and of today's mix, one array formula each, right of the activity by month."""
    plan, sheet = book.plan, book.sheets[ACTIVITY]
    n, wide = len(plan.counted), len(plan.activities)
    sheet.heading(
        "Activity: change by calendar month, and per patient who starts", "Chosen option less today's care of the same patients."
    )
    sheet.text(START_ROW - 1, 1, "Month", "header")
    for month in range(1, plan.drivers[0].series.shape[1] + 1):
        sheet.number(START_ROW + month, 1, month, "plain|whole")
    for mix, first, title in ((MIX, n + 3, "Per start: the option"), (TODAY, n + wide + 4, "Per start: today's mix")):
        sheet.text(4, first, title, "plain_text")
        for position, one in enumerate(plan.activities):
            sheet.text(START_ROW - 1, first + position, NAMES[one.key], "header_right")
            parts = [_part(book, position, mix, mixed=True)]
            if plan.n_mixed < len(plan.strategies):
                parts.append(_part(book, position, mix, mixed=False))
            sheet.array(START_ROW + 1, first + position, added(parts))
        found = {MIX: plan.inputs.proposed_mix, TODAY: plan.inputs.current_mix}[mix]
        book.cells["per_start", mix] = (first, _per_start(book, found))
    sheet.widths(8, *[12] * (n + 2 * wide + 3))
    sheet.frame("B7", book.footer, header_rows="4:6")


def _per_start(book: BudgetBook, mix: dict[str, float]) -> FloatArray:
    """Activity per start of a mix as the engine has it, (month, activity)."""
    plan, months = book.plan, book.plan.drivers[0].series.shape[1]
    found = mix_profile(plan.profiles, mix, months=months)[0]
    shown = {driver.key: driver.series.any(axis=0) for driver in plan.drivers}
    last = {key: int(np.flatnonzero(seen)[-1]) + 1 if seen.any() else 0 for key, seen in shown.items()}
    for one in plan.activities:
        found[last[one.driver] :, plan.profiles.activities.index(one.key)] = 0.0
    return np.asarray(found[:, [plan.profiles.activities.index(one.key) for one in plan.activities]])


def first_year(book: BudgetBook, mix: str, key: str | None = None) -> Formula:
    """First twelve months per start: of one activity, or of all."""
    first, values = book.at("per_start", mix)
    names = [one.key for one in book.plan.activities]
    sheet = book.sheets[ACTIVITY]
    if key is None:
        return block(sheet, START_ROW + 1, first, values[:12, : len(book.plan.counted)])
    if key not in names:
        return Formula("0", np.zeros((12, 1)))
    return block(sheet, START_ROW + 1, first + names.index(key), values[:12, [names.index(key)]])


def build_activity(book: BudgetBook) -> None:
    """Write the change by calendar month: who started, by what each brings later; what an absence moves and what it loses."""
    plan, sheet, rows = book.plan, book.sheets[ACTIVITY], book.rows
    moved, seen, n = plan.n_moved, plan.n_seen, len(plan.counted)
    for position, one in enumerate(plan.counted):
        sheet.text(START_ROW - 1, 2 + position, NAMES[one.key], "header_right")
    month = Formula(f"$A${rows[0]}:$A${rows[-1]}", np.arange(1.0, book.n_months + 1))
    away, later = book.over("away"), book.over("later")
    lag = f"SUMIF({month.text},{month.text}-TRANSPOSE({month.text})+1"
    begun, cared, bleeding = (f"{lag},{book.over(name).text})" for name in ("starts", "hub_care", "hub_bleeds"))
    held = f"{lag}-{book.v['n_absence_months'].text},{book.over('starts').text})"
    change = plan.budget.activity.change[0]
    names = plan.budget.activity.activities
    change = change[:, [names.index(one.key) for one in plan.counted]]
    treated, care = plan.n_treatment, plan.n_care
    kinds = (
        (slice(0, moved), f"(1-{away.text})*{begun}+{later.text}*{held}", cared),
        (slice(moved, moved + seen), f"(1-{away.text})*{begun}", cared),
        (slice(moved + seen, treated), begun, cared),
        (slice(treated, care), bleeding, bleeding),
        (slice(care, n), begun, begun),
    )
    for which, proposed, today in kinds:
        if which.start == which.stop:
            continue
        new, old = (_within(book, sheet, mix, which) for mix in (MIX, TODAY))
        text = f"MMULT({proposed},{new})-MMULT({today},{old})"
        sheet.array(rows[0], 2 + which.start, Formula(text, change[:, which]))
    book.cells["activity",] = block(sheet, rows[0], 2, change)


def _within(book: BudgetBook, sheet: Sheet, mix: str, which: slice) -> str:
    first, values = book.at("per_start", mix)
    return block(sheet, START_ROW + 1, first + which.start, values[: book.n_months, which]).text
