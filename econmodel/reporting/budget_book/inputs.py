"""Inputs of the budget workbook: each named, with its status, range and a switch of its own."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from econmodel.parameters.catalogue import EXAMINATIONS, LABELS, PRICES
from econmodel.programme.places import PLACES
from econmodel.records import record
from econmodel.reporting.budget_book.book import BudgetBook
from econmodel.reporting.budget_book.plan import FACTORS, STEMS
from econmodel.reporting.tables.provenance import STATUS_WORDS
from econmodel.reporting.workbook.formula import Formula
from econmodel.reporting.workbook.writer import Sheet, letters, span

if TYPE_CHECKING:
    from econmodel.parameters.schema import Parameter

NAME, DOWNSIDE = "Inputs", "Downside"
HEADERS = ("Input", "Name", "Unit", "Status", "Base", "Low", "High", "Switch", "Used", "As built")
LABEL, INPUT, UNIT, STATUS, VALUE, LOW, HIGH, SWITCH, USED, BUILT = range(1, len(HEADERS) + 1)
FIRST = 6
SECTIONS = {
    "Patients": (
        "n_endoscoped",
        "share_fundal_varices",
        "share_high_risk",
        "share_suitable",
        "share_accepting",
        "n_referred_in",
        "n_treated_elsewhere",
        "r_growth",
        "n_backlog",
        "n_backlog_quarters",
        "n_start_delay_months",
    ),
    "Slots and staff": (
        *(name for place in PLACES.values() for name in (place.most, place.spare, place.block, place.cost) if name),
        "n_slots_surveillance",
        "share_sessions_displacing",
        "c_displaced_contribution",
        "share_contingency",
        "c_coordinator",
        "c_training",
        "c_service_contract",
        "c_exit",
        "n_absence_start_month",
        "n_absence_months",
        "n_stop_month",
    ),
    "Beds": ("n_stay_days", "n_days_readmission", "share_bed_refill", "c_refill_contribution"),
    "What of a cost is cash, what is paid": (
        "share_cash_sessions",
        "share_cash_visits",
        "share_cash_harms",
        "share_cash_bleeds",
        "share_cash_aftercare",
        "share_harms_paid",
        "share_device_tax",
        "share_physician_employed",
        "payment_professional_session",
        "payment_professional_surveillance",
        "payment_professional_bleed",
        "c_physician_session",
        "c_physician_surveillance",
        "c_physician_bleed",
    ),
    "All together": FACTORS,
    "Finance": (
        "n_settlement_days",
        "share_tax",
        "discount_finance",
        "r_inflation",
        "r_capital_charge",
        "share_variable_pay",
        "r_escalator_pay",
        "r_escalator_devices",
        "r_escalator_tariff",
    ),
}
PLUS = ("further_delay",)


@record
class Line:
    """One input: what it is called, its value as built, and the input of the case that it is, or is a row of."""

    name: str
    label: str
    value: float
    parameter: Parameter | None = None


def build_inputs(book: BudgetBook) -> None:
    """Write every input; a row of the downside table that is chosen sets its own over the switch."""
    sheet = book.sheets[NAME]
    sheet.heading(
        "Inputs",
        "Change a yellow cell, or switch an input to its low or high; everything is worked out again. Shares are fractions. "
        f"Money in {book.money_label}.",
    )
    sheet.row(5, list(HEADERS), "header")
    row = FIRST
    for title, lines in _sections(book):
        sheet.row(row, [title] + [""] * (len(HEADERS) - 1), "section")
        for line in lines:
            row += 1
            _write(book, sheet, row, line)
        row += 2
    changed = f"SUMPRODUCT(--({span(FIRST, row, VALUE)}<>{span(FIRST, row, BUILT)}))"
    switched = f'COUNTIF({span(FIRST, row, SWITCH)},"low")+COUNTIF({span(FIRST, row, SWITCH)},"high")'
    sheet.text(3, BUILT - 1, "Changed", "key")
    book.cells["inputs", "changed"] = sheet.formula(3, BUILT, Formula(f"{changed}+{switched}", 0.0), "whole")
    sheet.alert(
        f"{letters(SWITCH)}{FIRST}:{letters(SWITCH)}{row}", f'OR({letters(SWITCH)}{FIRST}="low",{letters(SWITCH)}{FIRST}="high")'
    )
    _choose_from(sheet, f"{letters(SWITCH)}{FIRST}:{letters(SWITCH)}{row}", '"base,low,high"')
    sheet.widths(52, 30, 15, 26, 13, 11, 11, 9, 14, 13)
    sheet.frame(f"C{FIRST}", book.footer, header_rows="5:5")


def _choose_from(sheet: Sheet, cells: str, values: str) -> None:
    from openpyxl.worksheet.datavalidation import DataValidation

    rule = DataValidation(type="list", formula1=values, allow_blank=True)
    sheet.page.add_data_validation(rule)
    rule.add(cells)


def _sections(book: BudgetBook) -> Iterator[tuple[str, list[Line]]]:
    inputs, known = book.plan.inputs, book.case.parameters.parameters
    for title, names in SECTIONS.items():
        yield title, [Line(name, known[name].label, _number(getattr(inputs, name)), known[name]) for name in names]
    ramp = enumerate(inputs.ramp, start=1)
    shares = [Line(f"ramp_{q}", f"Share of slots in use, quarter {q} of work", share, known["ramp"]) for q, share in ramp]
    yield "Start of the service", [*shares, Line("further_delay", "Further delay, months", 0.0)]
    label = {key: row.label for key, row in book.case.parameters.strategies.items()}
    mix = inputs.current_mix
    today = (
        Line(f"today_{key}", f"Share today: {label[key]}", mix.get(key, 0.0), known["current_mix"]) for key in book.plan.strategies
    )
    yield "Care today", list(today)
    yield "Prices", list(_prices(book))
    paid = [Line(f"paid_{key}", f"Paid, times its terms: {LABELS[key]}", 1.0) for key in EXAMINATIONS]
    yield "Examinations", paid


def _number(value: object) -> float:
    return float(np.ravel(np.asarray(value))[0])


def _prices(book: BudgetBook) -> Iterator[Line]:
    known = book.case.parameters.parameters
    for one in book.plan.activities:
        for stem, prefix in STEMS.items():
            name, value = f"{prefix}{one.key}", book.plan.price(one.key, stem)
            if value:
                parameter = known.get(name)
                same = parameter is not None and parameter.value == value
                words = PRICES[name].label if name in PRICES else f"{prefix} {LABELS[one.key]}"
                yield Line(name, words, value, parameter if same else None)


def _write(book: BudgetBook, sheet: Sheet, row: int, line: Line) -> None:
    p = line.parameter
    sheet.text(row, LABEL, line.label)
    sheet.text(row, INPUT, line.name, "small")
    sheet.text(row, UNIT, p.unit if p and not p.table else "", "small")
    sheet.text(row, STATUS, STATUS_WORDS[p.status] if p else "worked out", "small")
    sheet.number(row, VALUE, line.value, "input")
    sheet.number(row, BUILT, line.value, "plain")
    value = f"{letters(VALUE)}{row}"
    if p and p.range:
        sheet.number(row, LOW, p.range.low, "plain")
        sheet.number(row, HIGH, p.range.high, "plain")
        sheet.text(row, SWITCH, "base", "answer")
        at = letters(SWITCH)
        value = f'IF({at}{row}="low",{letters(LOW)}{row},IF({at}{row}="high",{letters(HIGH)}{row},{value}))'
    if line.name in book.effects:
        effect = f"INDEX({book.effects[line.name]},{book.at('downside').text})"
        set_to = f"{value}+{effect}" if line.name in PLUS else f"{value}*{effect}" if line.name in FACTORS else effect
        value = f"IF(ISNUMBER({effect}),{set_to},{value})"
    sheet.formula(row, USED, Formula(value, line.value), "strong|number")
    book.name_cell(line.name, NAME, row, USED, line.value)


def build_switches(book: BudgetBook, sheet: Sheet, row: int) -> int:
    """Write the four switches, each a list to choose from, and give the last row."""
    plan, options = book.plan, book.options
    labels = {
        "option": ([option.label for option in options], "The proposal"),
        "view": (["As contracted", "Every payment per episode", "Block budget"], "As contracted"),
        "column": (["Cash", "With capacity valued"], "Cash"),
        "downside": ([worse.label for worse in plan.worse], plan.worse[0].label),
    }
    words = {"option": "Option", "view": "How the hospital is paid", "column": "Column", "downside": "What goes worse"}
    for name, (choices, chosen) in labels.items():
        row += 1
        sheet.text(row, 1, words[name], "bold")
        sheet.text(row, 2, chosen, "answer")
        sheet.merge(row, 2, 6)
        place = book.choices[name]
        _choose_from(sheet, f"B{row}", f"={place}")
        number = float(choices.index(chosen) + 1)
        found = Formula(f"MATCH($B${row},{place},0)", number)
        book.cells[name, "label"] = Formula(f"{sheet.name}!$B${row}", chosen)
        book.cells[name,] = sheet.formula(row, 8, found, "key")
        book.name_cell(f"chosen_{name}", sheet.name, row, 8, number)
    return row
