"""Inputs sheet and Sources sheet: one row per input with a cell to change, its unit, status, range and source beside it.

The cell carries the input's name as a defined name. What was there when the file was made stays beside it, so that a
change shows; inputs that do not move this workbook say so.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

from econmodel.parameters.loading import load_base_case
from econmodel.parameters.schema import BOUNDS, POSITIVE_UNITS, Parameter, money_parts, unit_kind
from econmodel.reporting.tables.provenance import STATUS_WORDS
from econmodel.reporting.workbook.book import Book
from econmodel.reporting.workbook.formula import Formula, number_text, quoted
from econmodel.reporting.workbook.writer import Sheet, letters

if TYPE_CHECKING:
    from openpyxl.worksheet.datavalidation import DataValidation

NAME, SOURCES = "Inputs", "Sources"
STRUCTURE = ("effect_basis", "effect_clock", "years_excess_after_bleed", "rebleed_by_time")
FIXED = ("price_list", *STRUCTURE, "currency", "price_year", "lead", "usual_care")
HEADERS = (
    "Input",
    "Name",
    "Value",
    "Unit",
    "As built",
    "Changed",
    "Low",
    "High",
    "Status",
    "Source",
    "How it came about",
    "Used here",
)
LABEL, INPUT, VALUE, UNIT, BUILT, CHANGED, LOW, HIGH, STATUS, SOURCE, STORY, USED = range(1, len(HEADERS) + 1)
HEADER_ROW = 4
IMPOSSIBLE = "NOT POSSIBLE"
_WORD = re.compile(r"(?:Inputs!\$C\$\d+|[A-Za-z_][A-Za-z0-9_]*)")
WIDTHS = (46, 28, 15, 13, 15, 14, 10, 10, 16, 52, 84, 9)
SECTIONS = {
    "settings": "Settings",
    "case_mix": "Patients",
    "natural_history": "Bleeding",
    "mortality": "Death",
    "strategies": "Strategies: effect, sessions, harms",
    "utilities": "Quality of life",
    "resources": "Care of a bleed",
    "prices": "Prices",
    "programme": "Programme (not used in this workbook)",
    "": "Added by this case",
}


def build_inputs(book: Book) -> Sheet:
    """Write the inputs, section by section; ``mark_used`` completes the last column at the end."""
    sheet = book.add_sheet(NAME, tab="E0B400")
    sheet.heading(
        "Inputs",
        "Change a yellow cell and everything is worked out again. Probabilities and shares are fractions: "
        f"7.5% is 0.075. Money in {book.money_label}. Grey cells are fixed when the file is made.",
    )
    for column, header in enumerate(HEADERS, start=1):
        sheet.text(HEADER_ROW, column, header, "header_right" if column in (VALUE, BUILT, LOW, HIGH) else "header")
    row = HEADER_ROW + 1
    for title, inputs in sections(book).items():
        sheet.row(row, [title] + [""] * (len(HEADERS) - 1), "section")
        for p in inputs:
            row += 1
            _write_input(book, sheet, row, p)
        row += 2
    marks = f"{letters(CHANGED)}{HEADER_ROW + 1}:{letters(CHANGED)}{row}"
    sheet.text(3, BUILT, "Cells changed", "key")
    impossible = Formula(f'COUNTIF({NAME}!${letters(CHANGED)}${HEADER_ROW + 1}:${letters(CHANGED)}${row},"{IMPOSSIBLE}")', 0.0)
    changed = Formula(f'COUNTIF({marks},"yes")', 0.0)
    book.cells["inputs", "changed"] = sheet.formula(3, CHANGED, changed + impossible, "whole")
    book.cells["inputs", "impossible"] = impossible
    sheet.alert(marks, f'{letters(CHANGED)}{HEADER_ROW + 1}<>""')
    sheet.widths(*WIDTHS)
    sheet.frame("D5", book.footer, header_rows=f"{HEADER_ROW}:{HEADER_ROW}")
    return sheet


def sections(book: Book) -> dict[str, list[Parameter]]:
    """Sort the inputs by the base-case file that defines them; tables stand on the patients sheet."""
    parameters = book.case.parameters
    base = load_base_case().parameters
    found: dict[str, list[Parameter]] = {title: [] for title in SECTIONS.values()}
    for name, p in parameters.parameters.items():
        if p.table is not None:
            continue
        file = Path(base[name].where.file if name in base else "")
        stem = "prices" if file.parent.name in ("prices", "countries") else file.stem
        found[SECTIONS.get(stem, SECTIONS[""])].append(p)
    return {title: inputs for title, inputs in found.items() if inputs}


def _write_input(book: Book, sheet: Sheet, row: int, p: Parameter) -> None:
    sheet.text(row, LABEL, p.label)
    sheet.text(row, INPUT, p.name, "small")
    _write_value(sheet, row, VALUE, p, "fixed" if p.name in fixed(book) else "input")
    _validate(book, sheet, f"{letters(VALUE)}{row}", p)
    _write_value(sheet, row, BUILT, p, "plain")
    sheet.text(row, UNIT, p.unit, "small")
    value, built = f"{letters(VALUE)}{row}", f"{letters(BUILT)}{row}"
    text = f'IF({_possible(value, p, _choices(book, p), fixed(book))},IF({value}={built},"","yes"),"{IMPOSSIBLE}")'
    book.cells["changed", p.name] = sheet.formula(row, CHANGED, Formula(text, ""), "bold")
    if p.range:
        sheet.number(row, LOW, p.range.low, "plain")
        sheet.number(row, HIGH, p.range.high, "plain")
    sheet.text(row, STATUS, STATUS_WORDS[p.status], "small")
    source, story = provenance(book, p)
    sheet.text(row, SOURCE, source, "small")
    sheet.text(row, STORY, story, "small")
    sheet.height(row, (p.label, WIDTHS[0]), (source, WIDTHS[SOURCE - 1]), (story, WIDTHS[STORY - 1]))
    assert p.value is not None
    book.name_cell(p.name, NAME, row, VALUE, p.value)
    book.cells["row", p.name] = str(row)


def _write_value(sheet: Sheet, row: int, column: int, p: Parameter, style: str) -> None:
    if isinstance(p.value, float):
        whole = p.value == int(p.value)
        sheet.number(row, column, int(p.value) if whole else p.value, f"{style}|money" if money_parts(p.unit) and whole else style)
    else:
        sheet.text(row, column, str(p.value), style)


def fixed(book: Book) -> tuple[str, ...]:
    """Inputs that decide what the file is made of: another value needs a new file."""
    frailty = book.case.parameters.text("hazard_decline") == "frailty"
    return (*FIXED, "hazard_decline", "n_frailty_classes") if frailty else FIXED


def provenance(book: Book, p: Parameter) -> tuple[str, str]:
    """Source with its locator, and how the value came about: who changed it, what was published, why it was assumed."""
    source = book.case.parameters.sources.get(p.source)
    change = f"{p.changed_by}: {p.reason}" if p.changed_by else ""
    parts = (change, p.as_published, p.derivation, p.rationale, p.note)
    where = "; ".join(part for part in (source.reference if source else "", p.locator) if part)
    return where, " | ".join(part for part in parts if part)


def _validate(book: Book, sheet: Sheet, cell: str, p: Parameter) -> None:
    from openpyxl.worksheet.datavalidation import DataValidation

    choices = _choices(book, p)
    if choices:
        rule = DataValidation(type="list", formula1='"' + ",".join(choices) + '"', allow_blank=False)
    elif p.name == "horizon_years" or not isinstance(p.value, float):
        return
    else:
        rule = _bounds(p)
    rule.errorTitle, rule.error = "Not possible", f"{p.name}: {rule_text(p, choices)}"[:250]
    rule.showErrorMessage = True
    sheet.page.add_data_validation(rule)
    rule.add(cell)


def _possible(cell: str, p: Parameter, choices: tuple[str, ...], held: tuple[str, ...]) -> str:
    """Condition under which a cell holds what the model would take; a number in ``held`` stays as it is."""
    if choices:
        return "OR(" + ",".join(f"{cell}={quoted(choice)}" for choice in choices) + ")"
    if isinstance(p.value, float) and p.name in held:
        return f"{cell}={number_text(p.value)}"
    if p.name == "horizon_years":
        return f'OR({cell}="lifetime",ISNUMBER({cell}))'
    if not isinstance(p.value, float):
        return f"ISTEXT({cell})"
    low, high = BOUNDS.get(unit_kind(p.unit), (float("-inf"), float("inf")))
    rules = [f"{cell}>0"] if p.unit in POSITIVE_UNITS else [f"{cell}>={low:g}"] if low > float("-inf") else []
    rules += [f"{cell}<={high:g}"] if high < float("inf") else []
    return f"IF(ISNUMBER({cell}),AND({','.join(rules) or 'TRUE'}),FALSE)"


def _choices(book: Book, p: Parameter) -> tuple[str, ...]:
    parameters = book.case.parameters
    if p.name in fixed(book):
        return (p.value,) if isinstance(p.value, str) else ()
    named = {
        "comparator": tuple(plan.key for plan in book.plans),
        "secondary_prophylaxis": parameters.after_gastric,
        "hazard_decline": tuple(c for c in p.choices or () if c != "frailty"),
    }
    choices = named.get(p.name) or p.choices
    return choices if len(",".join(choices)) < 250 and not any('"' in c or "," in c for c in choices) else ()


def _bounds(p: Parameter) -> DataValidation:
    from openpyxl.worksheet.datavalidation import DataValidation

    low, high = BOUNDS.get(unit_kind(p.unit), (float("-inf"), float("inf")))
    if p.unit in POSITIVE_UNITS:
        return DataValidation(type="decimal", operator="greaterThan", formula1="0")
    if high < float("inf"):
        return DataValidation(type="decimal", operator="between", formula1=f"{low:g}", formula2=f"{high:g}")
    return DataValidation(type="decimal", operator="greaterThanOrEqual", formula1=f"{max(low, -1e12):g}")


def rule_text(p: Parameter, choices: tuple[str, ...]) -> str:
    """Say what an input's cell may hold, in words."""
    if choices:
        return "one of " + ", ".join(choices)
    low, high = BOUNDS.get(unit_kind(p.unit), (float("-inf"), float("inf")))
    if p.unit in POSITIVE_UNITS:
        return "a number above 0"
    if high < float("inf"):
        return f"a number from {low:g} to {high:g}; a percentage is written as a fraction"
    return "a number, 0 or more" if low == 0 else "a number"


def mark_used(book: Book) -> None:
    """Say for every input whether a formula in this file reads it, or a figure held from the program rests on it."""
    sheet = book.sheets[NAME]
    read = {word for page in book.sheets.values() for text in page.formulas for word in _WORD.findall(text)}
    for key, cell in book.cells.items():
        if key[0] == "input":
            used = "held" if key[1] in book.at("held") else "yes" if cell.text in read else "no"
            sheet.text(int(book.at("row", key[1])), USED, used, "small")


def build_sources(book: Book) -> None:
    """Write the sources that are used."""
    sheet = book.add_sheet(SOURCES)
    sheet.heading("Sources", "Full references; locators stand beside each input.")
    sheet.row(4, ["Key", "Reference", "Kind", "Inputs"])
    users: dict[str, list[str]] = {}
    for p in book.case.parameters.parameters.values():
        if p.source:
            users.setdefault(p.source, []).append(p.name)
    for row, key in enumerate(sorted(users), start=5):
        source = book.case.parameters.sources[key]
        names = ", ".join(users[key])
        sheet.row(row, [key, source.reference, source.kind, names], "text")
        sheet.height(row, (source.reference, 100), (names, 60))
    sheet.widths(26, 100, 14, 60)
    sheet.frame("B5", book.footer, header_rows="4:4")
