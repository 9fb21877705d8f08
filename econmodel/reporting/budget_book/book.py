"""The budget workbook under construction: where its rows stand, and how a sum over activities or months is written."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import reduce
from typing import Any

import numpy as np

from econmodel.programme.options import OptionRow
from econmodel.reporting.budget_book.plan import BudgetPlan
from econmodel.reporting.workbook.formula import ADD, MULTIPLY, ROW, Formula, as_text
from econmodel.reporting.workbook.pages import Pages
from econmodel.reporting.workbook.writer import Sheet, letters, span

START_ROW = 7
FIRST_CHOICE = 7
MONTHS = "Months"
Labelled = tuple[str, float | str | None, str]


@dataclass(kw_only=True)
class BudgetBook(Pages):
    """What the sheet writers share.

    Attributes
    ----------
    of_model
        Figures of the brief's first page that no budget holds.
    effects
        Input to the cells, one a row of the downside table, that set it.
    choices
        Switch to the cells it chooses from.
    months
        Column of a monthly sheet by name, as a formula of its row.
    """

    plan: BudgetPlan
    of_model: tuple[Labelled, ...]
    options: tuple[OptionRow, ...]
    effects: dict[str, str] = field(default_factory=dict)
    choices: dict[str, str] = field(default_factory=dict)
    months: dict[str, Formula] = field(default_factory=dict)

    @property
    def n_months(self) -> int:
        """Months of the budget."""
        return self.plan.inputs.n_months

    @property
    def rows(self) -> range:
        """Rows of months 1 to the last; the start stands above them."""
        return range(START_ROW + 1, START_ROW + 1 + self.n_months)

    def put(self, sheet: Sheet, column: int, name: str, label: str, formula: Formula | float, style: str = "number") -> Formula:
        """Write a column of months under its label, known by name."""
        sheet.text(START_ROW - 1, column, label, "header_right")
        self.months[name] = sheet.column(self.rows, column, formula, style)
        return self.months[name]

    def put_array(self, sheet: Sheet, column: int, name: str, label: str, formula: Formula, style: str = "number") -> Formula:
        """Write one array formula down the months."""
        sheet.text(START_ROW - 1, column, label, "header_right")
        sheet.array(self.rows[0], column, formula, style)
        self.months[name] = Formula(f"{sheet.name}!${letters(column)}{ROW}", formula.value)
        return self.months[name]

    def over(self, name: str) -> Formula:
        """All months of a column."""
        column = self.months[name]
        return Formula(f"{column.text[:-1]}${self.rows[0]}:{column.text.split('!')[1][:-1]}${self.rows[-1]}", column.value)


def block(sheet: Sheet, row: int, column: int, values: Any) -> Formula:
    """Refer to a block of cells by its first one and the values in it."""
    n_rows, n_columns = np.shape(values)
    return Formula(span(row, row + n_rows - 1, column, sheet.name, column + n_columns - 1), values)


def product(*factors: Formula) -> Formula:
    """Multiply ranges cell by cell."""
    return reduce(lambda a, b: Formula(f"{as_text(a, MULTIPLY)}*{as_text(b, MULTIPLY)}", a.value * b.value, MULTIPLY), factors)


def times(left: Formula, *columns: Formula, turned: bool = False) -> Formula:
    """Multiply matrices: rows of the left by a column, a product of ranges; ``turned`` where the ranges are rows."""
    vector = product(*columns)
    text = f"TRANSPOSE({vector.text})" if turned else vector.text
    return Formula(f"MMULT({left.text},{text})", np.asarray(left.value) @ np.ravel(vector.value))


def added(formulas: Sequence[Formula]) -> Formula:
    """Add arrays up."""
    return reduce(lambda a, b: Formula(f"{as_text(a, ADD)}+{as_text(b, ADD)}", a.value + b.value, ADD), formulas)
