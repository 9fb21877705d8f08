"""The disease model: from resolved inputs to the probability of every move in every model year.

Rates are per patient-year and constant within a model year. Moves out of a state compete within a cycle of length D
years: ``p_j = (r_j / R)(1 - exp(-R D))``. Arrays are (draw, strategy, cell) and broadcast.
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


def competing(rates: Mapping[str, FloatArray], cycle_years: float = CYCLE_YEARS) -> tuple[dict[str, FloatArray], FloatArray]:
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
    total = np.asarray(sum(rates.values()))
    any_event = -np.expm1(-total * cycle_years)
    per_rate = np.divide(any_event, total, out=np.full_like(any_event, cycle_years), where=total > 0)
    return {kind: np.asarray(rate * per_rate) for kind, rate in rates.items()}, 1.0 - any_event


def waned(hr: FloatArray, years_since: float, full: FloatArray, none: FloatArray) -> FloatArray:
    """Hazard ratio in a model year: ``HR^(1-w)``, w rising from 0 at ``full`` to 1 at ``none`` years.

    ``w = clip((y + 0.5 - full) / (none - full), 0, 1)``; equal years are a step.
    """
    middle, span = years_since + 0.5, none - full
    ramp = np.divide(middle - full, span, out=np.where(middle > full, 1.0, 0.0), where=span > 0)
    return np.asarray(hr ** (1.0 - np.clip(ramp, 0.0, 1.0)))


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
        self.shape = (inputs.n_draws, len(s.keys), inputs.relative.shape[1])
        self.per_protocol = inputs.effect_basis == "per_protocol"
        self.has_course = np.array([start == "in_course" for start in s.starts_in])
        self.hr_complete = s.hr_gastric if hr_complete is None else hr_complete

    def year(self, year: int) -> FloatArray:
        """Probability of each move in a model year: (move, lane), lanes in order (draw, strategy, cell)."""
        structure = self.inputs.structure
        probability = np.empty((len(structure.moves), *self.shape))
        by_state = {state.key: self._state(state.family, state.part, year) for state in structure.states}
        for m, move in enumerate(structure.moves):
            probability[m] = by_state[move.source][move.kind]
        for m in self._inactive_finishes(year):
            probability[m] = 0.0
        return probability.reshape(len(structure.moves), -1)

    def _inactive_finishes(self, year: int) -> list[int]:
        """Courses end in the part of ``protected`` that carries the current year."""
        parts = {state.key: state.part for state in self.inputs.structure.states if state.family == "protected"}
        if len(parts) == 1:
            return []
        moves = self.inputs.structure.moves
        return [m for m in self.inputs.structure.kinds("finish") if parts[moves[m].target] != year]

    def _state(self, family: str, part: int, year: int) -> dict[str, FloatArray]:
        match family:
            case "at_risk":
                return competing(self._never_bled(*self._at_risk_effect(year), year))[0]
            case "in_course":
                return self._in_course(year)
            case "protected":
                return self._protected(part, year)
            case "bleeding":
                return self._acute(self._fatality(1.0))
            case "rebleeding":
                return self._acute(self._fatality(self.inputs.rr_death_rebleed[:, None, None]))
            case "post_bleed":
                return self._post_bleed(part, year)
            case "transplanted":
                excess = self.inputs.excess_death_transplanted[:, None, None]
                return competing({"other_death": self._background(year) + excess})[0]
        return {}

    def _background(self, year: int) -> FloatArray:
        return self.inputs.background_death[:, year, None, None]

    def _by_cell(self, by_child: FloatArray) -> FloatArray:
        return by_child[:, None, self.inputs.child_of_cell]

    def _effect(self, hr: FloatArray, years_since: int) -> FloatArray:
        s = self.inputs.strategies
        return waned(hr, years_since, s.effect_full_years, s.effect_none_years)[:, :, None]

    def gastric_rate(self, year: int) -> FloatArray:
        """Untreated rate of a first gastric bleed: (draw, 1, cell)."""
        i = self.inputs
        step = int(np.searchsorted(TIME_STEPS, year, side="right")) - 1
        return np.asarray((i.r_first_bleed * i.first_bleed_time[:, step])[:, None, None] * i.relative[:, None, :])

    def _never_bled(self, gastric: FloatArray, other: FloatArray, year: int) -> dict[str, FloatArray]:
        i = self.inputs
        return {"gastric_bleed": self.gastric_rate(year) * gastric,
                "other_bleed": i.r_other_bleed[:, None, None] * other,
                "transplant": self._by_cell(i.r_transplant),
                "other_death": self._background(year) + self._by_cell(i.excess_death)}

    def _at_risk_effect(self, year: int) -> tuple[FloatArray, FloatArray]:
        one = np.ones((1, 1, 1))
        if not self.per_protocol:
            return one, one
        incomplete = np.minimum(1.0, self.hr_complete * self.inputs.hr_incomplete[:, None])
        return self._effect(np.where(self.has_course, incomplete, 1.0), year), one

    def _in_course(self, year: int) -> dict[str, FloatArray]:
        s, one = self.inputs.strategies, np.ones((1, 1, 1))
        since = 0 if self.inputs.effect_clock == "last_course" else year
        effects = (one, one) if self.per_protocol else (self._effect(s.hr_gastric, since), self._effect(s.hr_other, since))
        events, none = competing(self._never_bled(*effects, year))
        death = (s.p_death_course / s.sessions_mean)[:, :, None]
        done = (1.0 / s.sessions_mean)[:, :, None]
        complete = s.p_obliteration[:, :, None] if self.per_protocol else one
        after = {kind: (1.0 - death) * p for kind, p in events.items()}
        finish = (1.0 - death) * none * done
        return after | {"procedure_death": death, "finish": finish * complete, "failed": finish * (1.0 - complete)}

    def _protected(self, part: int, year: int) -> dict[str, FloatArray]:
        s = self.inputs.strategies
        since = year - part if self.inputs.effect_clock == "last_course" else year
        hr = self.hr_complete if self.per_protocol else s.hr_gastric
        rates = self._never_bled(self._effect(hr, max(since, 0)), self._effect(s.hr_other, max(since, 0)), year)
        rates["retreat"] = s.r_retreat[:, :, min(year, 1), None]
        if self.per_protocol:
            rates["protection_lost"] = (self.inputs.r_protection_lost[:, None] * self.has_course)[:, :, None]
        return competing(rates)[0]

    def _fatality(self, multiple: FloatArray | float) -> FloatArray:
        return np.asarray(multiple * self._by_cell(self.inputs.p_death_bleed))

    def _acute(self, fatality: FloatArray) -> dict[str, FloatArray]:
        early = self.inputs.p_early_rebleed[:, None, None]
        return {"bleed_death": fatality, "early_rebleed": (1.0 - fatality) * early,
                "recover": (1.0 - fatality) * (1.0 - early)}

    def _post_bleed(self, part: int, year: int) -> dict[str, FloatArray]:
        i = self.inputs
        split = len(i.structure.family("post_bleed")) > 1
        raised = not split or part > 0
        multiple = i.hr_death_after_bleed[:, None, None] if raised else 1.0
        rates = {"late_rebleed": i.strategies.r_late_rebleed[:, :, None],
                 "transplant": self._by_cell(i.r_transplant),
                 "other_death": self._background(year) + self._by_cell(i.excess_death) * multiple}
        events, none = competing(rates)
        return events | {"ages": none}
