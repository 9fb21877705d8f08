"""Move probabilities where treatment works, and stops working, by what happens to the varix.

One month is one move. In order: a session for everyone in a course, its deaths and the courses it ends; then competing
events; then, for those who had none, recurrence, loss to follow-up or the stop of a drug, each independent of the others.
Visits come before all this; they are impulses of the engine (``model/attendance.py``).
"""

from __future__ import annotations

from abc import abstractmethod

import numpy as np

from econmodel.model.course import STOP_STEPS, CourseInputs
from econmodel.model.hazards import CYCLE_YEARS, ONE, DiseaseMoves, Factors, FloatArray, Hazards, IntArray, by_draw, by_strategy
from econmodel.model.inputs import ModelInputs

EVENTS = ("gastric_bleed", "other_bleed", "transplant", "other_death")


def within_a_month(rate: FloatArray) -> FloatArray:
    """Probability of something within a month that nothing competes with."""
    return -np.expm1(rate * -CYCLE_YEARS)


def after_session(death: FloatArray, last: FloatArray, closes: FloatArray) -> dict[str, FloatArray]:
    """Share of those in a course whom a session sends to another state, by its chance of death and of being the last."""
    ends = (1.0 - death) * last
    return {"dead": death, "protected": ends * closes, "patent": ends * (1.0 - closes)}


class CourseMoves(DiseaseMoves):
    """What leaves each state of :func:`build_course_structure`, declared once, on arrays and on the cells of the live workbook.

    ``hr_rebleed`` is late rebleeding relative to its mean, in the first twelve months after a bleed and later.
    """

    hr_closed: FloatArray
    hr_open: FloatArray
    hr_other: FloatArray
    p_obliteration: FloatArray
    p_back: FloatArray
    p_lost: FloatArray
    r_gastric_rebleed: FloatArray
    r_other_rebleed: FloatArray
    r_other_alone: FloatArray
    hr_rebleed: tuple[FloatArray, FloatArray]
    excess_spans: int | None
    events: dict[str, tuple[Factors, FloatArray]]

    @abstractmethod
    def stops(self, years: IntArray) -> FloatArray:
        """Probability within a month of stopping a drug."""

    def chances(self, family: str, part: int, years: IntArray) -> Factors:
        """Probability within a cycle of each move out of a state, as two factors."""
        match family:
            case "at_risk":
                return self._compete("untreated", years)[0]
            case "in_course":
                return self._course(years)
            case "protected":
                return self._closed(years)
            case "patent":
                events, none = self._compete("open", years)
                return events | {"lost": (none, self.p_lost)}
            case "protected_lost":
                events, none = self._compete("closed", years)
                return events | {"recurs": (none, self.p_back)}
            case "patent_lost":
                return self._compete("open", years)[0]
            case "bleeding_other":
                return self._acute(self.p_death_bleed, "recover_other")
            case "rebleeding_other":
                return self._acute(self.p_death_rebleed, "recover_other")
            case "post_bleed":
                return self._after_bleed(part, years, self.r_gastric_rebleed * self.hr_rebleed[int(part != 1)], self.r_other_rebleed)
            case "post_other":
                return self._after_bleed(part, years, self.gastric_rates(years) * self.hr_closed, self.r_other_alone)
        return super().chances(family, part, years)

    def _compete(self, varix: str, years: IntArray) -> tuple[Factors, FloatArray]:
        """Competing events of the never-bled whose varix is untreated, open or closed, and none of them."""
        if varix not in self.events:
            gastric = {"untreated": ONE, "open": self.hr_open, "closed": self.hr_closed}[varix]
            rates = self._never_bled(gastric, self.hr_other if varix == "closed" else ONE, years)
            if varix == "closed":
                rates["other_death"] = self.background(years) + self.excess * self.hr_excess_death
            self.events[varix] = self.compete(rates)
        return self.events[varix]

    def _course(self, years: IntArray) -> Factors:
        """A session, then the month of whoever is still under way, closed or not closed."""
        death = self.p_death_session
        ends = after_session(death, self.p_last_session, self.p_obliteration)
        (opened, no_open), (closed, no_closed) = self._compete("open", years), self._compete("closed", years)
        w_closed = self.keep("Course ends, varix closed", ends["protected"])
        w_failed = self.keep("Course ends, varix open", ends["patent"])
        w_open = 1.0 - death - w_closed
        moves: Factors = {kind: (_product(opened[kind]) * w_open + _product(closed[kind]) * w_closed, ONE) for kind in EVENTS}
        stays_closed = self.keep("Closed at the end", no_closed * (w_closed * (1.0 - self.p_back)))
        not_closed = self.keep("Open at the end", no_open * w_failed + no_closed * (w_closed * self.p_back))
        return moves | {
            "procedure_death": (death, ONE),
            "finish": (stays_closed, 1.0 - self.p_lost),
            "lost": (stays_closed, self.p_lost),
            "failed": (not_closed, 1.0 - self.p_lost),
            "recurs_lost": (not_closed, self.p_lost),
        }

    def _closed(self, years: IntArray) -> Factors:
        events, none = self._compete("closed", years)
        stop = self.stops(years)
        on = 1.0 - stop
        return events | {
            "stops": (none, stop),
            "recurs": (none, on * (self.p_back * (1.0 - self.p_lost))),
            "lost": (none, on * (self.p_lost * (1.0 - self.p_back))),
            "recurs_lost": (none, on * (self.p_lost * self.p_back)),
        }

    def _after_bleed(self, part: int, years: IntArray, gastric: FloatArray, other: FloatArray) -> Factors:
        raised = self.excess_spans is None or 0 < part <= self.excess_spans
        multiple = self.hr_death_after_bleed if raised else ONE
        events, none = self.compete(
            {
                "gastric_rebleed": gastric,
                "other_rebleed": other * self.hr_rebleed[int(part != 1)],
                "transplant": self.transplant,
                "other_death": self.background(years) + self.excess * multiple,
            }
        )
        return events | {"ages": (none, ONE)}


class CourseHazards(CourseMoves, Hazards):
    """Move probabilities of every lane, by model year, for the states of :func:`build_course_structure`."""

    def __init__(self, inputs: ModelInputs, course: CourseInputs) -> None:
        super().__init__(inputs)
        self.hr_closed, self.hr_open = by_strategy(course.hr_obliterated), by_strategy(course.hr_patent)
        self.hr_other, self.p_obliteration = by_strategy(inputs.strategies.hr_other), by_strategy(inputs.strategies.p_obliteration)
        r_lost = np.where(np.array(inputs.strategies.starts_in) == "in_course", inputs.strategies.r_lost, 0.0)
        self.p_back, self.p_lost = (by_strategy(within_a_month(rate)) for rate in (course.r_recurrence, r_lost))
        self.p_stop = [by_strategy(within_a_month(course.r_stop[:, :, step])) for step in range(len(STOP_STEPS))]
        self.r_gastric_rebleed, self.r_other_rebleed = by_strategy(course.r_gastric_rebleed), by_strategy(course.r_other_rebleed)
        self.r_other_alone, self.excess_spans = by_draw(course.r_other_rebleed_alone), course.excess_spans
        self.hr_rebleed = by_draw(course.hr_rebleed_by_time[:, 0]), by_draw(course.hr_rebleed_by_time[:, 1])
        self.events = {}

    def years(self, first: int, end: int) -> FloatArray:
        """Probability of each move, several years at once: (year, move, lane), lanes in order (strategy, cell, draw)."""
        self.events.clear()
        return super().years(first, end)

    def stops(self, years: IntArray) -> FloatArray:
        """Probability within a month of stopping a drug: (year, strategy, 1, draw)."""
        steps = np.searchsorted(STOP_STEPS, years, side="right") - 1
        return np.concatenate([np.broadcast_arrays(*self.p_stop)[step] for step in steps])


def _product(factors: tuple[FloatArray, FloatArray]) -> FloatArray:
    return factors[0] * factors[1]
