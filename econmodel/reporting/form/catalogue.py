"""Which questions the form asks, by who knows the answer.

An input is asked where the case has it; a table input is asked field by field.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from econmodel.parameters.form_layout import FIRST_ROW, Question
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.schema import Parameter
from econmodel.programme.inputs import CHOICES
from econmodel.reporting.form import clinical_questions as clinical
from econmodel.reporting.form import money_questions as money

SHEETS: dict[str, tuple[str, dict[str, str]]] = {
    "Endoscopy": ("the endoscopy unit: volumes and slots", clinical.ENDOSCOPY),
    "Service lead": ("the service lead: patients, uptake, sessions, devices", clinical.SERVICE_LEAD),
    "Procurement": ("procurement: device and drug prices", money.PROCUREMENT),
    "Contracts": ("contracts: payments, payer mix, denials", money.CONTRACTS),
    "Costing": ("costing: full cost and its variable share", money.COSTING),
    "Information": ("information: bleeds, stay, intensive care, occupancy", clinical.INFORMATION),
    "Operations": ("operations: beds and slots and what fills them", clinical.OPERATIONS),
    "Staff": ("staff: posts and pay", money.STAFF),
    "Engineering": ("engineering: equipment and its service", money.ENGINEERING),
    "Finance": ("finance: rates, escalators, tax, settlement", money.FINANCE),
}


@dataclass(frozen=True)
class TableQuestions:
    """How a table input is asked: by the words of each row and the fields, ``{row}`` standing for the row's words.

    Each field has its question and its unit; an empty unit is the table's own.
    """

    sheet: str
    row_label: str
    fields: dict[str, tuple[str, str]]
    sums_to_one: str = ""


TABLES: dict[str, TableQuestions] = {
    "ramp": TableQuestions(
        "Endoscopy",
        "quarter",
        {"share": ("In quarter {row} after the first patient, what share of full capacity is reached?", "share")},
    ),
    "case_mix": TableQuestions(
        "Service lead", "name", {"share": ("What share of patients offered treatment are: {row}?", "share")}, "share"
    ),
    "current_mix": TableQuestions(
        "Service lead", "strategy", {"share": ("Today, what share of these patients have: {row}?", "share")}, "share"
    ),
    "proposed_mix": TableQuestions(
        "Service lead", "strategy", {"share": ("In the programme, what share of those who start would have: {row}?", "share")}, "share"
    ),
    "payers": TableQuestions(
        "Contracts",
        "name",
        {
            "share": ("What share of these patients are paid for by: {row}?", "share"),
            "denial": ("What share of claims does {row} deny for good?", "share"),
            "paid_at_margin": ("For one more case, what share of its payment does {row} pay (1 per case, 0 block budget)?", "share"),
            "payment_ratio": ("How does {row} pay relative to the payments above (1 is the same)?", "ratio"),
        },
        "share",
    ),
    "capital": TableQuestions(
        "Engineering",
        "item",
        {
            "cost": ("{row}: what does it cost new?", ""),
            "share": ("{row}: what share of its use is this programme's?", "share"),
            "life_years": ("{row}: how many years does it last?", "years"),
            "age_years": ("{row}: how old is the present one, in years?", "years"),
            "salvage": ("{row}: what is it worth at the end of its life?", ""),
        },
    ),
}


@dataclass(frozen=True)
class Asked:
    """A question with the words and the status shown beside it."""

    question: Question
    words: str
    parameter: Parameter


def questions(parameters: ParameterSet) -> dict[str, list[Asked]]:
    """Questions of every sheet, in order, with their rows."""
    found: dict[str, list[Asked]] = {}
    for sheet, (_, asked) in SHEETS.items():
        rows = [*_plain(parameters, sheet, asked), *_tables(parameters, sheet)]
        found[sheet] = [_at(row, question, words, parameter) for row, (question, words, parameter) in enumerate(rows, start=FIRST_ROW)]
    return found


def _at(row: int, question: dict[str, Any], words: str, parameter: Parameter) -> Asked:
    return Asked(Question(row=row, **question), words, parameter)


def _plain(parameters: ParameterSet, sheet: str, asked: dict[str, str]) -> Iterator[tuple[dict[str, Any], str, Parameter]]:
    for name, words in asked.items():
        p = parameters.parameters.get(name)
        if p is not None and p.table is None:
            yield (
                {
                    "sheet": sheet,
                    "name": name,
                    "shown": name,
                    "item": None,
                    "field": "",
                    "unit": p.unit,
                    "ours": p.value,
                    "choices": p.choices or CHOICES.get(name, ()),
                },
                words,
                p,
            )


def _tables(parameters: ParameterSet, sheet: str) -> Iterator[tuple[dict[str, Any], str, Parameter]]:
    for name, table in TABLES.items():
        p = parameters.parameters.get(name)
        if table.sheet != sheet or p is None:
            continue
        for item, row in enumerate(p.table or ()):
            label = str(row.get(table.row_label, item + 1))
            for field, (words, unit) in table.fields.items():
                if isinstance(row.get(field), int | float):
                    shown = _label(parameters, name, label)
                    yield (
                        {
                            "sheet": sheet,
                            "name": name,
                            "shown": f"{name} / {label} / {field}",
                            "item": item,
                            "field": field,
                            "unit": unit or p.unit,
                            "ours": float(row[field]),
                            "sums_to_one": field == table.sums_to_one,
                        },
                        words.replace("{row}", shown),
                        p,
                    )


def _label(parameters: ParameterSet, name: str, label: str) -> str:
    """Row of a table in plain words: a strategy's own label where the row names one."""
    row = parameters.strategies.get(label) if name.endswith("_mix") else None
    return row.label if row else label
