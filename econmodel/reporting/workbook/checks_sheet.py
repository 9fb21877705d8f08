"""Checks sheet: rules the model refuses to break, and agreement with the engine as long as nothing is changed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from econmodel.economics.results import result_document
from econmodel.reporting.workbook.book import Book
from econmodel.reporting.workbook.layout import StrategyPlan
from econmodel.reporting.workbook.outcomes_sheet import FIRST_STRATEGY
from econmodel.reporting.workbook.patients_sheet import CHILD, FIRST, RED, SHARE, SIZE
from econmodel.reporting.workbook.patients_sheet import NAME as PATIENTS
from econmodel.reporting.workbook.trace_sheet import trace_column
from econmodel.reporting.workbook.writer import Sheet, address, letters, quoted, span

NAME, ENGINE = "Checks", "Engine_values"
AGREEMENT = "1E-9"


def build_engine_values(book: Book) -> None:
    """Write what the engine gave when the file was made, and the relative difference of every live figure."""
    sheet = book.add_sheet(ENGINE)
    sheet.heading(
        "Engine values",
        "Plain numbers from the program when this file was made; right, the relative difference of the "
        "live figure. Differences are expected once an input is changed.",
    )
    plans = book.layout.strategies
    document = result_document(book.case, book.evaluation)["strategies"]
    sheet.row(4, ["", "Key", *(p.row.label for p in plans), "", *(p.row.label for p in plans)], "headings")
    keys = list(dict.fromkeys(key[2] for key in book.cells if key[0] == "outcome"))
    difference = FIRST_STRATEGY + len(plans) + 1
    for row, key in enumerate(keys, start=5):
        sheet.text(row, 2, key, "key")
        for p, plan in enumerate(plans):
            value = look_up(document[plan.key], key, str(book.evaluation.horizon))
            if value is None:
                continue
            live = book.at("outcome", plan.key, key)
            engine = f"{letters(FIRST_STRATEGY + p)}{row}"
            sheet.number(row, FIRST_STRATEGY + p, value, "factor")
            sheet.formula(row, difference + p, f"IF({engine}=0,ABS({live}),ABS({live}/{engine}-1))")
    last = 4 + len(keys)
    book.cells["engine", "largest"] = f"MAX({span(5, last, difference, ENGINE, difference + len(plans) - 1)})"
    sheet.widths(2, 36, *[14] * len(plans), 2, *[14] * len(plans))
    sheet.frame("C5", book.footer)


def look_up(document: Mapping[str, Any], key: str, horizon: str) -> float | None:
    """Value of a dotted key in a result document; ``horizon`` as a last part stands for its years."""
    value: Any = document
    for part in key.split("."):
        name = horizon if part == "horizon" and part not in value else part
        if name not in value:
            return None
        value = value[name]
    return value  # type: ignore[no-any-return]


def build_checks(book: Book) -> None:
    """Write each check with its figure, its rule and whether it holds."""
    sheet = book.add_sheet(NAME, tab="9B2226")
    sheet.heading("Checks", "A result is to be used only while every check holds.")
    sheet.row(5, ["Check", "Figure"], "headings")
    sheet.row(5, ["Must be", "Holds"], "header", first=3)
    row = 5
    for label, figure, rule, must in _checks(book):
        row += 1
        sheet.text(row, 1, label)
        sheet.formula(row, 2, figure, "rate")
        sheet.text(row, 3, must, "small")
        sheet.formula(row, 4, f'IF(ISNUMBER(B{row}),IF({rule.replace("#", f"B{row}")},"yes","NO"),"NO")', "bold")
    sheet.text(3, 1, "Checks that fail", "bold")
    sheet.formula(3, 2, f'COUNTIF(D6:D{row},"NO")', "strong|whole")
    book.known("checks", "failed", sheet=NAME, row=3, column=2)
    sheet.alert(f"D6:D{row}", 'D6="NO"')
    sheet.alert("B3", "$B$3>0")
    _changes(book, sheet, row + 3)
    sheet.widths(74, 18, 34, 10)
    sheet.frame("A6", book.footer)


def _checks(book: Book) -> Iterator[tuple[str, str, str, str]]:
    """Label, figure, rule on ``#``, and the rule in words."""
    yield ("Inputs that cannot be: outside their limits or not on their list", book.at("inputs", "impossible"), "#=0", "0")
    for kind, words in (("case", "Patient group"), ("evidence", "Evidence group")):
        yield f"{words} shares sum to 1", book.at(kind, "sum"), "ABS(#-1)<1E-9", "1"
        yield f"{words} shares are not negative", f"MIN({book.at(kind, 'shares')})", "#>=0", "0 or more"
    yield "Untreated rate is solved: largest miss", book.at("solved", "residual"), "#<1E-12", "0"
    yield "Fatality is solved: largest miss", book.at("fatality", "residual"), "#<1E-12", "0"
    yield "Largest chance of death in a bleed", book.at("fatality", "highest"), "#<=1", "1 or less"
    icu = f"{book.input('p_icu_bleed')}*{book.input('n_icu_days')}"
    yield "Ward days of a bleed: stay less intensive care", f"{book.input('n_stay_days')}-{icu}", "#>=0", "0 or more"
    yield ("Time horizon, years", book.at("horizon"), f"#<={book.layout.n_years}", f"1 to {book.layout.n_years}, to age 100")
    yield "Headline years", book.at("headline"), "#>=0", "a whole number"
    for plan in book.layout.strategies:
        yield from _strategy_checks(book, plan)


def _strategy_checks(book: Book, plan: StrategyPlan) -> Iterator[tuple[str, str, str, str]]:
    label = plan.row.label

    def own(item: str) -> str:
        return book.at("strategy", plan.key, item)

    yield f"{label}: smallest rate ratio", f"MIN({own('hr_gastric')},{own('hr_other')})", "#>0", "above 0"
    yield (f"{label}: years from full effect to none", f"{own('effect_none_years')}-{own('effect_full_years')}", "#>=0", "0 or more")
    if "in_course" in plan.states:
        yield f"{label}: sessions in a course", own("sessions_mean"), "#>=1", "1 or more"
    first, last = book.layout.month_rows[0], book.layout.month_rows[-1]
    columns = trace_column(plan, plan.states[0], -1), trace_column(plan, plan.states[-1], len(book.layout.groups) - 1)
    whole = span(first, last, columns[0], plan.trace_sheet, columns[1])
    yield f"{label}: smallest share in the trace", f"MIN({whole})", "#>=-1E-12", "0 or more"
    start = span(first, first, columns[0], plan.trace_sheet, trace_column(plan, plan.states[-1], -1))
    yield f"{label}: shares at the start sum to 1", f"SUM({start})", "ABS(#-1)<1E-9", "1"


def _changes(book: Book, sheet: Sheet, row: int) -> None:
    """Count changed cells; while there is none, compare with the engine."""
    sheet.row(row, ["Changes since the file was made", "Cells", "", ""], "headings")
    lines = [
        ("Inputs", book.at("inputs", "changed")),
        *((f"Patients: {name.replace('_', ' ')}", _mix_changes(book, name, first)) for name, first in _mixes(book)),
    ]
    lines += [(f"Visits: {plan.row.label}", _schedule_changes(book, plan)) for plan in book.layout.strategies]
    for offset, (label, formula) in enumerate(lines, start=1):
        sheet.text(row + offset, 1, label)
        sheet.formula(row + offset, 2, formula, "whole")
    last = row + len(lines)
    sheet.text(last + 1, 1, "All changes", "bold")
    sheet.formula(last + 1, 2, f"SUM(B{row + 1}:B{last})", "strong|whole")
    book.known("changes", sheet=NAME, row=last + 1, column=2)
    sheet.text(last + 3, 1, "Largest relative difference from the engine's values", "bold")
    sheet.formula(last + 3, 2, book.at("engine", "largest"), "strong|small_number")
    changed = book.at("changes")
    sheet.formula(
        last + 3,
        3,
        f'IF({changed}>0,"not to be compared: inputs changed",IF(B{last + 3}<{AGREEMENT},"agrees with the engine","DIFFERS"))',
        "bold",
    )
    book.known("agreement", sheet=NAME, row=last + 3, column=3)


def _mixes(book: Book) -> list[tuple[str, int]]:
    return [("case_mix", FIRST), ("evidence_mix", FIRST + len(book.layout.groups) + 5)]


def _mix_changes(book: Book, name: str, first: int) -> str:
    terms = []
    for row, group in enumerate(book.case.parameters.rows(name), start=first):
        terms.append(f"({address(row, CHILD, PATIENTS)}<>{quoted(group['child'])})")
        terms += [
            f"({address(row, column, PATIENTS)}<>{group[key]!r})"
            for column, key in ((SHARE, "share"), (SIZE, "size_step"), (RED, "red_spot"))
        ]
    return "+".join(terms)


def _schedule_changes(book: Book, plan: StrategyPlan) -> str:
    months, cells = plan.row.surveillance.months, book.at("strategy", plan.key, "months")
    interval = f"({book.at('strategy', plan.key, 'interval')}<>{plan.row.surveillance.interval})"
    counted = f"ABS(COUNT({cells})-{len(months)})"
    return "+".join([interval, counted, *(f"(COUNTIF({cells},{month})=0)" for month in dict.fromkeys(months))])
