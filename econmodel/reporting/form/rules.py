"""What an answer may be: in words, as validation of the cell while typing, and as a check beside it after pasting."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal

from econmodel.parameters import form_cells as at
from econmodel.parameters.form_cells import Question, limits
from econmodel.parameters.schema import POSITIVE_UNITS, WHOLE, money_parts
from econmodel.reporting.workbook.writer import Sheet, letters

if TYPE_CHECKING:
    from openpyxl.worksheet.datavalidation import DataValidation

NOBODY = "Nobody can tell: leave it blank and put x under Don't know."
PER = {"mL": "mL", "once": "once", "post": "post", "block": "block"}
UNIT_WORDS = {
    "share": "fraction, 0 to 1",
    "probability": "fraction, 0 to 1",
    "per year": "fraction a year, 0 to 1",
    "growth per year": "fraction a year; a fall is negative",
    "visits/year": "visits a year",
    "ratio": "ratio, above 0",
    "patients/year": "patients a year",
    "count": "number",
    "units": "units of red cells",
}


def unit_words(q: Question) -> str:
    """Unit of an answer in plain words.

    Examples
    --------
    >>> unit_words(Question("Costing", 6, "c_coil", "c_coil", None, "", "USD/coil", 200.0))
    'USD per coil'
    """
    if q.choices:
        return "choose: " + ", ".join(q.choices)
    if q.after_a_year:
        return f"fraction, 0 to {limits(q)[1]:g}"
    if parts := money_parts(q.unit):
        currency, per = parts
        return f"{currency}, once" if per == "once" else f"{currency} per {per}"
    return UNIT_WORDS.get(q.unit, q.unit)


def check_formula(q: Question) -> str:
    """Formula that says whether the answer can be loaded."""
    cell, unknown = q.cell(), q.cell(at.UNKNOWN)
    if q.choices:
        good = "OR(" + ",".join(f'{cell}="{choice}"' for choice in q.choices) + ")"
    else:
        low, high = limits(q)
        lowest = f"{cell}>{low:g}" if q.unit in POSITIVE_UNITS else f"{cell}>={low:g}"
        highest = f",{cell}<={high:g}" if math.isfinite(high) else ""
        whole = f",{cell}=INT({cell})" if q.name in WHOLE else ""
        good = f"IF(ISNUMBER({cell}),AND({lowest}{highest}{whole}),FALSE)"
    both = f'IF({unknown}<>"","both filled",IF({good},"ok","not possible"))'
    return f'IF({cell}="",IF({unknown}="","","don\'t know"),{both})'


def add_rules(sheet: Sheet, questions: list[Question]) -> None:
    """Validate answers while they are typed, and colour what could not be loaded."""
    from openpyxl.worksheet.datavalidation import DataValidation

    by_rule: dict[tuple[object, ...], DataValidation] = {}
    for q in questions:
        key = (q.choices, limits(q), q.unit in POSITIVE_UNITS, q.name in WHOLE)
        if key not in by_rule:
            by_rule[key] = _validation(q)
            sheet.page.add_data_validation(by_rule[key])
        by_rule[key].add(q.cell())
    last = at.FIRST_ROW + max(len(questions), 1) - 1
    year = DataValidation(
        type="textLength",
        operator="between",
        formula1="4",
        formula2="7",
        allow_blank=True,
        errorTitle="Year",
        error="A year such as 2024 or 2023/24",
        showErrorMessage=True,
    )
    unknown = DataValidation(
        type="list", formula1='"x"', allow_blank=True, errorTitle="Don't know", error="x, or nothing", showErrorMessage=True
    )
    for column, rule in ((at.YEAR, year), (at.UNKNOWN, unknown)):
        sheet.page.add_data_validation(rule)
        rule.add(f"{letters(column)}{at.FIRST_ROW}:{letters(column)}{last}")
    check = f"{letters(at.CHECK)}{at.FIRST_ROW}"
    sheet.alert(f"{check}:{letters(at.CHECK)}{last}", f'OR({check}="not possible",{check}="both filled")')


def _validation(q: Question) -> DataValidation:
    from openpyxl.worksheet.datavalidation import DataValidation

    low, high = limits(q)
    kind: Literal["whole", "decimal"] = "whole" if q.name in WHOLE else "decimal"
    rule = DataValidation(type=kind, operator="greaterThanOrEqual", formula1=f"{low:g}", allow_blank=True)
    rule.error = f"A {'whole' if q.name in WHOLE else 'plain'} number, {low:g} or more, without words. {NOBODY}"
    if q.choices:
        rule = DataValidation(type="list", formula1='"' + ",".join(q.choices) + '"', allow_blank=True)
        rule.error = "Choose from the list."
    elif math.isfinite(high):
        rule.operator, rule.formula2 = "between", f"{high:g}"
        rule.error = f"A number from {low:g} to {high:g}; 45% or 0.45. {NOBODY}"
    elif q.unit in POSITIVE_UNITS:
        rule.operator = "greaterThan"
    rule.errorTitle, rule.showErrorMessage = "Not possible", True
    return rule
