"""The result document of a case: every number a report, page or check needs, as plain data.

Keys are stable; more may be added. Counts are per patient and undiscounted; money, life-years and QALYs are
discounted unless under ``undiscounted``. ``inputs`` is fully resolved, so anyone can run the case again from it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from econmodel import __version__
from econmodel.economics.activity import CATEGORIES, CATEGORY
from econmodel.economics.comparison import break_even_nnt, icer, nnt, rank_strategies, ratio
from econmodel.economics.evaluate import Evaluation
from econmodel.economics.prices import money_by_period
from econmodel.model.disease import calibrate_complete
from econmodel.model.inputs import CHILD, ModelInputs
from econmodel.model.natural_history import TIME_STEPS
from econmodel.model.structure import STATE_LABELS
from econmodel.parameters.loading import Case, read_life_table
from econmodel.parameters.second_look import second_look

SCHEMA = 1
RETREAT_STEPS = (0, 1)
ALL_PATIENTS = 0
CAUSES = ("bleed", "procedure", "other")
YEARLY = ("first_bleeds", "rebleeds", "sessions", "icu_days", "ward_days")
FloatArray = NDArray[np.float64]


def result_document(case: Case, evaluation: Evaluation, *, draws: int = 0) -> dict[str, Any]:
    """Gather the deterministic results of a case.

    Parameters
    ----------
    case
        What was evaluated.
    evaluation
        Its results, by year and by group, one draw.
    draws
        Draws of the probabilistic analysis that goes with it.
    """
    parameters = case.parameters
    yearly = yearly_table(evaluation)
    whole = group_document(evaluation, ALL_PATIENTS, yearly)
    return {
        "schema": SCHEMA,
        "case": {
            "name": case.name,
            "title": case.title,
            "file": case.file,
            "parameters_sha256": parameters.sha256,
            "version": __version__,
            "seed": int(parameters.number("seed")),
            "draws": draws,
            "overrides": list(parameters.titles),
            "is_demo": case.is_demo,
        },
        "second_look": second_look(parameters),
        "settings": settings_document(evaluation),
        "inputs": inputs_document(evaluation),
        "strategies": whole["strategies"],
        "comparisons": whole["comparisons"],
        "groups": {
            name: group_document(evaluation, g, yearly) for g, name in enumerate(evaluation.activity.groups) if g != ALL_PATIENTS
        },
        "frontier": frontier_document(evaluation),
    }


def settings_document(evaluation: Evaluation) -> dict[str, Any]:
    """Gather the settings that a reader must know to read the results."""
    p = evaluation.parameters
    return {
        "horizon_years": evaluation.horizon,
        "headline_years": int(p.number("headline_years")),
        "discount_costs": p.number("discount_costs"),
        "discount_outcomes": p.number("discount_outcomes"),
        "currency": p.text("currency"),
        "price_year": p.text("price_year"),
        "comparator": p.text("comparator"),
        "perspective": p.text("perspective"),
        "willingness_to_pay": p.number("willingness_to_pay"),
    }


def group_document(evaluation: Evaluation, group: int, yearly: Mapping[str, FloatArray]) -> dict[str, Any]:
    """Strategies and comparisons of one patient group (0: all), with the :func:`yearly_table` of the evaluation."""
    return {
        "strategies": {
            key: strategy_document(evaluation, s, group) | {"yearly": _yearly(evaluation, yearly, s, group)}
            for s, key in enumerate(evaluation.keys)
        },
        "comparisons": {
            versus: {key: comparison_document(evaluation, key, versus, group) for key in evaluation.keys if key != versus}
            for versus in comparators(evaluation)
        },
    }


def comparators(evaluation: Evaluation) -> list[str]:
    """List the comparators shown: no prophylaxis, beta-blocker and the one chosen among the strategies."""
    wanted = ("watch", "beta_blocker", evaluation.parameters.text("comparator"))
    return [key for key in dict.fromkeys(wanted) if key in evaluation.keys]


def _at(array: NDArray[np.float64], strategy: int, group: int) -> float:
    return float(array[0, strategy, group])


def strategy_document(e: Evaluation, s: int, g: int) -> dict[str, Any]:
    """Results of one strategy over the time horizon."""

    def count(name: str) -> float:
        return _at(e.count(name), s, g)

    def risks(name: str) -> dict[str, float]:
        return {str(y): _at(e.count(name, y), s, g) for y in e.risk_years}

    headline = min(int(e.parameters.number("headline_years")), e.horizon)
    return {
        "label": list(e.parameters.strategies.values())[s].label,
        "cost": {"total": _at(e.cost(), s, g), "by_category": {c: _at(e.cost(category=c), s, g) for c in CATEGORIES}},
        "cost_five_years": {
            "total": _at(e.cost(headline), s, g),
            "by_category": {c: _at(e.cost(headline, category=c), s, g) for c in CATEGORIES},
        },
        "life_years": _at(e.life_years(), s, g),
        "qalys": _at(e.qalys(), s, g),
        "undiscounted": {
            "cost": _at(e.cost(discounted=False), s, g),
            "life_years": _at(e.life_years(discounted=False), s, g),
            "qalys": _at(e.qalys(discounted=False), s, g),
        },
        "first_bleed_risk": risks("first_bleeds"),
        "gastric_first_bleed_risk": risks("gastric_first_bleeds"),
        "first_bleeds": count("first_bleeds"),
        "rebleeds": count("rebleeds"),
        "deaths": {cause: count(f"deaths_{cause}") for cause in CAUSES},
        "sessions": count("sessions"),
        "courses": count("courses"),
        "transplants": count("transplants"),
        "state_years": {state: count(state) for state in e.activity.state_years},
        "icu_days": count("icu_days"),
        "ward_days": count("ward_days"),
        "complications": {k: count(k) for k in ("embolism", "sepsis", "fever", "ulcer_bleed")},
        "activity": {a: count(a) for a in CATEGORY},
    }


def yearly_table(e: Evaluation) -> dict[str, FloatArray]:
    """What happens in each year, undiscounted, and who is alive at its end: arrays (year, strategy, group)."""
    a = e.activity
    cost = money_by_period(a, e.prices, e.perspective)[:, 0]
    deaths = np.sum([a.by_period(f"deaths_{cause}")[:, 0] for cause in CAUSES], axis=0)
    return {"cost_undiscounted": cost, **{name: a.by_period(name)[:, 0] for name in YEARLY}, "alive": 1.0 - deaths.cumsum(axis=0)}


def _yearly(e: Evaluation, table: Mapping[str, FloatArray], s: int, g: int) -> list[dict[str, float]]:
    columns = {"year": e.activity.report_years, **{name: values[:, s, g].tolist() for name, values in table.items()}}
    return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]


def comparison_document(e: Evaluation, key: str, versus: str, group: int) -> dict[str, Any]:
    """One strategy against one comparator, over the horizon and at the headline years."""
    headline = int(e.parameters.number("headline_years"))
    document = _comparison_at(e, key, versus, group, None)
    if headline <= e.horizon:
        document["at_five_years"] = _comparison_at(e, key, versus, group, headline)
    return document


def _comparison_at(e: Evaluation, key: str, versus: str, g: int, years: int | None) -> dict[str, Any]:
    a, b = e.index(key), e.index(versus)

    def gap(array: FloatArray) -> float:
        return _at(array, a, g) - _at(array, b, g)

    cost, effect = gap(e.cost(years)), gap(e.qalys(years))
    value, status = icer(cost, effect)
    within = [y for y in e.risk_years if years is None or y <= years]
    arr = {str(y): -gap(e.count("first_bleeds", y)) for y in within}
    at_end = -gap(e.count("first_bleeds", years))
    averted = -gap(e.bleeds(years))
    prophylaxis = gap(e.cost(years, category="prophylaxis"))
    return {
        "versus": versus,
        "incremental_cost": cost,
        "incremental_life_years": gap(e.life_years(years)),
        "incremental_qalys": effect,
        "icer": value,
        "icer_status": status,
        "net_monetary_benefit": gap(e.net_benefit(e.parameters.number("willingness_to_pay"), years)),
        "bleeds_averted_per_100": 100 * averted,
        "gastric_first_bleeds_averted_per_100": -100 * gap(e.count("gastric_first_bleeds", years)),
        "arr": arr,
        "nnt": {y: nnt(value) for y, value in arr.items()},
        "patients_per_bleed_averted": nnt(averted),
        "incremental_prophylaxis_cost": prophylaxis,
        "break_even_nnt": break_even_nnt(cost, prophylaxis, at_end),
        "net_cost_per_first_bleed_averted": ratio(cost, at_end),
        "net_cost_per_any_bleed_averted": ratio(cost, averted),
        "saves": cost < 0,
    }


def frontier_document(e: Evaluation) -> list[dict[str, Any]]:
    """Efficiency frontier on cost and QALYs over the horizon."""
    costs, effects = e.cost()[0, :, ALL_PATIENTS].tolist(), e.qalys()[0, :, ALL_PATIENTS].tolist()
    return [
        {"key": r.key, "cost": r.cost, "qalys": r.effect, "icer": r.icer, "status": r.status}
        for r in rank_strategies(e.keys, costs, effects)
    ]


def inputs_document(e: Evaluation) -> dict[str, Any]:
    """Every resolved input of the base run, enough to run it again elsewhere."""
    i, p = e.inputs, e.parameters
    per_protocol = _per_protocol(i)
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
        "rr_death_rebleed": float(i.rr_death_rebleed[0]),
        "p_early_rebleed": float(i.p_early_rebleed[0]),
        "r_transplant": _by_child(i.r_transplant),
        "excess_death_transplanted": float(i.excess_death_transplanted[0]),
        "discount_costs": p.number("discount_costs"),
        "discount_outcomes": p.number("discount_outcomes"),
        "strategies": {key: _strategy_inputs(e, s) | per_protocol[s] for s, key in enumerate(e.keys)},
        "effect_basis": i.effect_basis,
        "effect_clock": i.effect_clock,
        "hazard_decline": p.text("hazard_decline"),
        "years_excess_after_bleed": p.text("years_excess_after_bleed"),
        "states": dict(STATE_LABELS),
        "susceptibility": _susceptibility(i),
        "prices": {name: _price(e, a, name) for a, name in enumerate(e.prices.activities)},
        "utilities": {state: float(u[0]) for state, u in e.utilities.by_state.items()},
        "qaly_losses": {name: float(du[0]) for name, du in e.utilities.losses.items()},
        "activity_rates": _activity_rates(e),
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
        "effect_full_years": float(x.effect_full_years[0, s]),
        "effect_none_years": float(x.effect_none_years[0, s]),
        "sessions_mean": float(x.sessions_mean[0, s]),
        "r_retreat": _steps(RETREAT_STEPS, x.r_retreat[0, s]),
        "p_death_course": float(x.p_death_course[0, s]),
        "r_late_rebleed": float(x.r_late_rebleed[0, s]),
        "p_obliteration": float(x.p_obliteration[0, s]),
        "surveillance": {"months": list(plan.months), "interval": plan.interval, "visit": plan.visit},
    }


def _per_protocol(i: ModelInputs) -> list[dict[str, float]]:
    """Calibrated effects by strategy when the effect acts per protocol; empty otherwise."""
    if i.effect_basis != "per_protocol":
        return [{}] * len(i.strategies.keys)
    complete = calibrate_complete(i)[0]
    return [
        {
            "hr_complete": float(hr),
            "hr_incomplete": min(1.0, float(hr * i.hr_incomplete[0])),
            "r_protection_lost": float(i.r_protection_lost[0]),
        }
        for hr in complete
    ]


def _activity_rates(e: Evaluation) -> dict[str, Any]:
    """How cohort events become activity, in the words of ``economics.activity``."""
    from econmodel.economics.activity import resolve_activity_rates
    from econmodel.model.inputs import base_values

    p, rates = e.parameters, resolve_activity_rates(e.parameters, base_values(e.parameters))
    rows = list(p.strategies.values())
    secondary = p.secondary[p.text("secondary_prophylaxis")]
    return {
        "by_strategy": {
            key: {
                "session": rows[s].session,
                "coils_per_session": float(rates.coils[0, s]),
                "glue_ml_per_session": float(rates.glue_ml[0, s]),
                "drug": rows[s].drug,
                "complications_per_course": {k: float(c[0, s]) for k, c in rates.complications.items()},
            }
            for s, key in enumerate(e.keys)
        },
        "p_icu_per_bleed": float(rates.p_icu[0]),
        "icu_days_per_icu_stay": float(rates.icu_days[0]),
        "stay_days_per_bleed": float(rates.stay_days[0]),
        "red_cell_units_per_bleed": float(rates.red_cells[0]),
        "p_rescue_per_bleed": float(rates.p_rescue[0]),
        "p_readmission_per_survived_bleed": float(rates.p_readmission[0]),
        "secondary": {
            "key": secondary.key,
            "activity": secondary.activity,
            "drug": secondary.drug,
            "sessions_per_recovery": float(rates.secondary_sessions[0]),
        },
        "clinic_visits_per_year": {"never_bled": float(rates.clinic_never_bled[0]), "post_bleed": float(rates.clinic_post_bleed[0])},
        "bleed_costing": p.text("bleed_costing"),
        "rebleed_costing": p.text("rebleed_costing"),
    }
