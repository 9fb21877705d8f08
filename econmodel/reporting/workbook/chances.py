"""Chances of every move by model year: the model's own declaration (``model.hazards.DiseaseMoves``) run on cells.

Each step the declaration keeps becomes a column of the yearly sheet, written once however many states share it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from econmodel.model.course_hazards import CourseMoves, within_a_month
from econmodel.model.course_inputs import rebleed_by_time
from econmodel.model.hazards import DiseaseMoves, effect_left, waning
from econmodel.model.structure import EXCESS_SPANS
from econmodel.records import record
from econmodel.reporting.workbook.book import FIRST_YEAR_ROW, HEADER_ROWS, Book, Plan
from econmodel.reporting.workbook.formula import ROW, SHIFTED, Formula, value_of
from econmodel.reporting.workbook.writer import Sheet, letters

EFFECT_WORDS = {"gastric": "Gastric bleed, ratio", "other": "Other bleed, ratio"}
_REFERENCE = re.compile(r"^[A-Za-z0-9_!$\x01-\x06]+$")
FloatArray = NDArray[np.float64]


@dataclass
class YearColumns:
    """The yearly sheet of a strategy, filled from left to right; equal formulas are written once."""

    sheet: Sheet
    n_years: int
    next: int = 1
    known: dict[tuple[str, int], Any] = field(default_factory=dict)

    def put(self, label: str, formula: Any, start: int = 0, note: str = "") -> Any:
        """Write a column from a year on, or one cell where nothing in it depends on the year; give what refers to it."""
        if not isinstance(formula, Formula) or _REFERENCE.match(formula.text):
            return formula
        key = formula.text, start
        if key not in self.known:
            constant = ROW not in formula.text and SHIFTED not in formula.text
            self.sheet.text(HEADER_ROWS[1], self.next, note, "note")
            self.sheet.text(HEADER_ROWS[2], self.next, f"{label} (all years)" if constant else label, "header_right")
            rows = range(FIRST_YEAR_ROW + start, FIRST_YEAR_ROW + self.n_years)
            marks = {SHIFTED: range(FIRST_YEAR_ROW, FIRST_YEAR_ROW + self.n_years - start)}
            if constant:
                self.known[key] = self.sheet.formula(FIRST_YEAR_ROW, self.next, formula, "factor")
            else:
                self.known[key] = self.sheet.column(rows, self.next, formula, marks=marks)
            self.next += 1
        return self.known[key]

    def section(self, title: str, first: int) -> None:
        """Name the columns from ``first`` on, and leave a gap after them."""
        if self.next > first:
            self.sheet.row(HEADER_ROWS[0], [title] + [""] * (self.next - first - 1), "section", first=first)
            self.sheet.page.column_dimensions[letters(self.next)].width = 2
            self.next += 1


class CellMoves(DiseaseMoves):
    """Moves of one strategy and kind of patient, declared on cells; ``start`` is the first year a state can be in use."""

    def __init__(self, book: Book, plan: Plan, group: int, cell: int, columns: YearColumns | None) -> None:
        self.book, self.plan, self.layout, self.columns, self.start, self.note = book, plan, book.layout, columns, 0, ""
        v, own = book.v, {item: book.at("strategy", plan.key, item) for item in book.at("figures")}
        of_group = {item: book.at("group", str(group), item) for item in ("transplant", "excess", "first", "again")}
        self.transplant, self.excess, self.p_death_bleed, self.p_death_rebleed = of_group.values()
        self.excess_transplanted, self.r_other_bleed = v["r_excess_death_transplanted"], v["r_other_bleed"]
        self.hr_death_after_bleed, self.hr_excess_death = v["hr_death_after_bleed"], own["hr_excess_death"]
        self.p_early_rebleed, self.p_obliteration = v["p_early_rebleed"], own["p_obliteration"]
        self.p_death_session, self.p_last_session = own["p_death_course"] / own["sessions_mean"], 1.0 / own["sessions_mean"]
        self.by_year, self.year = book.at("by_year", plan.key), book.at("model_year")
        self.untreated, self.general = book.at("gastric", str(cell)), book.at("background")
        self._gather(v, own)

    def _gather(self, v: Mapping[str, Any], own: Mapping[str, Any]) -> None:
        """Take what an effect that lasts and fades needs."""
        self.r_late_rebleed = own["r_late_rebleed"]
        self.split_post_bleed = len(self.layout.structure.family("post_bleed")) > 1
        self.ratios = {"gastric": own["hr_gastric"], "other": own["hr_other"]}
        self.effect_years = own["effect_full_years"], own["effect_none_years"]

    def keep(self, step: str, value: Any) -> Any:
        """Put a step down as a column."""
        return self.columns.put(step, value, self.start, self.note) if self.columns else value

    def gastric_rates(self, years: Any) -> Any:
        """Untreated rate of a first gastric bleed."""
        return self._from_start(self.untreated)

    def background(self, years: Any) -> Any:
        """Rate of death of the general population."""
        return self._from_start(self.general)

    def retreatment(self, years: Any) -> Any:
        """Rate of re-treatment."""
        return self._from_start(self.by_year)

    def effect(self, of: str, years: Any, course_in: int | None) -> Any:
        """Hazard ratio of an effect, in the row of the year, or in that of the years since the last course."""
        start, note, self.start, self.note = self.start, self.note, 0, ""
        left = self.keep("Share of effect left", waning(self.year - 1, *self.effect_years))
        ratio = self.keep(EFFECT_WORDS[of], effect_left(left, np.log(self.ratios[of])))
        self.start, self.note = start, note
        if not isinstance(ratio, Formula) or not self.layout.restarts:
            return self._from_start(ratio)
        if course_in is None:
            return Formula(ratio.text.replace(ROW, f"${FIRST_YEAR_ROW}"), ratio.value[0])
        return Formula(ratio.text.replace(ROW, SHIFTED), ratio.value[: self.layout.n_years - course_in], ratio.rank)

    def _from_start(self, formula: Any) -> Any:
        """Take the rows a state is in use."""
        if not isinstance(formula, Formula) or np.ndim(formula.value) == 0:
            return formula
        return Formula(formula.text, formula.value[self.start :], formula.rank)


class CellCourse(CourseMoves, CellMoves):
    """The same where the effect is a process."""

    def _gather(self, v: Mapping[str, Any], own: Mapping[str, Any]) -> None:
        """Take what the course of a varix needs."""
        p = self.book.case.parameters
        self.hr_closed, self.hr_open, self.hr_other = own["hr_closed"], own["hr_open"], own["hr_other"]
        in_course = float(self.plan.row.starts_in == "in_course")
        self.p_back, self.p_lost = within_a_month(own["r_recurrence"]), within_a_month(own["r_lost"] * in_course)
        self.r_gastric_rebleed, self.r_other_rebleed = own["r_gastric_rebleed"], own["r_other_rebleed"]
        self.r_other_alone, self.events = v["r_late_rebleed_other"], {}
        self.hr_rebleed = rebleed_by_time(v["hr_late_rebleed_first_year"], p.text("rebleed_by_time"))  # type: ignore[assignment]
        self.excess_spans = EXCESS_SPANS[p.text("years_excess_after_bleed")]

    def stops(self, years: Any) -> Any:
        """Probability within a month of stopping a drug."""
        return within_a_month(self.by_year)


@record
class Exits:
    """Chances of leaving a state, by kind of move, and of staying, from the year ``start`` on."""

    chances: dict[str, Any]
    stay: Any
    start: int

    def by_year(self, chance: Any, n_years: int) -> FloatArray:
        """Value of a chance in every year, 0 before the state is in use."""
        found = np.zeros(n_years)
        found[self.start :] = value_of(chance)
        return found
