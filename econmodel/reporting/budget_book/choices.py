"""Options and Downside sheets: the engine's values of every option and of everything that may go worse, and what a choice sets."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from econmodel.programme.options import STANDING, OptionRow
from econmodel.reporting.budget_book.activity import MIX, TODAY
from econmodel.reporting.budget_book.book import FIRST_CHOICE, BudgetBook
from econmodel.reporting.workbook.formula import Formula
from econmodel.reporting.workbook.writer import Sheet, letters, span

OPTIONS, DOWNSIDE = "Options", "Downside"
VIEWS = ("As contracted", "Every payment per episode", "Block budget")
ENGINE: dict[str, tuple[Callable[[OptionRow], float | None], str]] = {
    "Cash NPV": (lambda o: o.npv_cash, "money"),
    "Cash NPV, per episode": (lambda o: o.npv_by_view["per_episode"], "money"),
    "Cash NPV, block": (lambda o: o.npv_by_view["block"], "money"),
    "NPV with capacity": (lambda o: o.npv_with_capacity, "money"),
    "Peak cash": (lambda o: o.peak_cash, "money"),
    "Chance of a cash loss": (lambda o: o.probability_cash_loss, "share"),
    "of it, inputs alone": (lambda o: o.p_cash_loss.get("parameters"), "share"),
    "of it, luck alone": (lambda o: o.p_cash_loss.get("luck"), "share"),
    "Bleeds averted": (lambda o: o.bleeds_averted, "two"),
    "Deaths from bleeding averted": (lambda o: o.bleed_deaths_averted, "two"),
    "Procedure deaths": (lambda o: o.procedure_deaths, "two"),
    "Embolisms": (lambda o: o.embolisms, "two"),
    "Bleeds caused": (lambda o: o.harms["ulcer_bleed"], "two"),
    "Cash per bleed averted": (lambda o: o.cash_per_bleed, "money"),
    "Cash per further bleed": (lambda o: o.cash_per_further_bleed, "money"),
    "Cash per death averted": (lambda o: o.cash_per_death, "money"),
    "Recurrent cash, last year": (lambda o: o.recurrent_cash, "money"),
    "QALYs gained": (lambda o: o.qalys, "two"),
    "Full cost per QALY": (lambda o: o.cost_per_qaly, "money"),
}
FIRST_SHARE = 3 + len(ENGINE) + 1
WORSE = ("NPV in cash", "Change", "NPV with capacity", "Peak cash", "Live here", "Mixes held")
FIRST_EFFECT = 3 + len(WORSE) + 1


def place_choices(book: BudgetBook) -> None:
    """Say where the switches find what they choose from, and each input what a row of the downside table sets it to."""
    plan = book.plan
    n, last = len(plan.worse), FIRST_CHOICE + sum(worse.live for worse in plan.worse) - 1
    book.choices["option"] = span(FIRST_CHOICE, FIRST_CHOICE + len(book.options) - 1, 1, OPTIONS)
    book.choices["downside"] = span(FIRST_CHOICE, last, 1, DOWNSIDE)
    lists = FIRST_SHARE + len(plan.strategies) + 1
    book.choices["view"] = span(FIRST_CHOICE, FIRST_CHOICE + 2, lists, OPTIONS)
    book.choices["column"] = span(FIRST_CHOICE, FIRST_CHOICE + 1, lists + 1, OPTIONS)
    names = dict.fromkeys(name for worse in plan.worse for name in worse.sets)
    names |= dict.fromkeys(f"series_{d.key}" for d in plan.drivers if d.alternatives)
    names |= dict.fromkeys(f"rates_{a.key}" for a in plan.activities if a.alternatives)
    for column, name in enumerate(names, start=FIRST_EFFECT):
        book.effects[name] = span(FIRST_CHOICE, FIRST_CHOICE + n - 1, column, DOWNSIDE)


def build_options(book: BudgetBook) -> None:
    """Write every option as the engine has it, its shares, and the shares chosen beside today's."""
    sheet, plan = book.sheets[OPTIONS], book.plan
    sheet.heading(
        "Options", "Values from the program when the file was made. The option chosen on Decision is worked out live on Budget."
    )
    labels = [book.case.parameters.strategies[key].label for key in plan.strategies]
    sheet.row(FIRST_CHOICE - 1, ["Option", "In cash", *ENGINE, "", *(f"Share: {label}" for label in labels)], "headings")
    for row, option in enumerate(book.options, start=FIRST_CHOICE):
        _write_option(sheet, row, option, plan.strategies)
    for offset, choices in enumerate((VIEWS, ("Cash", "With capacity valued"))):
        for row, choice in enumerate(choices, start=FIRST_CHOICE):
            sheet.text(row, FIRST_SHARE + len(plan.strategies) + 1 + offset, choice, "small")
    _chosen_mix(book, sheet, FIRST_CHOICE + len(book.options) + 1)
    sheet.widths(50, 26, *[12] * len(ENGINE), 3, *[12] * len(plan.strategies), 26, 20)
    sheet.frame(f"B{FIRST_CHOICE}", book.footer, header_rows="6:6")
    sheet.page.print_area = f"A1:{letters(2 + len(ENGINE))}{FIRST_CHOICE + len(book.options)}"


def _write_option(sheet: Sheet, row: int, option: OptionRow, strategies: tuple[str, ...]) -> None:
    sheet.text(row, 1, option.label, "bold")
    sheet.text(row, 2, STANDING[option.standing], "small")
    for column, (of, style) in enumerate(ENGINE.values(), start=3):
        value = of(option)
        if value is not None:
            sheet.number(row, column, float(value), f"plain|{style}")
    for column, key in enumerate(strategies, start=FIRST_SHARE):
        sheet.number(row, column, float(option.mix.get(key, 0.0)), "plain|share")


def _chosen_mix(book: BudgetBook, sheet: Sheet, row: int) -> None:
    """Shares chosen, today's, and what treats by sessions; whether the option changes care, and builds a service."""
    plan, inputs = book.plan, book.plan.inputs
    mixes = {MIX: inputs.proposed_mix, TODAY: inputs.current_mix}
    first, last = FIRST_SHARE, FIRST_SHARE + len(plan.strategies) - 1
    only = f"INDEX({span(FIRST_CHOICE, FIRST_CHOICE + len(plan.worse) - 1, FIRST_EFFECT - 1, DOWNSIDE)},{book.at('downside').text})"
    for offset, (name, label) in enumerate({MIX: "Chosen option", TODAY: "Today"}.items()):
        sheet.text(row + offset, first - 2, label, "bold")
        shares = np.array([mixes[name].get(key, 0.0) for key in plan.strategies])
        for position, key in enumerate(plan.strategies):
            share = f"INDEX({span(FIRST_CHOICE, FIRST_CHOICE + len(book.options) - 1, first + position)},{book.at('option').text})"
            if position >= plan.n_mixed:
                share = f"IF(AND({share}>0,{only}=1),NA(),{share})"
            text = share if name == MIX else book.v[f"today_{key}"].text
            sheet.formula(row + offset, first + position, Formula(text, float(shares[position])), "strong|share")
        book.cells[name, "cells"] = (row + offset, first, shares)
    treats = [float(bool(book.case.parameters.strategies[key].session)) for key in plan.strategies]
    sheet.text(row + 2, first - 2, "Treats by sessions", "small")
    for position, value in enumerate(treats):
        sheet.number(row + 2, first + position, value, "plain|whole")
    new, old, by = (span(row + k, row + k, first, OPTIONS, last) for k in range(3))
    sums = [float(np.dot(book.at(name, "cells")[2], treats)) for name in (MIX, TODAY)]
    lines = (
        (
            "builds",
            "Builds a service: more are treated by sessions",
            f"IF(SUMPRODUCT({new},{by})>SUMPRODUCT({old},{by}),1,0)",
            sums[0] > sums[1],
        ),
        (
            "changes",
            "Changes care",
            f"IF(SUMPRODUCT(ABS({new}-{old}))>0,1,0)",
            bool(np.abs(book.at(MIX, "cells")[2] - book.at(TODAY, "cells")[2]).sum()),
        ),
    )
    for offset, (key, label, text, value) in enumerate(lines, start=3):
        sheet.text(row + offset, 1, label, "small")
        book.cells[key,] = sheet.formula(row + offset, 3, Formula(text, float(value)), "plain|whole")
    delay = (book.v["n_start_delay_months"] + book.v["further_delay"]) * book.at("builds")
    sheet.text(row + 5, 1, "Delay of the start, months", "small")
    book.cells["delay",] = sheet.formula(row + 5, 3, delay, "plain|whole")


def build_downside(book: BudgetBook) -> None:
    """Write what may go worse as the engine has it, and right of it the inputs that each row sets."""
    sheet, plan = book.sheets[DOWNSIDE], book.plan
    sheet.heading(
        "Downside",
        "Values from the program for the proposal. A row chosen on Decision sets the inputs right of it and is worked out live.",
    )
    sheet.row(FIRST_CHOICE - 1, ["What goes worse", "Key", *WORSE, "", *book.effects], "headings")
    rows = {row.key: row for row in plan.programme.downside}
    for at, worse in enumerate(plan.worse, start=FIRST_CHOICE):
        budget = plan.programme.worse[worse.key][1] if worse.key in plan.programme.worse else plan.budget
        found = rows.get(worse.key)
        sheet.text(at, 1, worse.label)
        sheet.text(at, 2, worse.key, "small")
        values = (
            float(budget.npv_cash[0]),
            found.npv_cash_change if found else 0.0,
            float(budget.npv_with_capacity[0]),
            float(budget.peak_cash[0]),
        )
        for column, value in enumerate(values, start=3):
            sheet.number(at, column, value, "plain|money")
        sheet.text(at, 7, "yes" if worse.live else "value only", "small")
        _write_effects(book, sheet, at, worse.key)
    sheet.widths(60, 22, 13, 13, 13, 13, 10, 8, *[12] * (len(book.effects) + 1))
    sheet.frame(f"B{FIRST_CHOICE}", book.footer, header_rows="6:6")
    sheet.page.print_area = f"A1:{letters(2 + len(WORSE))}{FIRST_CHOICE + len(plan.worse)}"


def _write_effects(book: BudgetBook, sheet: Sheet, row: int, key: str) -> None:
    plan = book.plan
    worse = next(w for w in plan.worse if w.key == key)
    alternatives = {f"series_{d.key}": d.alternatives for d in plan.drivers} | {
        f"rates_{a.key}": a.alternatives for a in plan.activities
    }
    held = any(key in found for found in alternatives.values())
    sheet.number(row, FIRST_EFFECT - 1, float(held), "plain|whole")
    for column, name in enumerate(book.effects, start=FIRST_EFFECT):
        if name in alternatives:
            keys = list(alternatives[name])
            sheet.number(row, column, 2.0 + keys.index(key) if key in keys else 1.0, "plain|whole")
        elif name in worse.sets:
            value = worse.sets[name]
            if isinstance(value, str):
                sheet.text(row, column, value, "small")
            else:
                sheet.number(row, column, value, "plain")


def engine_values(book: BudgetBook) -> tuple[str, str]:
    """Formulas of the engine's net present value in cash of what is chosen, and of whether it has one."""
    plan = book.plan
    last, option, view, downside = (
        FIRST_CHOICE + len(book.options) - 1,
        *(book.at(name).text for name in ("option", "view", "downside")),
    )
    table = span(FIRST_CHOICE, last, 3, OPTIONS, 5)
    worse = span(FIRST_CHOICE, FIRST_CHOICE + len(plan.worse) - 1, 3, DOWNSIDE)
    proposal = [one.key for one in book.options].index("proposal") + 1
    value = f"IF({downside}=1,INDEX({table},{option},{view}),INDEX({worse},{downside}))"
    return value, f"OR({downside}=1,AND({option}={proposal},{view}=1))"
