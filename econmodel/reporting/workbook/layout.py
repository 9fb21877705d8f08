"""Where everything stands in the live workbook: sheets, rows, and which states and moves each strategy uses.

Years run down in the same rows of every yearly sheet, months in the same rows of every monthly sheet, so a formula
finds its partner on the same row.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from econmodel.economics.evaluate import Evaluation
from econmodel.model.hazards import CYCLES_PER_YEAR
from econmodel.model.inputs import LAST_AGE, Group
from econmodel.model.structure import Move, Structure, build_structure
from econmodel.parameters.loading import Case
from econmodel.parameters.schema import StrategyRow

FIRST_YEAR_ROW = 8
FIRST_MONTH_ROW = 8
HEADER_ROWS = (5, 6, 7)
CLASSES = ("A", "B", "C")


@dataclass(frozen=True)
class StrategyPlan:
    """One strategy: its sheets, and the states that can be reached from its start."""

    key: str
    row: StrategyRow
    position: int
    states: tuple[str, ...]
    moves: tuple[Move, ...]

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


@dataclass(frozen=True)
class Layout:
    """Shape of the workbook for one case."""

    strategies: tuple[StrategyPlan, ...]
    groups: tuple[Group, ...]
    evidence_rows: int
    n_years: int
    structure: Structure = field(repr=False)

    @property
    def n_months(self) -> int:
        """Months the sheets hold."""
        return self.n_years * CYCLES_PER_YEAR

    @property
    def last_year_row(self) -> int:
        """Row of the last year."""
        return FIRST_YEAR_ROW + self.n_years - 1

    @property
    def year_rows(self) -> range:
        """Rows of the years."""
        return range(FIRST_YEAR_ROW, self.last_year_row + 1)

    @property
    def month_rows(self) -> range:
        """Rows of the month boundaries: from 0 to the last month, ends included."""
        return range(FIRST_MONTH_ROW, FIRST_MONTH_ROW + self.n_months + 1)

    def months_of(self, year_row: int) -> tuple[int, int]:
        """First and last row of the months that start in a year."""
        first = FIRST_MONTH_ROW + (year_row - FIRST_YEAR_ROW) * CYCLES_PER_YEAR
        return first, first + CYCLES_PER_YEAR - 1


def plan_layout(case: Case, evaluation: Evaluation) -> Layout:
    """Lay a case out.

    The sheets hold the years from the youngest starting age of its range (or the case's own, if younger) to age 100,
    so that age and horizon can be changed in the file.
    """
    structure = build_structure()
    age = case.parameters["start_age"]
    youngest = min(evaluation.inputs.start_age, int(age.range.low) if age.range else evaluation.inputs.start_age)
    rows = enumerate(case.parameters.strategies.values())
    return Layout(
        tuple(_plan(row, position, structure) for position, row in rows),
        evaluation.inputs.groups,
        len(case.parameters.rows("evidence_mix")),
        LAST_AGE - youngest,
        structure,
    )


def _plan(row: StrategyRow, position: int, structure: Structure) -> StrategyPlan:
    """Keep the states reachable from the start; without a re-treatment input a drug never starts a course."""
    possible = [m for m in structure.moves if m.kind != "retreat" or row.p_retreat_year_1]
    reached = {row.starts_in}
    while added := {m.target for m in possible if m.source in reached} - reached:
        reached |= added
    states = tuple(s.key for s in structure.states if s.key in reached and s.key != "dead")
    return StrategyPlan(row.key, row, position, states, tuple(m for m in possible if m.source in reached))
