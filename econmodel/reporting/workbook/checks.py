"""Checks sheet: rules the model refuses to break, and agreement with the engine as long as nothing is changed."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any

import numpy as np

from econmodel.arrays import choose
from econmodel.economics.results import result_document
from econmodel.reporting.workbook.book import Book, Plan
from econmodel.reporting.workbook.formula import Formula, call, quoted
from econmodel.reporting.workbook.outcomes import FIRST_STRATEGY
from econmodel.reporting.workbook.patients import CHILD_CLASS, PATIENTS, RED, SHARE, SIZE, mixes
from econmodel.reporting.workbook.writer import Sheet, address, letters, span
from econmodel.reporting.workbook.years import Cohort

NAME, ENGINE = "Checks", "Engine_values"
AGREEMENT = 1e-9
Check = tuple[str, Any, Callable[[Any], Any], str]


def build_engine_values(book: Book) -> None:
    """Write what the engine gave when the file was made, and the relative difference of every live figure."""
    sheet = book.add_sheet(ENGINE)
    sheet.heading(
        "Engine values",
        "Plain numbers from the program when this file was made; right, the relative difference of the "
        "live figure. Differences are expected once an input is changed.",
    )
    plans = book.plans
    document = result_document(book.case, book.evaluation)["strategies"]
    sheet.row(4, ["", "Key", *(p.row.label for p in plans), "", *(p.row.label for p in plans)], "headings")
    keys = list(dict.fromkeys(key[2] for key in book.cells if key[0] == "outcome"))
    difference, largest = FIRST_STRATEGY + len(plans) + 1, [0.0]
    words = {"horizon": str(book.evaluation.horizon), "headline": str(book.evaluation.headline)}
    for row, key in enumerate(keys, start=5):
        sheet.text(row, 2, key, "key")
        for p, plan in enumerate(plans):
            value = look_up(document[plan.key], key, words)
            if value is None or book.at("outcome", plan.key, key).value == "":
                continue
            live, place = book.at("outcome", plan.key, key), f"{letters(FIRST_STRATEGY + p)}{row}"
            sheet.number(row, FIRST_STRATEGY + p, value, "factor")
            gap = abs(live.value) if value == 0 else abs(live.value / value - 1)
            text = f"IF({place}=0,ABS({live.text}),ABS({live.text}/{place}-1))"
            largest.append(gap)
            sheet.formula(row, difference + p, Formula(text, gap))
    last = 4 + len(keys)
    block = span(5, last, difference, ENGINE, difference + len(plans) - 1)
    book.cells["engine", "largest"] = Formula(f"MAX({block})", max(largest))
    sheet.widths(2, 36, *[14] * len(plans), 2, *[14] * len(plans))
    sheet.frame("C5", book.footer)


def look_up(document: Mapping[str, Any], key: str, words: Mapping[str, str]) -> float | None:
    """Value of a dotted key in a result document; ``words`` stand for years."""
    value: Any = document
    for part in key.split("."):
        name = words.get(part, part) if part not in value else part
        if name not in value:
            return None
        value = value[name]
    return value  # type: ignore[no-any-return]


def build_checks(book: Book, cohorts: list[Cohort]) -> None:
    """Write each check with its figure, its rule and whether it holds."""
    sheet = book.add_sheet(NAME, tab="9B2226")
    sheet.heading("Checks", "A result is to be used only while every check holds.")
    sheet.row(5, ["Check", "Figure"], "headings")
    sheet.row(5, ["Must be", "Holds"], "header", first=3)
    row = 5
    failed = 0
    for label, figure, rule, must in _checks(book, cohorts):
        row += 1
        sheet.text(row, 1, label)
        cell = sheet.formula(row, 2, figure, "rate")
        sheet.text(row, 3, must, "small")
        holds = bool(np.isfinite(cell.value)) and bool(rule(Formula("", cell.value)).value)
        failed += not holds
        text = f'IF(ISNUMBER(B{row}),IF({rule(Formula(f"B{row}", cell.value)).text},"yes","NO"),"NO")'
        sheet.formula(row, 4, Formula(text, "yes" if holds else "NO"), "bold")
    sheet.text(3, 1, "Checks that fail", "bold")
    book.cells["checks", "failed"] = sheet.formula(3, 2, Formula(f'COUNTIF(D6:D{row},"NO")', float(failed)), "strong|whole")
    sheet.alert(f"D6:D{row}", 'D6="NO"')
    sheet.alert("B3", "$B$3>0")
    _changes(book, sheet, row + 3)
    sheet.widths(74, 18, 34, 10)
    sheet.frame("A6", book.footer)


def _checks(book: Book, cohorts: list[Cohort]) -> Iterator[Check]:
    """Label, figure, rule on a figure, and the rule in words."""
    yield "Inputs that cannot be: outside their limits or not on their list", book.at("inputs", "impossible"), lambda x: x == 0, "0"
    for kind, words in (("case_mix", "Patient group"), ("reference_mix", "Reference group")):
        yield f"{words} shares sum to 1", book.at(kind, "sum"), lambda x: abs(x - 1) < 1e-9, "1"
        shares = book.at(kind, "shares")
        yield f"{words} shares are not negative", call("MIN", shares.value.min(), shares), lambda x: x >= 0, "0 or more"
    if book.at("held"):
        changed = [f'({book.at("changed", name).text}<>"")' for name in book.at("held")]
        held = "+".join([*changed, *(_mix_changes(book, name, first) for name, first in mixes(book) if name == "reference_mix")])
        label = "Inputs changed that figures solved by the program rest on: the file must be made anew"
        yield label, Formula(held, 0.0), lambda x: x == 0, "0"
    yield "Untreated rate is solved: largest miss", book.at("solved", "residual"), lambda x: x < 1e-12, "0"
    yield "Fatality is solved: largest miss", book.at("fatality", "residual"), lambda x: x < 1e-12, "0"
    yield "Largest chance of death in a bleed", book.at("fatality", "highest"), lambda x: x <= 1, "1 or less"
    ward = book.v["n_stay_days"] - book.v["p_icu_bleed"] * book.v["n_icu_days"]
    yield "Ward days of a bleed: stay less intensive care", ward, lambda x: x >= 0, "0 or more"
    n_years = book.layout.n_years
    yield "Time horizon, years", book.at("horizon"), lambda x: x <= n_years, f"1 to {n_years}, to age 100"
    yield "Headline years", book.at("headline"), lambda x: x >= 0, "a whole number"
    for plan, cohort in zip(book.plans, cohorts, strict=True):
        yield from _strategy_checks(book, plan, cohort)


def _strategy_checks(book: Book, plan: Plan, cohort: Cohort) -> Iterator[Check]:
    label = plan.row.label

    def own(item: str) -> Any:
        return book.at("shown", plan.key, item)

    own_ratios = ("hr_closed", "hr_open") if book.layout.process else ("hr_gastric",)
    ratios = [own(item) for item in (*own_ratios, "hr_other")]
    yield f"{label}: smallest rate ratio", call("MIN", min(r.value for r in ratios), *ratios), lambda x: x > 0, "above 0"
    if not book.layout.process:
        fades = own("effect_none_years") - own("effect_full_years")
        yield f"{label}: years from full effect to none", fades, lambda x: x >= 0, "0 or more"
    if "in_course" in cohort.families:
        yield f"{label}: sessions in a course", own("sessions_mean"), lambda x: x >= 1, "1 or more"
    whole, start = cohort.everything()
    yield f"{label}: smallest share in the trace", whole, lambda x: x >= -1e-12, "0 or more"
    yield f"{label}: shares at the start sum to 1", start, lambda x: abs(x - 1) < 1e-9, "1"


def _changes(book: Book, sheet: Sheet, row: int) -> None:
    """Count changed cells; while there is none, compare with the engine."""
    sheet.row(row, ["Changes since the file was made", "Cells", "", ""], "headings")
    lines = [
        ("Inputs", book.at("inputs", "changed")),
        *((f"Patients: {name.replace('_', ' ')}", Formula(_mix_changes(book, name, first), 0.0)) for name, first in mixes(book)),
        *((f"Visits: {plan.row.label}", Formula(_schedule_changes(book, plan), 0.0)) for plan in book.plans),
    ]
    for offset, (label, formula) in enumerate(lines, start=1):
        sheet.text(row + offset, 1, label)
        sheet.formula(row + offset, 2, formula, "whole")
    last = row + len(lines)
    sheet.text(last + 1, 1, "All changes", "bold")
    changed = sheet.formula(last + 1, 2, Formula(f"SUM(B{row + 1}:B{last})", 0.0), "strong|whole")
    sheet.text(last + 3, 1, "Largest relative difference from the engine's values", "bold")
    largest = sheet.formula(last + 3, 2, book.at("engine", "largest"), "strong|small_number")
    agrees = choose(largest < AGREEMENT, lambda: "agrees with the engine", lambda: "DIFFERS")
    verdict = choose(changed > 0, lambda: "not to be compared: inputs changed", lambda: agrees)
    book.cells["changes",], book.cells["agreement",] = changed, sheet.formula(last + 3, 3, verdict, "bold")


def _mix_changes(book: Book, name: str, first: int) -> str:
    terms = []
    for row, group in enumerate(book.case.parameters.rows(name), start=first):
        terms.append(f"({address(row, CHILD_CLASS, PATIENTS)}<>{quoted(group['child'])})")
        terms += [
            f"({address(row, column, PATIENTS)}<>{group[key]!r})"
            for column, key in ((SHARE, "share"), (SIZE, "size_step"), (RED, "red_spot"))
        ]
    return "+".join(terms)


def _schedule_changes(book: Book, plan: Plan) -> str:
    months, (cells, interval, until) = plan.row.surveillance.months, book.at("visits", plan.key)
    counted = f"ABS(COUNT({cells})-{len(months)})"
    changed = f"({interval}<>{plan.row.surveillance.interval})+({until}<>{plan.row.surveillance.until_year})"
    return "+".join([changed, counted, *(f"(COUNTIF({cells},{month})=0)" for month in dict.fromkeys(months))])
