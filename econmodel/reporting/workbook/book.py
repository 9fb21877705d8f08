"""The workbook under construction: what is in it, where it stands, and the cells that sheets refer to.

Years run down in the same rows of every yearly sheet, months in the same rows of every monthly sheet, so a formula
finds its partner on the same row.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np

from econmodel.economics.activity import OF_COURSE, PLAIN, Families
from econmodel.economics.evaluate import Evaluation
from econmodel.errors import AnalysisError
from econmodel.model.hazards import CYCLES_PER_YEAR
from econmodel.model.inputs import LAST_AGE, Group, declare_structure
from econmodel.model.structure import ALL_LABELS, COURSE_MOVE_LABELS, MOVE_LABELS, Structure
from econmodel.parameters.catalogue import COUNT_KEYS, COURSE_COUNTS, LABELS
from econmodel.parameters.loading import Case
from econmodel.parameters.schema import PROCESS, StrategyRow
from econmodel.records import record
from econmodel.reporting.workbook.formula import Formula
from econmodel.reporting.workbook.pages import Pages
from econmodel.reporting.workbook.writer import span

FIRST_YEAR_ROW = FIRST_MONTH_ROW = 8
HEADER_ROWS = (5, 6, 7)
MOST = 40
ONLY = {"child_course": "fixed", "cohort_start": "never_bled"}
WITHIN = ("finish", "failed", "ages", "recurs", "lost", "recurs_lost", "stops")


@record
class Plan:
    """One strategy and its two sheets."""

    key: str
    row: StrategyRow
    position: int

    @property
    def trace_sheet(self) -> str:
        """Name of the monthly sheet."""
        return f"Trace_{self._short}"

    @property
    def years_sheet(self) -> str:
        """Name of the yearly sheet."""
        return f"Years_{self._short}"

    @property
    def _short(self) -> str:
        safe = re.sub(r"[^A-Za-z0-9_]", "_", self.key)
        return safe if safe == self.key and len(safe) <= 22 else f"{self.position + 1}_{safe[:18]}"


@record
class Layout:
    """Shape of the workbook for one case; ``classes`` is the number of susceptibility classes in a group."""

    strategies: tuple[Plan, ...]
    groups: tuple[Group, ...]
    classes: int
    n_years: int
    basis: str
    structure: Structure = field(repr=False)

    @property
    def process(self) -> bool:
        """Whether treatment works by what happens to the varix."""
        return self.basis == PROCESS

    @property
    def restarts(self) -> bool:
        """Whether the states tell the year of the last course apart."""
        return len(self.structure.family("protected")) > 1

    @property
    def kinds(self) -> Families:
        """What states have in common."""
        return OF_COURSE if self.process else PLAIN

    @cached_property
    def families(self) -> tuple[str, ...]:
        """Families of living states."""
        return tuple(family for family in self.structure.families if family != "dead")

    @cached_property
    def classed(self) -> tuple[str, ...]:
        """Families in which a patient's susceptibility still counts: until a gastric bleed."""
        return (*self.kinds.never_bled, "bleeding_other", "post_other", "rebleeding_other")

    @cached_property
    def items(self) -> dict[str, str]:
        """Cohort sums of a year and their labels: sessions, visits, time in states, moves."""
        kinds = {move.kind for move in (*self.structure.moves, *self.structure.impulses)}
        moves = {kind: label for kind, label in (MOVE_LABELS | COURSE_MOVE_LABELS).items() if kind in kinds and kind not in WITHIN}
        return {
            "sessions": "Treatment sessions",
            "visits": "Surveillance visits",
            **{f"years.{family}": f"Patient-years: {ALL_LABELS[family].lower()}" for family in self.families},
            **{f"move.{kind}": label[:1].upper() + label[1:] for kind, label in moves.items()},
        }

    @cached_property
    def counts(self) -> dict[str, str]:
        """Counts of what happens to a patient, and their labels."""
        course = COURSE_COUNTS if self.process else ()
        return {key: LABELS[key] for key in COUNT_KEYS} | {count.key: count.label for count in course}

    @property
    def year_rows(self) -> range:
        """Rows of the years."""
        return range(FIRST_YEAR_ROW, FIRST_YEAR_ROW + self.n_years)

    @property
    def month_rows(self) -> range:
        """Rows of the month boundaries: from 0 to the last month, ends included."""
        return range(FIRST_MONTH_ROW, FIRST_MONTH_ROW + self.n_years * CYCLES_PER_YEAR + 1)

    def over_years(self, sheet: str, column: int, value: Any) -> Formula:
        """Range of a yearly column."""
        return Formula(span(self.year_rows[0], self.year_rows[-1], column, sheet), np.broadcast_to(value, self.n_years))


def check_size(case: Case, strategies: int = 0) -> None:
    """Refuse a case that the workbook's formulas cannot hold.

    Raises
    ------
    AnalysisError
        More groups or strategies than a formula can hold, or a structure that the sheets do not have.
    """
    for setting, held in ONLY.items():
        if setting in case.parameters.parameters and (value := case.parameters.text(setting)) != held:
            what = f"{setting} = {value!r}: the live workbook has no sheets for it"
            raise AnalysisError(what, fix=f"{setting} = {held!r} for the workbook; all other results have it")
    for words, size in {"patient groups": len(case.parameters.rows("case_mix")), "strategies": strategies}.items():
        if size > MOST:
            what = f"{size} {words}: the live workbook holds at most {MOST}, or its formulas outgrow a cell"
            raise AnalysisError(what, fix="merge some of them for the workbook")


def plan_layout(case: Case, evaluation: Evaluation, keys: Sequence[str]) -> Layout:
    """Lay a case out for some of its strategies.

    The sheets hold the years from the youngest starting age of its range (or the case's own, if younger) to age 100,
    so that age and horizon can be changed in the file.

    Raises
    ------
    AnalysisError
        More groups or strategies than a formula can hold.
    """
    inputs, age = evaluation.inputs, case.parameters["start_age"]
    youngest = min(inputs.start_age, int(age.range.low) if age.range else inputs.start_age)
    n_years = LAST_AGE - youngest
    check_size(case, len(keys))
    rows = [row for key, row in case.parameters.strategies.items() if key in keys]
    return Layout(
        tuple(Plan(row.key, row, position) for position, row in enumerate(rows)),
        inputs.groups,
        int((inputs.group_of_cell == 0).sum()),
        n_years,
        inputs.effect_basis,
        declare_structure(case.parameters, n_years).by_month(),
    )


@dataclass(kw_only=True)
class Book(Pages):
    """What the sheet writers share.

    ``cells`` maps a key such as ``("fatality", "A")`` to what other sheets refer to.
    """

    evaluation: Evaluation
    layout: Layout

    @property
    def plans(self) -> tuple[Plan, ...]:
        """Strategies in the file."""
        return self.layout.strategies
