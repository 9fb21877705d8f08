"""The disease model: from resolved inputs to the probability of every move in every model year.

Rates are per patient-year and constant within a model year. Moves out of a state compete within a cycle of length D
years: ``p_j = (r_j / R)(1 - exp(-R D))``. Arrays are (year, strategy, cell, draw) and broadcast: the draws lie together
in memory, and what does not differ between strategies or cells is worked out once.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from econmodel.model.inputs import ModelInputs
from econmodel.model.natural_history import TIME_STEPS

FloatArray = NDArray[np.float64]
CYCLES_PER_YEAR = 12
CYCLE_YEARS = 1.0 / CYCLES_PER_YEAR
Probabilities = dict[str, FloatArray]
Factors = dict[str, tuple[FloatArray, FloatArray]]
ONE = np.ones((1, 1, 1, 1))


def competing(rates: Mapping[str, FloatArray], cycle_years: float = CYCLE_YEARS) -> tuple[Probabilities, FloatArray]:
    """Probabilities of competing events within a cycle.

    Parameters
    ----------
    rates
        Rate per year of each event.
    cycle_years
        Cycle length in years.

    Returns
    -------
    probabilities
        By event, as ``rates``.
    none
        Probability of no event.

    Examples
    --------
    >>> p, none = competing({"a": np.array(0.2), "b": np.array(0.2)}, 1.0)
    >>> round(float(p["a"]), 6), round(float(none), 6)
    (0.16484, 0.67032)
    """
    per_rate, none = per_unit_rate(sum_narrow_first(rates), cycle_years)
    return {kind: np.asarray(rate * per_rate) for kind, rate in rates.items()}, none


def per_unit_rate(total: FloatArray, cycle_years: float = CYCLE_YEARS) -> tuple[FloatArray, FloatArray]:
    """Probability of an event per unit of its rate, ``(1 - exp(-R D)) / R``, and the probability of none."""
    any_event = -np.expm1(total * -cycle_years)
    none = 1.0 - any_event
    if total.min(initial=1.0) > 0:
        return np.asarray(np.divide(any_event, total, out=any_event if any_event.ndim else None)), none
    return np.divide(any_event, total, out=np.full_like(any_event, cycle_years), where=total > 0), none


def sum_narrow_first(rates: Mapping[str, FloatArray]) -> FloatArray:
    """Sum rates, those that vary least first, so that few additions run over every lane."""
    total = np.zeros(())
    for rate in sorted(map(np.asarray, rates.values()), key=np.size):
        total = total + rate
    return np.asarray(total)


def waning(years_since: NDArray[np.int64], full: FloatArray, none: FloatArray) -> FloatArray:
    """Share of a treatment's effect, on the log scale, that is left in a model year: 1 falling to 0.

    ``1 - clip((y + 0.5 - full) / (none - full), 0, 1)``; equal years are a step.
    """
    past, span = years_since + 0.5 - full, none - full
    ramp = np.divide(past, span, out=np.where(past > 0, 1.0, np.zeros_like(span)), where=span > 0)
    return np.asarray(1.0 - np.clip(ramp, 0.0, 1.0))


class Hazards:
    """Move probabilities of the disease model, by model year.

    Parameters
    ----------
    inputs
        Resolved inputs of any number of draws.
    hr_complete
        Bleeding rate of a complete course relative to none, (draw, strategy); only per protocol.
    """

    def __init__(self, inputs: ModelInputs, hr_complete: FloatArray | None = None) -> None:
        self.inputs = inputs
        s = inputs.strategies
        self.shape = (len(s.keys), inputs.relative.shape[1], inputs.n_draws)
        self.per_protocol = inputs.effect_basis == "per_protocol"
        self.has_course = np.array([start == "in_course" for start in s.starts_in])
        hr_complete = s.hr_gastric if hr_complete is None else hr_complete
        incomplete = np.where(self.has_course, np.minimum(1.0, hr_complete * inputs.hr_incomplete[:, None]), 1.0)
        self.log_hr = {
            "gastric": by_strategy(np.log(s.hr_gastric)),
            "other": by_strategy(np.log(s.hr_other)),
            "complete": by_strategy(np.log(hr_complete)),
            "incomplete": by_strategy(np.log(incomplete)),
        }
        self.effect_years = by_strategy(s.effect_full_years), by_strategy(s.effect_none_years)
        self.transplant, self.excess = self._by_cell(inputs.r_transplant), self._by_cell(inputs.excess_death)
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
        found = {state.key: self._state(state.family, state.part, years) for state in structure.states}
        for m, move in enumerate(structure.moves):
            np.multiply(*found[move.source][move.kind], out=probability[:, m])
        self._close_inactive_finishes(probability, years)
        return probability.reshape(end - first, len(structure.moves), -1)

    def _close_inactive_finishes(self, probability: FloatArray, years: NDArray[np.int64]) -> None:
        """Courses end in the part of ``protected`` that carries the current year."""
        parts = {state.key: state.part for state in self.inputs.structure.states if state.family == "protected"}
        if len(parts) > 1:
            for m in self.inputs.structure.kinds("finish"):
                probability[years != parts[self.inputs.structure.moves[m].target], m] = 0.0

    def _state(self, family: str, part: int, years: NDArray[np.int64]) -> Factors:
        """Probability of each move out of a state, as two factors."""
        match family:
            case "at_risk":
                effect = self._effect("incomplete", years) if self.per_protocol else ONE
                return compete(self._never_bled(effect, ONE, years))[0]
            case "in_course":
                return self._in_course(years)
            case "protected":
                return self._protected(part, years)
            case "bleeding":
                return self._acute(self._by_cell(self.inputs.p_death_bleed))
            case "rebleeding":
                return self._acute(by_draw(self.inputs.rr_death_rebleed) * self._by_cell(self.inputs.p_death_bleed))
            case "post_bleed":
                return self._post_bleed(part, years)
            case "transplanted":
                excess = by_draw(self.inputs.excess_death_transplanted)
                return compete({"other_death": self._background(years) + excess})[0]
        return {}

    def _background(self, years: NDArray[np.int64]) -> FloatArray:
        return self.inputs.background_death.T[years, None, None, :]

    def _by_cell(self, by_child: FloatArray) -> FloatArray:
        return by_child.T[None, None, self.inputs.child_of_cell]

    def _effect(self, of: str, years_since: NDArray[np.int64]) -> FloatArray:
        """Hazard ratio in model years, ``HR ** share left``: (year, strategy, 1, draw); states share it."""
        key = of, years_since.tobytes()
        if key not in self._effects:
            left = waning(years_since[:, None, None, None], *self.effect_years)
            self._effects[key] = np.exp(left * self.log_hr[of])
        return self._effects[key]

    def gastric_rate(self, year: int) -> FloatArray:
        """Untreated rate of a first gastric bleed: (draw, 1, cell)."""
        return np.moveaxis(self.gastric_rates(np.array([year]))[0], 2, 0)

    def gastric_rates(self, years: NDArray[np.int64]) -> FloatArray:
        """Untreated rate of a first gastric bleed, several years at once: (year, 1, cell, draw)."""
        step = np.searchsorted(TIME_STEPS, years, side="right") - 1
        return np.asarray(self.inputs.first_bleed_time.T[step, None, None, :] * self.first_bleed)

    def _never_bled(self, gastric: FloatArray, other: FloatArray, years: NDArray[np.int64]) -> dict[str, FloatArray]:
        return {
            "gastric_bleed": self.gastric_rates(years) * gastric,
            "other_bleed": by_draw(self.inputs.r_other_bleed) * other,
            "transplant": self.transplant,
            "other_death": self._background(years) + self.excess,
        }

    def _in_course(self, years: NDArray[np.int64]) -> Factors:
        s = self.inputs.strategies
        since = np.zeros_like(years) if self.inputs.effect_clock == "last_course" else years
        effects = (ONE, ONE) if self.per_protocol else (self._effect("gastric", since), self._effect("other", since))
        death, done = by_strategy(s.p_death_course / s.sessions_mean), by_strategy(1.0 / s.sessions_mean)
        events, none = compete(self._never_bled(*effects, years), 1.0 - death)
        complete = by_strategy(s.p_obliteration) if self.per_protocol else ONE
        return events | {
            "procedure_death": (death, ONE),
            "finish": (none, (1.0 - death) * done * complete),
            "failed": (none, (1.0 - death) * done * (1.0 - complete)),
        }

    def _protected(self, part: int, years: NDArray[np.int64]) -> Factors:
        s = self.inputs.strategies
        since = np.maximum(years - part, 0) if self.inputs.effect_clock == "last_course" else years
        gastric = self._effect("complete" if self.per_protocol else "gastric", since)
        rates = self._never_bled(gastric, self._effect("other", since), years)
        rates["retreat"] = s.r_retreat[:, :, np.minimum(years, 1)].T[:, :, None, :]
        if self.per_protocol:
            rates["protection_lost"] = by_strategy(self.inputs.r_protection_lost[:, None] * self.has_course)
        return compete(rates)[0]

    def _acute(self, fatality: FloatArray) -> Factors:
        early = by_draw(self.inputs.p_early_rebleed)
        return {"bleed_death": (fatality, ONE), "early_rebleed": (1.0 - fatality, early), "recover": (1.0 - fatality, 1.0 - early)}

    def _post_bleed(self, part: int, years: NDArray[np.int64]) -> Factors:
        i = self.inputs
        split = len(i.structure.family("post_bleed")) > 1
        multiple = by_draw(i.hr_death_after_bleed) if not split or part > 0 else ONE
        rates = {
            "late_rebleed": by_strategy(i.strategies.r_late_rebleed),
            "transplant": self.transplant,
            "other_death": self._background(years) + self.excess * multiple,
        }
        events, none = compete(rates)
        return events | {"ages": (none, ONE)}


def compete(rates: Mapping[str, FloatArray], share: FloatArray = ONE) -> tuple[Factors, FloatArray]:
    """Competing events of the ``share`` still there, each as rate and probability per unit of rate; and none."""
    per_rate, none = per_unit_rate(sum_narrow_first(rates))
    if share is not ONE:
        per_rate = per_rate * share
    return {kind: (rate, per_rate) for kind, rate in rates.items()}, none


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
