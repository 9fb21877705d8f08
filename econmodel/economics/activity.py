"""Activity: what the cohort's sums mean for the service, before any money or utility.

Counts have axes (weighting, period, draw, strategy, group); group 0 is all patients, share-weighted.
Weightings are undiscounted, discounted at the rate of costs, and at the rate of outcomes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from econmodel.errors import ModelError
from econmodel.model.cohort import CohortTotals
from econmodel.model.inputs import ModelInputs, Values
from econmodel.model.structure import NEVER_BLED, STATE_LABELS, Structure
from econmodel.parameters.catalogue import COMPLICATIONS, SESSION_KINDS, STAYS, VISIT_KINDS
from econmodel.parameters.parameter_set import ParameterSet

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Activity:
    """Counts by name; ``report_years`` is the end of each period, in years from the start."""

    strategies: tuple[str, ...]
    groups: tuple[str, ...]
    report_years: tuple[int, ...]
    weightings: tuple[int, ...]
    counts: Mapping[str, FloatArray]
    state_years: Mapping[str, FloatArray]

    def total(self, name: str, weighting: int = 0, years: int | None = None) -> FloatArray:
        """Sum of one count over the first ``years`` (None: all): (draw, strategy, group)."""
        return np.asarray(self.by_period(name, weighting)[: self.periods_within(years)].sum(axis=0))

    def by_period(self, name: str, weighting: int = 0) -> FloatArray:
        """One count in each period: (period, draw, strategy, group)."""
        source = self.counts[name] if name in self.counts else self.state_years[name]
        return np.asarray(source[self.weightings[weighting]])

    def periods_within(self, years: int | None) -> int:
        """Count the periods that end by a year."""
        return len(self.report_years) if years is None else sum(y <= years for y in self.report_years)


@dataclass(frozen=True)
class ActivityRates:
    """What one cohort event brings in activity; arrays are (draw, strategy) or (draw,)."""

    coils: FloatArray
    glue_ml: FloatArray
    complications: Mapping[str, FloatArray]
    p_icu: FloatArray
    icu_days: FloatArray
    stay_days: FloatArray
    red_cells: FloatArray
    p_rescue: FloatArray
    p_readmission: FloatArray
    secondary_sessions: FloatArray
    clinic_never_bled: FloatArray
    clinic_post_bleed: FloatArray
    stay_days_session: FloatArray
    stay_days_complication: FloatArray


def resolve_activity_rates(parameters: ParameterSet, v: Values) -> ActivityRates:
    """Gather the inputs that turn cohort events into activity."""
    rows = list(parameters.strategies.values())
    n = len(v["p_icu_bleed"])
    zero = np.zeros(n)

    def by_strategy(names: list[str]) -> FloatArray:
        return np.stack([v[name] if name else zero for name in names], axis=1)

    secondary = parameters.secondary[parameters.text("secondary_prophylaxis")]
    if (v["p_icu_bleed"] * v["n_icu_days"] > v["n_stay_days"]).any():
        what = "days in intensive care, p_icu_bleed x n_icu_days, exceed the whole stay, n_stay_days"
        where = str(parameters["n_stay_days"].where)
        raise ModelError(what, where=where, fix="n_stay_days counts every day of the stay")
    return ActivityRates(
        coils=by_strategy([r.coils for r in rows]),
        glue_ml=by_strategy([r.glue_ml for r in rows]),
        complications={kind: by_strategy([r.complications.get(kind, "") for r in rows]) for kind in COMPLICATIONS},
        p_icu=v["p_icu_bleed"],
        icu_days=v["n_icu_days"],
        stay_days=v["n_stay_days"],
        red_cells=v["n_red_cells"],
        p_rescue=v["p_rescue"],
        p_readmission=v["p_readmission"],
        secondary_sessions=v[secondary.sessions] if secondary.sessions else zero,
        clinic_never_bled=v["r_clinic_never_bled"],
        clinic_post_bleed=v["r_clinic_post_bleed"],
        stay_days_session=v["n_stay_days_session"],
        stay_days_complication=v["n_stay_days_complication"],
    )


def collapse_cells(inputs: ModelInputs, array: FloatArray, by_group: bool) -> FloatArray:
    """Weight cells into groups: (weighting, period, item, lane) to (weighting, period, item, draw, strategy, group)."""
    n_strategies, n_cells = len(inputs.strategies.keys), inputs.relative.shape[1]
    cells = array.reshape(*array.shape[:3], n_strategies, n_cells, inputs.n_draws)
    groups = [np.einsum("wtnscd,dc->wtnsd", cells, inputs.shares)]
    if by_group:
        groups += [cells[:, :, :, :, inputs.group_of_cell == g].mean(axis=4) for g in range(len(inputs.groups))]
    return np.stack([group.swapaxes(3, 4) for group in groups], axis=-1)


def build_activity(
    parameters: ParameterSet,
    v: Values,
    inputs: ModelInputs,
    totals: CohortTotals,
    report_years: tuple[int, ...],
    *,
    by_group: bool,
    weightings: list[int],
) -> Activity:
    """Turn cohort sums into activity.

    Parameters
    ----------
    parameters, v
        The case and its draws.
    inputs, totals
        What ran, and its sums.
    report_years
        End of each period in years.
    by_group
        Keep groups beside the share-weighted whole.
    weightings
        Position in ``totals`` of the undiscounted, cost and outcome weightings.
    """
    rates = resolve_activity_rates(parameters, v)
    structure = inputs.structure
    starts, years, moves, visits = (
        collapse_cells(inputs, a, by_group) for a in (totals.starts, totals.years, totals.moves, totals.visits)
    )
    sums = _Sums(structure, starts, years, moves, visits)
    counts = _event_counts(inputs, sums)
    counts |= _service_counts(parameters, rates, inputs, sums, counts)
    counts |= _hospital_counts(parameters, rates, sums, counts)
    names = ("all", *(g.name for g in inputs.groups)) if by_group else ("all",)
    state_years = {state: sums.years_in(state) for state in STATE_LABELS if state != "dead"}
    return Activity(inputs.strategies.keys, names, report_years, tuple(weightings), counts, state_years)


@dataclass(frozen=True)
class _Sums:
    """Cohort sums by name; arrays (weighting, period, item, draw, strategy, group)."""

    structure: Structure
    starts: FloatArray
    years: FloatArray
    moves: FloatArray
    visits: FloatArray

    def years_in(self, *families: str) -> FloatArray:
        return np.asarray(sum(self.years[:, :, self.structure.family(f)].sum(axis=2) for f in families))

    def starts_in(self, family: str) -> FloatArray:
        return np.asarray(self.starts[:, :, self.structure.family(family)].sum(axis=2))

    def moved(self, *kinds: str) -> FloatArray:
        return np.asarray(self.moves[:, :, self.structure.kinds(*kinds)].sum(axis=2))

    def seen(self) -> FloatArray:
        never = [i for f in NEVER_BLED for i in self.structure.family(f)]
        return np.asarray(self.visits[:, :, never].sum(axis=2))


def _wide(rate: FloatArray) -> FloatArray:
    """Broadcast (draw,) or (draw, strategy) against (weighting, period, draw, strategy, group)."""
    return rate[:, None, None] if rate.ndim == 1 else rate[:, :, None]


def _event_counts(inputs: ModelInputs, sums: _Sums) -> dict[str, FloatArray]:
    courses = sums.moved("retreat")
    started = np.array([start == "in_course" for start in inputs.strategies.starts_in], dtype=float)
    courses = courses.copy()
    courses[:, 0] += started[None, None, :, None]
    return {
        "gastric_first_bleeds": sums.moved("gastric_bleed"),
        "first_bleeds": sums.moved("gastric_bleed", "other_bleed"),
        "rebleeds": sums.moved("early_rebleed", "late_rebleed"),
        "deaths_bleed": sums.moved("bleed_death"),
        "deaths_procedure": sums.moved("procedure_death"),
        "deaths_other": sums.moved("other_death"),
        "sessions": sums.starts_in("in_course"),
        "courses": courses,
        "transplants": sums.moved("transplant"),
    }


def _service_counts(
    parameters: ParameterSet, rates: ActivityRates, inputs: ModelInputs, sums: _Sums, counts: Mapping[str, FloatArray]
) -> dict[str, FloatArray]:
    """Sessions, devices, drugs, surveillance and complications."""
    rows = list(parameters.strategies.values())
    sessions, seen = counts["sessions"], sums.seen()
    per_course = sessions / _wide(inputs.strategies.sessions_mean)

    def where(flags: list[bool]) -> FloatArray:
        return np.array(flags, dtype=float)[None, :, None]

    found = {kind: sessions * where([r.session == kind for r in rows]) for kind in SESSION_KINDS}
    found |= {
        "coil": sessions * _wide(rates.coils),
        "glue_ml": sessions * _wide(rates.glue_ml),
        "drug_year": sums.years_in("protected") * where([r.drug for r in rows]),
    }
    found |= {kind: seen * where([r.surveillance.visit == kind for r in rows]) for kind in VISIT_KINDS}
    found["clinic_visit"] = found["clinic_visit"] + _wide(rates.clinic_never_bled) * sums.years_in(*NEVER_BLED)
    complications = {kind: per_course * _wide(p) for kind, p in rates.complications.items()}
    stays = np.asarray(sum(complications[kind] for kind in STAYS))
    return (
        found
        | complications
        | {
            "procedure_days": sessions * _wide(rates.stay_days_session),
            "complication_days": stays * _wide(rates.stay_days_complication),
        }
    )


def _hospital_counts(
    parameters: ParameterSet, rates: ActivityRates, sums: _Sums, counts: Mapping[str, FloatArray]
) -> dict[str, FloatArray]:
    """Bleed admissions and what follows them."""
    bleeds = counts["first_bleeds"] + counts["rebleeds"]
    fatal, survived = counts["deaths_bleed"], sums.moved("recover", "early_rebleed")
    admitted = bleeds
    readmitted = np.zeros_like(bleeds)
    if parameters.text("rebleed_costing") == "readmission":
        admitted = bleeds - sums.moved("early_rebleed")
        readmitted = survived * _wide(rates.p_readmission)
    ordinary = _wide(1.0 - rates.p_rescue)
    icu = _wide(rates.p_icu * rates.icu_days)
    ward = _wide(rates.stay_days) - icu
    chosen = parameters.secondary[parameters.text("secondary_prophylaxis")]
    post_bleed = sums.years_in("post_bleed")
    zero = np.zeros_like(bleeds)
    aftercare = {row.activity: zero for row in parameters.secondary.values()}
    aftercare[chosen.activity] = post_bleed if chosen.drug else sums.moved("recover") * _wide(rates.secondary_sessions)
    return {
        "bleed_survived": (admitted - fatal) * ordinary,
        "bleed_fatal": fatal * ordinary,
        "rescue_admission": admitted * _wide(rates.p_rescue),
        "readmission": readmitted,
        "icu_days": bleeds * icu,
        "ward_days": bleeds * ward,
        "icu_day": admitted * ordinary * icu,
        "ward_day": admitted * ordinary * ward,
        "red_cell_unit": admitted * ordinary * _wide(rates.red_cells),
        "clinic_post_bleed": post_bleed * _wide(rates.clinic_post_bleed),
        "transplant": counts["transplants"],
        "year_never_bled": sums.years_in(*NEVER_BLED),
        "year_post_bleed": post_bleed,
        "year_transplanted": sums.years_in("transplanted"),
        **aftercare,
    }
