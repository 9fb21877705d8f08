"""Move probabilities where treatment works, and stops working, by what happens to the varix.

One month is one move. In order: a session for everyone in a course, its deaths and the courses it ends; then competing
events; then, for those who had none, recurrence, loss to follow-up or the stop of a drug, each independent of the others.
Visits come before all this; they are impulses of the engine (``model/attendance.py``).
"""

from __future__ import annotations

import numpy as np

from econmodel.model.course import STOP_STEPS, CourseInputs
from econmodel.model.hazards import CYCLE_YEARS, ONE, Factors, FloatArray, Hazards, IntArray, by_draw, by_strategy
from econmodel.model.inputs import ModelInputs

EVENTS = ("gastric_bleed", "other_bleed", "transplant", "other_death")


def within_a_month(rate: FloatArray) -> FloatArray:
    """Probability of something within a month that nothing competes with."""
    return -np.expm1(rate * -CYCLE_YEARS)


def hazards_of(inputs: ModelInputs, hr_complete: FloatArray | None = None) -> Hazards:
    """Hazards of the basis chosen; ``hr_complete`` as for :class:`~econmodel.model.hazards.Hazards`."""
    return Hazards(inputs, hr_complete) if inputs.course is None else CourseHazards(inputs, inputs.course)


class CourseHazards(Hazards):
    """Move probabilities of every lane, by model year, for the states of :func:`build_course_structure`."""

    def __init__(self, inputs: ModelInputs, course: CourseInputs) -> None:
        super().__init__(inputs)
        self.course = course
        self.hr_closed, self.hr_open = by_strategy(course.hr_obliterated), by_strategy(course.hr_patent)
        self.hr_other = by_strategy(inputs.strategies.hr_other)
        self.p_back, self.p_lost = (by_strategy(within_a_month(rate)) for rate in (course.r_recurrence, course.r_lost))
        self.p_stop = [by_strategy(within_a_month(course.r_stop[:, :, step])) for step in range(len(STOP_STEPS))]
        self.r_gastric_rebleed, self.r_other_rebleed = by_strategy(course.r_gastric_rebleed), by_strategy(course.r_other_rebleed)
        self.r_other_alone = by_draw(course.r_other_rebleed_alone)
        self._events: dict[str, tuple[Factors, FloatArray]] = {}

    def years(self, first: int, end: int) -> FloatArray:
        """Probability of each move, several years at once: (year, move, lane), lanes in order (strategy, cell, draw)."""
        self._events.clear()
        return super().years(first, end)

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
            case "bleeding" | "bleeding_other":
                return self._acute(self.p_death_bleed)
            case "rebleeding" | "rebleeding_other":
                return self._acute(self.p_death_rebleed)
            case "post_bleed":
                return self._after_bleed(part, years, self.r_gastric_rebleed * self._by_time(part), self.r_other_rebleed)
            case "post_other":
                return self._after_bleed(part, years, self.gastric_rates(years) * self.hr_closed, self.r_other_alone)
        return super().chances(family, part, years)

    def _compete(self, varix: str, years: IntArray) -> tuple[Factors, FloatArray]:
        """Competing events of the never-bled whose varix is untreated, open or closed, and none of them."""
        if varix not in self._events:
            gastric = {"untreated": ONE, "open": self.hr_open, "closed": self.hr_closed}[varix]
            rates = self._never_bled(gastric, self.hr_other if varix == "closed" else ONE, years)
            if varix == "closed":
                rates["other_death"] = self.background(years) + self.excess * self.hr_excess_death
            self._events[varix] = self.compete(rates)
        return self._events[varix]

    def _course(self, years: IntArray) -> Factors:
        """A session, then the month of whoever is still under way, closed or not closed."""
        death, done, success = self.p_death_session, self.p_last_session, self.p_obliteration
        (opened, no_open), (closed, no_closed) = self._compete("open", years), self._compete("closed", years)
        w_closed, w_failed = (1.0 - death) * done * success, (1.0 - death) * done * (1.0 - success)
        w_open = 1.0 - death - w_closed
        moves: Factors = {kind: (_product(opened[kind]) * w_open + _product(closed[kind]) * w_closed, ONE) for kind in EVENTS}
        stays_closed, back = no_closed * (w_closed * (1.0 - self.p_back)), no_closed * (w_closed * self.p_back)
        not_closed = no_open * w_failed + back
        return moves | {
            "procedure_death": (death, ONE),
            "finish": (stays_closed, 1.0 - self.p_lost),
            "lost": (stays_closed, self.p_lost),
            "failed": (not_closed, 1.0 - self.p_lost),
            "recurs_lost": (not_closed, self.p_lost),
        }

    def _closed(self, years: IntArray) -> Factors:
        events, none = self._compete("closed", years)
        stop = np.concatenate([self.p_stop[step] for step in np.searchsorted(STOP_STEPS, years, side="right") - 1])
        on = 1.0 - stop
        return events | {
            "stops": (none, stop),
            "recurs": (none, on * (self.p_back * (1.0 - self.p_lost))),
            "lost": (none, on * (self.p_lost * (1.0 - self.p_back))),
            "recurs_lost": (none, on * (self.p_lost * self.p_back)),
        }

    def _by_time(self, part: int) -> FloatArray:
        """Late rebleeding relative to its mean: ``part`` tells the first months after a bleed from later ones."""
        return by_draw(self.course.hr_rebleed_by_time[:, 0 if part else 1])

    def _after_bleed(self, part: int, years: IntArray, gastric: FloatArray, other: FloatArray) -> Factors:
        multiple = self.hr_death_after_bleed if part or not self.course.excess_recent_only else ONE
        events, none = self.compete(
            {
                "gastric_rebleed": gastric,
                "other_rebleed": other * self._by_time(part),
                "transplant": self.transplant,
                "other_death": self.background(years) + self.excess * multiple,
            }
        )
        return events | {"ages": (none, ONE)}


def _product(factors: tuple[FloatArray, FloatArray]) -> FloatArray:
    return factors[0] * factors[1]
