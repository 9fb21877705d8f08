"""Activity: what the cohort's sums mean for the service, before any money or utility.

Counts have axes (weighting, period, draw, strategy, group); group 0 is all patients, share-weighted.
Weightings are undiscounted, discounted at the rate of costs, and at the rate of outcomes.

A programme multiplies by its starts the monthly activity of a patient who starts today.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from econmodel.arrays import choose
from econmodel.economics.patients import CohortSums, Followed, Run, follow
from econmodel.errors import ModelError
from econmodel.model.disease import run_disease
from econmodel.model.inputs import ModelInputs, Values, base_values, resolve
from econmodel.model.structure import COURSE_NEVER_BLED, NEVER_BLED
from econmodel.parameters.catalogue import (
    CATEGORY,
    COMPLICATIONS,
    COUNT_KEYS,
    COUNTS,
    COURSE_COUNTS,
    SESSION_KINDS,
    STAYS,
    VISIT_KINDS,
    Count,
)
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.schema import NEVER_BLED_YET, PROCESS, SecondaryRow
from econmodel.records import record

FloatArray = NDArray[np.float64]


@record
class Activity:
    """Counts by name; ``report_years`` is the end of each period, in years from the start.

    First bleeds are NaN in a cohort that has bled, where they do not apply.
    """

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


@record
class ActivityRates:
    """What one cohort event brings in activity; arrays are (draw, strategy) or (draw,).

    ``secondary_sessions`` is sessions of each kind of secondary prophylaxis, by its key, a patient who survives a bleed.
    """

    coils: FloatArray
    glue_ml: FloatArray
    complications: Mapping[str, FloatArray]
    sessions_mean: FloatArray
    secondary_sessions: Mapping[str, FloatArray]
    p_icu: FloatArray
    icu_days: FloatArray
    stay_days: FloatArray
    red_cells: FloatArray
    p_rescue: FloatArray
    p_readmission: FloatArray
    same_stay: FloatArray
    clinic_never_bled: FloatArray
    clinic_post_bleed: FloatArray
    clinic_drug_start: FloatArray
    stay_days_session: FloatArray
    stay_days_complication: FloatArray


SHARED_RATES = {
    "p_icu": "p_icu_bleed",
    "icu_days": "n_icu_days",
    "stay_days": "n_stay_days",
    "red_cells": "n_red_cells",
    "p_rescue": "p_rescue",
    "p_readmission": "p_readmission",
    "same_stay": "share_rebleed_same_stay",
    "clinic_never_bled": "r_clinic_never_bled",
    "clinic_post_bleed": "r_clinic_post_bleed",
    "clinic_drug_start": "n_clinic_drug_start",
    "stay_days_session": "n_stay_days_session",
    "stay_days_complication": "n_stay_days_complication",
}


@record
class Families:
    """States by what they have in common: never bled, seen at visits, on a drug, after a bleed; and what is counted there."""

    never_bled: tuple[str, ...]
    seen: tuple[str, ...]
    after_bleed: tuple[str, ...]
    counts: tuple[Count, ...]
    recoveries: tuple[str, ...] = ("recover",)


DRUG_AFTER = "secondary_drug_year"
FIRST_BLEEDS, INDEX_BLEEDS = ("first_bleeds", "gastric_first_bleeds"), "index_bleeds"
PLAIN = Families(NEVER_BLED, NEVER_BLED, ("post_bleed",), COUNTS)
REBLEEDS = Count("rebleeds", "Rebleeds", ("early_rebleed", "gastric_rebleed", "other_rebleed"))
OF_COURSE = Families(
    COURSE_NEVER_BLED,
    ("at_risk", "protected", "patent"),
    ("post_bleed", "post_other"),
    (*(REBLEEDS if count.key == REBLEEDS.key else count for count in COUNTS), *COURSE_COUNTS),
    ("recover", "recover_other"),
)


@record
class Rules:
    """What a strategy uses, as 1 or 0 by strategy, and what the case chose, as true or false.

    ``secondary`` is by strategy where the cohort starts after a bleed, chosen for all otherwise; ``start`` is where it starts.
    """

    session: Mapping[str, FloatArray]
    visit: Mapping[str, FloatArray]
    drug: FloatArray
    oil: FloatArray
    starts_course: FloatArray
    readmitted: bool
    secondary: Mapping[str, Any]
    families: Families = PLAIN
    start: str = NEVER_BLED_YET


def activity_rates(
    parameters: ParameterSet, v: Values, sessions_mean: FloatArray, by_strategy: Callable[[list[str]], FloatArray], nil: FloatArray
) -> ActivityRates:
    """Gather the inputs that turn cohort events into activity.

    Parameters
    ----------
    parameters, v
        The case, and what stands for each numeric input.
    sessions_mean
        Sessions of a course, by strategy.
    by_strategy
        Given an input's name for each strategy ('' for none), what stands for them together.
    nil
        What stands for an input that a row of secondary prophylaxis does not have.
    """
    rows = list(parameters.strategies.values())
    return ActivityRates(
        coils=by_strategy([r.coils for r in rows]),
        glue_ml=by_strategy([r.glue_ml for r in rows]),
        complications={kind: by_strategy([r.complications.get(kind, "") for r in rows]) for kind in COMPLICATIONS},
        sessions_mean=sessions_mean,
        secondary_sessions={key: v[row.sessions] if row.sessions else nil for key, row in parameters.secondary.items()},
        **{rate: v[name] for rate, name in SHARED_RATES.items()},
    )


def activity_rules(parameters: ParameterSet, setting: Callable[[str], str], by_strategy: Callable[[list[bool]], FloatArray]) -> Rules:
    """Gather what strategies use and what the settings choose; ``setting`` gives what stands for a setting."""
    rows, bled = list(parameters.strategies.values()), parameters.has_bled
    chosen = setting("secondary_prophylaxis")
    return Rules(
        session={kind: by_strategy([r.session == kind for r in rows]) for kind in SESSION_KINDS},
        visit={kind: by_strategy([r.surveillance.visit == kind for r in rows]) for kind in VISIT_KINDS},
        drug=by_strategy([r.drug and not bled for r in rows]),
        oil=by_strategy([bool(r.glue_ml) for r in rows]),
        starts_course=by_strategy([r.starts_in == "in_course" and not bled for r in rows]),
        readmitted=setting("rebleed_costing") == "readmission",
        secondary={key: by_strategy([r.secondary == key for r in rows]) if bled else chosen == key for key in parameters.secondary},
        families=OF_COURSE if parameters.text("effect_basis") == PROCESS else PLAIN,
        start=parameters.text("cohort_start"),
    )


def resolve_activity_rates(parameters: ParameterSet, v: Values, sessions_mean: FloatArray) -> ActivityRates:
    """Gather the rates of every draw.

    Raises
    ------
    ModelError
        Days in intensive care exceed the whole stay.
    """
    zero = np.zeros(len(v["p_icu_bleed"]))
    if (v["p_icu_bleed"] * v["n_icu_days"] > v["n_stay_days"]).any():
        what = "days in intensive care, p_icu_bleed x n_icu_days, exceed the whole stay, n_stay_days"
        where = str(parameters["n_stay_days"].where)
        raise ModelError(what, where=where, fix="n_stay_days counts every day of the stay")
    return activity_rates(
        parameters, v, sessions_mean, lambda names: np.stack([v[name] if name else zero for name in names], axis=1), zero
    )


def build_activity(
    parameters: ParameterSet, v: Values, inputs: ModelInputs, sums: CohortSums, report_years: tuple[int, ...], *, weightings: list[int]
) -> Activity:
    """Turn cohort sums into activity.

    Parameters
    ----------
    parameters, v
        The case and its draws.
    inputs, sums
        What ran, and its sums; of one draw they stand for all.
    report_years
        End of each period in years.
    weightings
        Position in ``sums`` of the undiscounted, cost and outcome weightings.
    """
    rates = _wide(vars(resolve_activity_rates(parameters, v, inputs.strategies.sessions_mean)))
    rules = activity_rules(parameters, parameters.text, lambda flags: np.array(flags, dtype=float)[None, :, None])
    counts = count_activity(sums, ActivityRates(**rates), rules, parameters.secondary)
    none = np.zeros_like(counts["first_bleeds"])
    if inputs.course is None:
        counts |= _by_source(sums, inputs.strategies.late_gastric[:, :, None], rules)
    if parameters.has_bled:
        counts |= dict.fromkeys(FIRST_BLEEDS, np.full_like(none, np.nan))
    counts = {name: none if isinstance(count, float) else count for name, count in counts.items()}
    names = ("all", *(g.name for g in inputs.groups))[: sums.years.shape[-1]]
    state_years = {state: sums.years_in(state) for state in inputs.structure.families if state != "dead"}
    return Activity(inputs.strategies.keys, names, report_years, tuple(weightings), counts, state_years)


def _by_source(sums: Sums, gastric: FloatArray, rules: Rules) -> dict[str, FloatArray]:
    """Visits, re-treatments and rebleeds by source where late rebleeding is one rate, of which ``gastric`` is the varix's share."""
    moved = {count.key: sums.moved(*count.moves) for count in COURSE_COUNTS if count.moves}
    late = sums.moved("late_rebleed")
    by_source = {"rebleeds_gastric": late * gastric, "rebleeds_other": late * (1.0 - gastric)}
    return moved | by_source | {"visits": sums.seen(*rules.families.seen)}


def _wide(rates: Mapping[str, Any]) -> dict[str, Any]:
    """Broadcast (draw,) and (draw, strategy) against (weighting, period, draw, strategy, group); what all draws share is of one."""

    def wide(rate: FloatArray) -> FloatArray:
        one = rate[:1] if (rate == rate[:1]).all() else rate
        return one.reshape(len(one), -1, 1)

    return {name: _wide(rate) if isinstance(rate, Mapping) else wide(rate) for name, rate in rates.items()}


class Sums(Protocol):
    """Cohort sums by name: arrays here, cells in the live workbook."""

    def years_in(self, *families: str) -> FloatArray:
        """Patient-years in the states of some families."""

    def starts_in(self, family: str) -> FloatArray:
        """Occupancy of a family at the start of every month."""

    def moved(self, *kinds: str) -> FloatArray:
        """Moves of some kinds."""

    def seen(self, *families: str) -> FloatArray:
        """Surveillance visits of patients in some families."""

    def begun(self) -> FloatArray:
        """Count who starts: of a cohort 1 in the first period, 0 in others."""


def count_activity(sums: Sums, rates: ActivityRates, rules: Rules, secondary: Mapping[str, SecondaryRow]) -> dict[str, FloatArray]:
    """Every count and priced activity from the cohort's sums: the one declaration, run on arrays and on cells.

    The bleed that a cohort starts at is admitted and survived, or not, like any other; it is in no count of bleeds.
    """
    counts = _event_counts(sums, rules)
    if rules.start == "bleeding":
        counts |= {INDEX_BLEEDS: counts["first_bleeds"] + sums.begun()}
    counts |= _service_counts(sums, rates, rules, counts["sessions"])
    return counts | _hospital_counts(sums, rates, rules, counts) | _aftercare(sums, rates, rules, secondary)


def _event_counts(sums: Sums, rules: Rules) -> dict[str, FloatArray]:
    moved = {count.key: sums.moved(*count.moves) for count in rules.families.counts if count.moves}
    courses = sums.moved("retreat") + rules.starts_course * sums.begun()
    return moved | {"sessions": sums.starts_in("in_course"), "courses": courses}


def _service_counts(sums: Sums, rates: ActivityRates, rules: Rules, sessions: FloatArray) -> dict[str, FloatArray]:
    """Sessions, devices, drugs, surveillance and complications."""
    never, seen, per_course = rules.families.never_bled, sums.seen(*rules.families.seen), sessions / rates.sessions_mean
    found = {kind: sessions * used for kind, used in rules.session.items()}
    found |= {
        "coil": sessions * rates.coils,
        "glue_ml": sessions * rates.glue_ml,
        "oil_session": sessions * rules.oil,
        "drug_year": sums.years_in("protected") * rules.drug,
    }
    found |= {kind: seen * used for kind, used in rules.visit.items()}
    started = rates.clinic_drug_start * rules.drug * sums.begun()
    found["clinic_visit"] = found["clinic_visit"] + rates.clinic_never_bled * sums.years_in(*never) + started
    if rules.families is OF_COURSE:
        found["visits"] = seen
    complications = {kind: per_course * p for kind, p in rates.complications.items()}
    stays: FloatArray = sum(complications[kind] for kind in STAYS)  # type: ignore[assignment]
    return (
        found
        | complications
        | {"procedure_days": sessions * rates.stay_days_session, "complication_days": stays * rates.stay_days_complication}
    )


def _hospital_counts(sums: Sums, rates: ActivityRates, rules: Rules, counts: Mapping[str, FloatArray]) -> dict[str, FloatArray]:
    """Bleed admissions and what follows them.

    An early rebleed within the stay of the bleed before it is no second admission; where early rebleeds are costed as
    readmissions, none is.
    """
    bleeds, early, fatal = counts["first_bleeds"] + counts["rebleeds"], sums.moved("early_rebleed"), counts["deaths_bleed"]
    if INDEX_BLEEDS in counts:
        bleeds = bleeds + sums.begun()
    survived, post_bleed = sums.moved(*rules.families.recoveries, "early_rebleed"), sums.years_in(*rules.families.after_bleed)
    stays = bleeds - early * rates.same_stay
    admitted = choose(rules.readmitted, lambda: bleeds - early, lambda: stays)
    ordinary = 1.0 - rates.p_rescue
    icu = rates.p_icu * rates.icu_days
    ward = rates.stay_days - icu
    return {
        "bleed_survived": (admitted - fatal) * ordinary,
        "bleed_fatal": fatal * ordinary,
        "rescue_admission": admitted * rates.p_rescue,
        "readmission": choose(rules.readmitted, lambda: survived * rates.p_readmission, lambda: 0.0),
        "icu_days": stays * icu,
        "ward_days": stays * ward,
        "icu_day": admitted * ordinary * icu,
        "ward_day": admitted * ordinary * ward,
        "red_cell_unit": admitted * ordinary * rates.red_cells,
        "clinic_post_bleed": post_bleed * rates.clinic_post_bleed,
        "transplant": counts["transplants"],
        "year_never_bled": sums.years_in(*rules.families.never_bled),
        "year_post_bleed": post_bleed,
        "year_transplanted": sums.years_in("transplanted"),
    }


def _aftercare(sums: Sums, rates: ActivityRates, rules: Rules, secondary: Mapping[str, SecondaryRow]) -> dict[str, FloatArray]:
    """Secondary prophylaxis of the kind chosen: a drug by the year after a bleed, sessions by the bleed survived.

    After a bleed from another source only it is that source's own, where sources are told apart. A cohort that starts six
    weeks after a bleed survived it.
    """
    found: dict[str, Any] = {}

    def put(activity: str, applies: Any, amount: Callable[[], FloatArray]) -> None:
        used = choose(applies, amount, lambda: 0.0)
        found[activity] = found[activity] + used if activity in found else used

    for key, row in secondary.items():
        gastric = row.source == "gastric"
        applies = rules.secondary[key] if gastric else rules.families is OF_COURSE
        recovered, state = ("recover", "post_bleed") if gastric else ("recover_other", "post_other")

        def sessions(key: str = key, recovered: str = recovered, state: str = state) -> FloatArray:
            survived = sums.moved(recovered)
            return (survived + sums.begun() if rules.start == state else survived) * rates.secondary_sessions[key]

        if row.sessions:
            put(row.activity, applies, sessions)
        if row.drug:
            put(DRUG_AFTER, applies, partial(sums.years_in, state))
    return found


PROFILED = (*CATEGORY, *COUNT_KEYS)


@record
class MonthlyProfiles:
    """Expected undiscounted activity per patient started; ``counts`` is (draw, strategy, month, activity)."""

    activities: tuple[str, ...]
    strategies: tuple[str, ...]
    counts: FloatArray


def monthly_profiles(
    parameters: ParameterSet, n_years: int, values: Values | None = None, followed: Followed | None = None
) -> MonthlyProfiles:
    """Run the model month by month.

    Parameters
    ----------
    parameters
        The case.
    n_years
        Years of profile; at most the time horizon.
    values
        Draws of the numeric inputs; None is the base values.
    followed
        Patients of these draws by month, where they are known.
    """
    v = base_values(parameters) if values is None else values
    found = followed or follow(resolve(parameters, values), run_by_month(n_years))
    months = tuple(range(1, found.sums.years.shape[1] + 1))
    activity = build_activity(parameters, v, found.inputs, found.sums, months, weightings=[0, 0, 0])
    counts = np.broadcast_arrays(*(activity.counts[name][0, ..., 0] for name in PROFILED))
    return MonthlyProfiles(PROFILED, activity.strategies, np.moveaxis(np.stack(counts, axis=-1), 0, 2))


def run_by_month(n_years: int) -> Run:
    """Give the run that sums by month, undiscounted."""
    return lambda inputs: run_disease(inputs, (0,) * min(n_years, inputs.n_years), monthly=True)
