"""The disease model: from resolved inputs to the probability of every move in every model year.

Rates are per patient-year and constant within a model year. Moves out of a state compete within a cycle of length D
years: ``p_j = (r_j / R)(1 - exp(-R D))``. Arrays are (year, strategy, cell, draw) and broadcast: the draws lie together
in memory, and what does not differ between strategies or cells is worked out once.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from econmodel.model.inputs import ModelInputs
from econmodel.model.natural_history import TIME_STEPS

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
CYCLES_PER_YEAR = 12
CYCLE_YEARS = 1.0 / CYCLES_PER_YEAR
Factors = dict[str, tuple[FloatArray, FloatArray]]
ONE = np.ones((1, 1, 1, 1))
SUM_OF_RATES, PER_UNIT = "Sum of rates", "Chance per unit of rate"


def per_unit_rate(total: FloatArray, cycle_years: float = CYCLE_YEARS) -> tuple[FloatArray, FloatArray]:
    """Probability of an event per unit of its rate within a cycle, ``(1 - exp(-R D)) / R``, and the probability of none.

    Examples
    --------
    >>> per_rate, none = per_unit_rate(np.array([0.2 + 0.2]), 1.0)
    >>> round(float(0.2 * per_rate[0]), 6), round(float(none[0]), 6)
    (0.16484, 0.67032)
    """
    any_event = -np.expm1(total * -cycle_years)
    none = 1.0 - any_event
    if total.min(initial=1.0) > 0:
        return np.divide(any_event, total, out=any_event if any_event.ndim else None), none
    return np.divide(any_event, total, out=np.full_like(any_event, cycle_years), where=total > 0), none


def sum_narrow_first(rates: Mapping[str, FloatArray]) -> FloatArray:
    """Sum rates, those that vary least first, so that few additions run over every lane."""
    total: FloatArray = np.zeros(())
    for rate in sorted(rates.values(), key=np.size):
        total = total + rate
    return total


def waning(years_since: FloatArray | NDArray[np.int64], full: FloatArray, none: FloatArray) -> FloatArray:
    """Share of a treatment's effect, on the log scale, that is left in a model year: 1 falling to 0.

    ``1 - clip((y + 0.5 - full) / (none - full), 0, 1)``; equal years are a step.
    """
    past, span = years_since + 0.5 - full, none - full
    ramp = np.divide(past, span, out=np.where(past > 0, 1.0, np.zeros_like(span)), where=span > 0)
    return 1.0 - np.clip(ramp, 0.0, 1.0)


def effect_left(left: FloatArray, log_hr: FloatArray) -> FloatArray:
    """Hazard ratio of which the share ``left`` still acts on the log scale."""
    return np.exp(left * log_hr)


class DiseaseMoves(ABC):
    """What leaves each state, and how likely: declared once, on whatever stands for the quantities.

    Here they are arrays; in the live workbook they are cells, and the same lines then write its formulas. A quantity that
    depends on time is asked for with ``years``. ``keep`` is told of the steps on the way and may put them down.
    """

    transplant: FloatArray
    excess: FloatArray
    hr_excess_death: FloatArray
    excess_transplanted: FloatArray
    r_other_bleed: FloatArray
    hr_death_after_bleed: FloatArray
    r_late_rebleed: FloatArray
    p_death_bleed: FloatArray
    p_death_rebleed: FloatArray
    p_early_rebleed: FloatArray
    p_death_session: FloatArray
    p_last_session: FloatArray
    split_post_bleed: bool

    @abstractmethod
    def gastric_rates(self, years: IntArray) -> FloatArray:
        """Untreated rate of a first gastric bleed."""

    @abstractmethod
    def background(self, years: IntArray) -> FloatArray:
        """Rate of death of the general population."""

    @abstractmethod
    def effect(self, of: str, years: IntArray, course_in: int | None) -> FloatArray:
        """Hazard ratio ``of`` an effect; ``course_in`` is the year in which the last course ended (None: under way)."""

    @abstractmethod
    def retreatment(self, years: IntArray) -> FloatArray:
        """Rate of re-treatment."""

    def keep(self, step: str, value: FloatArray) -> FloatArray:
        """Take note of a step on the way."""
        return value

    def chances(self, family: str, part: int, years: IntArray) -> Factors:
        """Probability within a cycle of each move out of a state, as two factors."""
        match family:
            case "at_risk":
                return self.compete(self._never_bled(ONE, ONE, years))[0]
            case "in_course":
                return self._in_course(years)
            case "protected":
                return self._protected(part, years)
            case "bleeding":
                return self._acute(self.p_death_bleed)
            case "rebleeding":
                return self._acute(self.p_death_rebleed)
            case "post_bleed":
                return self._post_bleed(part, years)
            case "transplanted":
                return self.compete({"other_death": self.background(years) + self.excess_transplanted})[0]
        return {}

    def compete(self, rates: Mapping[str, FloatArray], share: FloatArray = ONE) -> tuple[Factors, FloatArray]:
        """Competing events of the ``share`` still there, each as rate and probability per unit of rate; and none."""
        total = self.keep(SUM_OF_RATES, sum_narrow_first(rates))
        per_rate, none = per_unit_rate(total)
        if share is not ONE:
            per_rate = per_rate * share
        per_rate = self.keep(PER_UNIT, per_rate)
        return {kind: (rate, per_rate) for kind, rate in rates.items()}, none

    def _never_bled(self, gastric: FloatArray, other: FloatArray, years: IntArray) -> dict[str, FloatArray]:
        return {
            "gastric_bleed": self.gastric_rates(years) * gastric,
            "other_bleed": self.r_other_bleed * other,
            "transplant": self.transplant,
            "other_death": self.background(years) + self.excess,
        }

    def _in_course(self, years: IntArray) -> Factors:
        death, done = self.p_death_session, self.p_last_session
        effects = self.effect("gastric", years, None), self.effect("other", years, None)
        events, none = self.compete(self._never_bled(*effects, years), 1.0 - death)
        return events | {"procedure_death": (death, ONE), "finish": (none, (1.0 - death) * done)}

    def _protected(self, part: int, years: IntArray) -> Factors:
        rates = self._never_bled(self.effect("gastric", years, part), self.effect("other", years, part), years)
        rates["other_death"] = self.background(years) + self.excess * self.hr_excess_death
        rates["retreat"] = self.retreatment(years)
        return self.compete(rates)[0]

    def _acute(self, fatality: FloatArray, recover: str = "recover") -> Factors:
        early = self.p_early_rebleed
        return {"bleed_death": (fatality, ONE), "early_rebleed": (1.0 - fatality, early), recover: (1.0 - fatality, 1.0 - early)}

    def _post_bleed(self, part: int, years: IntArray) -> Factors:
        multiple = self.hr_death_after_bleed if not self.split_post_bleed or part > 0 else ONE
        rates = {
            "late_rebleed": self.r_late_rebleed,
            "transplant": self.transplant,
            "other_death": self.background(years) + self.excess * multiple,
        }
        events, none = self.compete(rates)
        return events | {"ages": (none, ONE)}


class Hazards(DiseaseMoves):
    """Move probabilities of every lane, by model year.

    Parameters
    ----------
    inputs
        Resolved inputs of any number of draws.
    """

    def __init__(self, inputs: ModelInputs) -> None:
        self.inputs = inputs
        s = inputs.strategies
        self.shape = (len(s.keys), inputs.relative.shape[1], inputs.n_draws)
        self.log_hr = {"gastric": by_strategy(np.log(s.hr_gastric)), "other": by_strategy(np.log(s.hr_other))}
        self.effect_years = by_strategy(s.effect_full_years), by_strategy(s.effect_none_years)
        self.transplant, self.excess = self._by_cell(inputs.r_transplant), self._by_cell(inputs.excess_death)
        self.hr_excess_death = by_strategy(s.hr_excess_death)
        self.excess_transplanted = by_draw(inputs.excess_death_transplanted)
        self.r_other_bleed, self.hr_death_after_bleed = by_draw(inputs.r_other_bleed), by_draw(inputs.hr_death_after_bleed)
        self.r_late_rebleed = by_strategy(s.r_late_rebleed)
        self.p_death_bleed, self.p_death_rebleed = self._by_cell(inputs.p_death_bleed), self._by_cell(inputs.p_death_rebleed)
        self.p_early_rebleed = by_draw(inputs.p_early_rebleed)
        self.p_death_session, self.p_last_session = by_strategy(s.p_death_course / s.sessions_mean), by_strategy(1.0 / s.sessions_mean)
        self.split_post_bleed = len(inputs.structure.family("post_bleed")) > 1
        self.first_bleed = by_draw(inputs.r_first_bleed) * inputs.relative.T[None, None]
        self._effects: dict[tuple[str, bytes], FloatArray] = {}

    def year(self, year: int) -> FloatArray:
        """Probability of each move in a model year: (move, lane), lanes in order (draw, strategy, cell)."""
        p = self.years(year, year + 1).reshape(len(self.inputs.structure.moves), *self.shape)
        return np.ascontiguousarray(np.moveaxis(p, 3, 1)).reshape(len(p), -1)

    def years(self, first: int, end: int) -> FloatArray:
        """Probability of each move, several years at once: (year, move, lane), lanes in order (strategy, cell, draw)."""
        structure, years = self.inputs.structure, np.arange(first, end)
        probability = np.empty((end - first, len(structure.moves), *self.shape))
        self._effects.clear()
        found = {state.key: self.chances(state.family, state.part, years) for state in structure.states}
        for m, move in enumerate(structure.moves):
            np.multiply(*found[move.source][move.kind], out=probability[:, m])
        self._close_inactive_finishes(probability, years)
        return probability.reshape(end - first, len(structure.moves), -1)

    def _close_inactive_finishes(self, probability: FloatArray, years: IntArray) -> None:
        """Courses end in the part of ``protected`` that carries the current year."""
        parts = {state.key: state.part for state in self.inputs.structure.states if state.family == "protected"}
        if len(parts) > 1:
            for m in self.inputs.structure.kinds("finish"):
                probability[years != parts[self.inputs.structure.moves[m].target], m] = 0.0

    def background(self, years: IntArray) -> FloatArray:
        """Rate of death of the general population: (year, 1, 1, draw)."""
        return self.inputs.background_death.T[years, None, None, :]

    def _by_cell(self, by_child: FloatArray) -> FloatArray:
        return by_child.T[None, None, self.inputs.child_of_cell]

    def effect(self, of: str, years: IntArray, course_in: int | None) -> FloatArray:
        """Hazard ratio in model years, ``HR ** share left``: (year, strategy, 1, draw); states share it."""
        restarts = self.inputs.effect_clock == "last_course"
        since = years if not restarts else np.zeros_like(years) if course_in is None else np.maximum(years - course_in, 0)
        key = of, since.tobytes()
        if key not in self._effects:
            self._effects[key] = effect_left(waning(since[:, None, None, None], *self.effect_years), self.log_hr[of])
        return self._effects[key]

    def retreatment(self, years: IntArray) -> FloatArray:
        """Rate of re-treatment: (year, strategy, 1, draw)."""
        return self.inputs.strategies.r_retreat[:, :, np.minimum(years, 1)].T[:, :, None, :]

    def gastric_rates(self, years: IntArray) -> FloatArray:
        """Untreated rate of a first gastric bleed, several years at once: (year, 1, cell, draw)."""
        step = np.searchsorted(TIME_STEPS, years, side="right") - 1
        return np.asarray(self.inputs.first_bleed_time.T[step, None, None, :] * self.first_bleed)


def by_draw(array: FloatArray) -> FloatArray:
    """Give (draw,) as (1, 1, 1, draw)."""
    return array[None, None, None, :]


def by_strategy(array: FloatArray) -> FloatArray:
    """Give (draw, strategy) as (1, strategy, 1, draw), with length 1 where strategies, or draws, do not differ."""
    if (array == array[:, :1]).all():
        array = array[:, :1]
    if (array == array[:1]).all():
        array = array[:1]
    return np.ascontiguousarray(array.T)[None, :, None, :]
