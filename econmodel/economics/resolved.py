"""The resolved inputs of a run, as plain data: enough to run it again elsewhere, in another program.

A document and not a type, since nothing in this program reads it back: it goes into ``results.json`` as it stands.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from econmodel.economics.activity import ActivityRates, resolve_activity_rates
from econmodel.economics.bleed_prices import bleed_mean
from econmodel.economics.evaluate import Evaluation
from econmodel.model.course import STOP_STEPS, CourseInputs
from econmodel.model.hazards import CYCLES_PER_YEAR
from econmodel.model.inputs import CHILD, ModelInputs, base_values
from econmodel.model.natural_history import TIME_STEPS
from econmodel.model.structure import ALL_LABELS
from econmodel.parameters.catalogue import CATEGORY
from econmodel.parameters.loading import read_life_table
from econmodel.parameters.schema import SecondaryRow

RETREAT_STEPS = (0, 1)


def inputs_document(e: Evaluation) -> dict[str, Any]:
    """Every resolved input of the base run, enough to run it again elsewhere."""
    i, p = e.inputs, e.parameters
    return {
        "horizon_years": i.n_years,
        "start_age": i.start_age,
        "share_female": float(i.share_female[0]),
        "life_table": {
            sex: {str(age): float(q) for age, q in enumerate(table)} for sex, table in read_life_table(i.life_table).items()
        },
        "groups": _groups(i),
        "r_first_bleed": float(i.r_first_bleed[0]),
        "first_bleed_time": _steps(TIME_STEPS, i.first_bleed_time[0]),
        "b_child": float(i.b_child[0]),
        "b_size": float(i.b_size[0]),
        "b_red": float(i.b_red[0]),
        "r_other_bleed": float(i.r_other_bleed[0]),
        "excess_death": _by_child(i.excess_death),
        "hr_death_after_bleed": float(i.hr_death_after_bleed[0]),
        "p_death_bleed": _by_child(i.p_death_bleed),
        "p_death_rebleed": _by_child(i.p_death_rebleed),
        "p_early_rebleed": float(i.p_early_rebleed[0]),
        "r_transplant": _by_child(i.r_transplant),
        "excess_death_transplanted": float(i.excess_death_transplanted[0]),
        "discount_costs": p.number("discount_costs"),
        "discount_outcomes": p.number("discount_outcomes"),
        "strategies": {key: _course_inputs(e, i.course, s) if i.course else _strategy_inputs(e, s) for s, key in enumerate(e.keys)},
        **(_trial(e, i.course) if i.course else {}),
        "effect_basis": i.effect_basis,
        "cohort_start": i.cohort_start,
        "effect_clock": i.effect_clock,
        "child_course": p.text("child_course"),
        **{name: p.number(name) for name in ("r_child_a_to_b", "r_child_b_to_c")},
        "hazard_decline": p.text("hazard_decline"),
        "years_excess_after_bleed": p.text("years_excess_after_bleed"),
        "states": {family: ALL_LABELS[family] for family in i.structure.families},
        "susceptibility": _susceptibility(i),
        "prices": {name: _price(e, a, name) for a, name in enumerate(e.prices.activities)},
        "utilities": {state: float(u[0]) for state, u in e.utilities.by_state.items()},
        "qaly_losses": {name: float(du[0]) for name, du in e.utilities.losses.items()},
        "activity_rates": _activity_rates(e),
        "bleed_admissions": _bleed_admissions(e),
    }


def _susceptibility(i: ModelInputs) -> list[float]:
    """Bleeding rate of each susceptibility class, equally frequent, relative to its group; [1.0] without classes."""
    classes = i.relative[0, i.group_of_cell == 0]
    return [float(x) for x in classes / classes.mean()]


def _price(e: Evaluation, a: int, name: str) -> dict[str, Any]:
    p = e.prices
    return {
        "full_cost": float(p.full_cost[0, a]),
        "variable_share": float(p.variable_share[0, a]),
        "payment": float(p.payment[0, a]),
        "patient_cost": float(p.patient_cost[0, a]),
        "category": CATEGORY[name],
    }


def _bleed_admissions(e: Evaluation) -> dict[str, float]:
    """Share that dies without prophylaxis, and the mean over all: as given, or as follows from prices by outcome."""
    v = base_values(e.parameters)
    means = {name: float(bleed_mean(v, e.died, stem)[0]) for name, stem in (("mean_cost", "c_"), ("mean_payment", "payment_"))}
    return {"share_fatal": float(e.died[0])} | means


def _steps(years: tuple[int, ...], values: NDArray[np.float64]) -> list[list[float]]:
    return [[year, float(value)] for year, value in zip(years, values, strict=True)]


def _by_child(array: NDArray[np.float64]) -> dict[str, float]:
    return dict(zip(CHILD, (float(x) for x in array[0]), strict=True))


def _groups(i: ModelInputs) -> list[dict[str, Any]]:
    share = np.bincount(i.group_of_cell, weights=i.shares[0], minlength=len(i.groups))
    return [
        {"name": g.name, "share": float(share[n]), "child": CHILD[g.child], "size_step": g.size_step, "red_spot": g.red_spot}
        for n, g in enumerate(i.groups)
    ]


def _strategy_inputs(e: Evaluation, s: int) -> dict[str, Any]:
    x = e.inputs.strategies
    plan = x.surveillance[s]
    return {
        "starts_in": x.starts_in[s],
        "hr_gastric": float(x.hr_gastric[0, s]),
        "hr_other": float(x.hr_other[0, s]),
        "hr_excess_death": float(x.hr_excess_death[0, s]),
        "effect_full_years": float(x.effect_full_years[0, s]),
        "effect_none_years": float(x.effect_none_years[0, s]),
        "sessions_mean": float(x.sessions_mean[0, s]),
        "r_retreat": _steps(RETREAT_STEPS, x.r_retreat[0, s]),
        "p_death_course": float(x.p_death_course[0, s]),
        "r_late_rebleed": float(x.r_late_rebleed[0, s]),
        "r_late_rebleed_gastric": float(x.r_late_rebleed[0, s] * x.late_gastric[0, s]),
        "r_late_rebleed_other": float(x.r_late_rebleed[0, s] * (1.0 - x.late_gastric[0, s])),
        "r_lost": float(x.r_lost[0, s]),
        "p_obliteration": float(x.p_obliteration[0, s]),
        "surveillance": {"months": list(plan.months), "interval": plan.interval, "visit": plan.visit},
    }


def _course_inputs(e: Evaluation, c: CourseInputs, s: int) -> dict[str, Any]:
    """Inputs of one strategy where the effect is a process, and those of the evidence that it was calibrated with."""
    x = e.inputs.strategies
    plan = x.surveillance[s]
    mine = {name: getattr(c, name) for name in ("hr_obliterated", "hr_patent", "r_recurrence", "p_retreat_accepted")}
    mine |= {"hr_itt": x.hr_gastric, "r_late_rebleed_gastric": c.r_gastric_rebleed, "r_late_rebleed_other": c.r_other_rebleed}
    shared = ("r_lost", "hr_other", "hr_excess_death", "sessions_mean", "p_death_course", "p_obliteration")
    mine |= {name: getattr(x, name) for name in shared}
    months = [month for month in range(CYCLES_PER_YEAR * e.horizon) if plan.at(month)]
    return {
        "starts_in": x.starts_in[s],
        **{name: float(array[0, s]) for name, array in mine.items()},
        "r_stop": _steps(STOP_STEPS, c.r_stop[0, s]),
        "hr_patent_lowered": bool(c.lowered[0, s]),
        "calibration": {name: float(array[0, s]) for name, array in vars(c.evidence).items()},
        "visits": {"months": months, "p_detect": float(c.p_detect[0, s])},
        "surveillance": {"months": list(plan.months), "interval": plan.interval, "visit": plan.visit, "until_year": plan.until_year},
    }


def _trial(e: Evaluation, c: CourseInputs) -> dict[str, Any]:
    """What the calibration is run on, and how rebleeding goes on, where the effect is a process."""
    trial = c.trial
    return {
        "trial": {
            "months": int(trial.months[0]),
            "visits": list(trial.visits),
            "p_detect": float(trial.p_detect[0]),
            "hazard_by_year": [float(h) for h in trial.hazard_by_year[0]],
        },
        "hr_patent": e.parameters.number("hr_patent"),
        "r_late_rebleed_other": float(c.r_other_rebleed_alone[0]),
        "rebleed_by_time": e.parameters.text("rebleed_by_time"),
        "hr_rebleed_by_time": [float(ratio) for ratio in c.hr_rebleed_by_time[0]],
    }


def _secondary(row: SecondaryRow, rates: ActivityRates) -> dict[str, Any]:
    sessions = float(rates.secondary_sessions[row.key][0])
    return {"key": row.key, "activity": row.activity, "drug": row.drug, "sessions_per_recovery": sessions}


def _activity_rates(e: Evaluation) -> dict[str, Any]:
    """How cohort events become activity, in the words of ``economics.activity``."""
    p, rates = e.parameters, resolve_activity_rates(e.parameters, base_values(e.parameters), e.inputs.strategies.sessions_mean)
    rows = list(p.strategies.values())
    return {
        "by_strategy": {
            key: {
                "session": rows[s].session,
                "coils_per_session": float(rates.coils[0, s]),
                "glue_ml_per_session": float(rates.glue_ml[0, s]),
                "oil": bool(rows[s].glue_ml),
                "drug": rows[s].drug,
                "complications_per_course": {k: float(c[0, s]) for k, c in rates.complications.items()},
                "secondary": _secondary(p.secondary_of(rows[s]), rates),
            }
            for s, key in enumerate(e.keys)
        },
        "p_icu_per_bleed": float(rates.p_icu[0]),
        "icu_days_per_icu_stay": float(rates.icu_days[0]),
        "stay_days_per_bleed": float(rates.stay_days[0]),
        "red_cell_units_per_bleed": float(rates.red_cells[0]),
        "p_rescue_per_bleed": float(rates.p_rescue[0]),
        "share_rebleed_same_stay": float(rates.same_stay[0]),
        "p_readmission_per_survived_bleed": float(rates.p_readmission[0]),
        "secondary": _secondary(p.secondary[p.text("secondary_prophylaxis")], rates),
        "secondary_other": _secondary(p.after_other, rates),
        "clinic_visits_per_year": {"never_bled": float(rates.clinic_never_bled[0]), "post_bleed": float(rates.clinic_post_bleed[0])},
        "clinic_visits_to_start_drug": float(rates.clinic_drug_start[0]),
        "bleed_costing": p.text("bleed_costing"),
        "rebleed_costing": p.text("rebleed_costing"),
    }
