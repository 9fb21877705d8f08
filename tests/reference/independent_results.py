"""Results of a strategy from the totals of ``independent_model``: outcomes, activity and money, in plain Python."""

from __future__ import annotations

from collections import defaultdict
from typing import Any

from independent_course import course_results, course_totals
from independent_model import ALIVE, CAUSES, NEVER_BLED, strategy_totals

SESSION_COMPLICATIONS = ("embolism", "sepsis", "fever", "ulcer_bleed")


def price(entry: dict[str, float], perspective: str) -> float:
    """Money per unit of activity under one of the four views."""
    return {
        "hospital": entry["full_cost"],
        "payer": entry["payment"],
        "hospital_margin": entry["variable_share"] * entry["full_cost"] - entry["payment"],
        "societal": entry["full_cost"] + entry["patient_cost"],
    }[perspective]


def bleed_activity(t: dict[str, float], rates: dict[str, Any]) -> dict[str, float]:
    """Admissions for bleeding; some early rebleeds fall within the stay before, or a readmission takes the place of all."""
    bleeds = first_bleeds(t) + t["early_rebleed"] + t["late_rebleed"] + t["index"]
    admitted, readmitted = bleeds - rates["share_rebleed_same_stay"] * t["early_rebleed"], 0.0
    if rates["rebleed_costing"] == "readmission":
        admitted = bleeds - t["early_rebleed"]
        readmitted = rates["p_readmission_per_survived_bleed"] * (t["recover"] + t["recover_other"] + t["early_rebleed"])
    plain = 1 - rates["p_rescue_per_bleed"]
    intensive = rates["p_icu_per_bleed"] * rates["icu_days_per_icu_stay"]
    return {
        "bleed_survived": plain * (admitted - t["bleed_death"]),
        "bleed_fatal": plain * t["bleed_death"],
        "rescue_admission": admitted * rates["p_rescue_per_bleed"],
        "readmission": readmitted,
        "icu_day": admitted * plain * intensive,
        "ward_day": admitted * plain * (rates["stay_days_per_bleed"] - intensive),
        "red_cell_unit": admitted * plain * rates["red_cell_units_per_bleed"],
    }


def first_bleeds(t: dict[str, float]) -> float:
    """First bleeds from any source."""
    return t["gastric_bleed"] + t["other_bleed"]


def activity(inputs: dict[str, Any], key: str, t: dict[str, float]) -> dict[str, float]:
    """Activity by name, from totals under one weighting."""
    rates, plan = inputs["activity_rates"], inputs["strategies"][key]
    mine, clinic = rates["by_strategy"][key], rates["clinic_visits_per_year"]
    secondary = mine["secondary"]
    never = sum(t[state] for state in NEVER_BLED)
    found: dict[str, float] = defaultdict(float, bleed_activity(t, rates))
    if mine["session"]:
        found[mine["session"]] = t["sessions"]
    found["coil"], found["glue_ml"] = (t["sessions"] * mine[k] for k in ("coils_per_session", "glue_ml_per_session"))
    found["oil_session"] = t["sessions"] if mine["oil"] else 0.0
    found["drug_year"] = t["protected"] if mine["drug"] else 0.0
    found[plan["surveillance"]["visit"]] += t["visits"]
    found["clinic_visit"] += clinic["never_bled"] * never
    if mine["drug"] and inputs["cohort_start"] == "never_bled":
        found["clinic_visit"] += rates["clinic_visits_to_start_drug"] * t["begun"]
    for kind in SESSION_COMPLICATIONS:
        found[kind] = t["sessions"] * mine["complications_per_course"][kind] / plan["sessions_mean"]
    recovered = t["recover"] + t["recovered"]
    paths = (
        (secondary, recovered, t["post_bleed"] - t["state post_other"]),
        (rates["secondary_other"], t["recover_other"], t["state post_other"]),
    )
    for kind, survived, years in paths:
        if kind["sessions_per_recovery"]:
            found[kind["activity"]] += survived * kind["sessions_per_recovery"]
        if kind["drug"]:
            found["secondary_drug_year"] += years
    found |= {
        "clinic_post_bleed": t["post_bleed"] * clinic["post_bleed"],
        "transplant": t["transplant"],
        "year_never_bled": never,
        "year_post_bleed": t["post_bleed"],
        "year_transplanted": t["transplanted"],
    }
    return found


def cost(inputs: dict[str, Any], key: str, t: dict[str, float], perspective: str) -> dict[str, float]:
    """Money by category."""
    found: dict[str, float] = defaultdict(float)
    done = activity(inputs, key, t)
    for name, entry in inputs["prices"].items():
        found[entry["category"]] += done[name] * price(entry, perspective)
    assert not set(done) - set(inputs["prices"])
    return found


def qalys(inputs: dict[str, Any], key: str, t: dict[str, float]) -> float:
    """Quality-adjusted life-years."""
    events = activity(inputs, key, t) | {
        "sessions": t["sessions"],
        "first_bleeds": first_bleeds(t),
        "index_bleeds": t["index"],
        "rebleeds": t["early_rebleed"] + t["late_rebleed"],
    }
    lived = sum(t[state] * inputs["utilities"][state] for state in ALIVE)
    return lived - sum(events[name] * loss for name, loss in inputs["qaly_losses"].items())


def pooled(years: dict[int, dict[str, float]], up_to: int | None = None) -> dict[str, float]:
    """Sum over the first ``up_to`` years."""
    found: dict[str, float] = defaultdict(float)
    for year, amounts in years.items():
        if up_to is None or year < up_to:
            for what, amount in amounts.items():
                found[what] += amount
    return found


def strategy_results(inputs: dict[str, Any], key: str, perspective: str) -> dict[str, Any]:
    """Rebuild the ``strategies`` block of one strategy, with the same keys."""
    process = inputs["effect_basis"] == "process"
    totals = course_totals(inputs, key) if process else strategy_totals(inputs, key)
    bled = inputs["cohort_start"] != "never_bled"
    for years in totals.values():
        years[0]["index"] = float(inputs["cohort_start"] == "bleeding")
        years[0]["recovered"] = float(inputs["cohort_start"] == "post_bleed")
    plain, costs, outcomes = (pooled(totals[w]) for w in ("undiscounted", "costs", "outcomes"))
    by_category = cost(inputs, key, costs, perspective)
    horizon = inputs["horizon_years"]
    risk_years = sorted({y for y in (1, 2, 3, 5) if y < horizon} | {horizon})
    until = {str(y): pooled(totals["undiscounted"], y) for y in risk_years}
    started = 1.0 if inputs["strategies"][key]["starts_in"] == "in_course" and not bled else 0.0
    found = {
        "cost": {"total": sum(by_category.values()), "by_category": dict(by_category)},
        "life_years": sum(outcomes[state] for state in ALIVE),
        "qalys": qalys(inputs, key, outcomes),
        "undiscounted": {
            "cost": sum(cost(inputs, key, plain, perspective).values()),
            "life_years": sum(plain[state] for state in ALIVE),
            "qalys": qalys(inputs, key, plain),
        },
        "first_bleed_risk": {y: first_bleeds(t) for y, t in until.items()},
        "gastric_first_bleed_risk": {y: t["gastric_bleed"] for y, t in until.items()},
        "courses": started + plain["retreat"],
        "transplants": plain["transplant"],
        "deaths": {cause: plain[kind] for cause, kind in CAUSES.items()},
        "state_years": {state: plain[state] for state in ALIVE},
        "complications": {k: activity(inputs, key, plain)[k] for k in SESSION_COMPLICATIONS},
        "activity": {name: activity(inputs, key, plain)[name] for name in inputs["prices"]},
        **counts(inputs, plain),
        "yearly": yearly(inputs, key, totals["undiscounted"], perspective),
        **(course_results(plain) if process else one_rate_results(plain, inputs["strategies"][key])),
    }
    return without_first_bleeds(found) if bled else found


def one_rate_results(t: dict[str, float], plan: dict[str, Any]) -> dict[str, float]:
    """What the process tells apart, where late rebleeding is one rate."""
    late, gastric = t["late_rebleed"], plan["r_late_rebleed_gastric"] / plan["r_late_rebleed"]
    return {
        "visits": t["visits"],
        "retreatments": t["retreat"],
        "rebleeds_gastric": late * gastric,
        "rebleeds_other": late * (1 - gastric),
        "rebleeds_early": t["early_rebleed"],
    }


def without_first_bleeds(found: dict[str, Any]) -> dict[str, Any]:
    """Results of a cohort that has bled: what tells of first bleeds is null."""
    for name in ("first_bleed_risk", "gastric_first_bleed_risk"):
        found[name] = dict.fromkeys(found[name])
    for block in (found, *found["yearly"]):
        block["first_bleeds"] = None
    return found


def counts(inputs: dict[str, Any], t: dict[str, float]) -> dict[str, float]:
    """Gather the counts that are shown over the horizon and by year."""
    rates, rebleeds = inputs["activity_rates"], t["early_rebleed"] + t["late_rebleed"]
    intensive = rates["p_icu_per_bleed"] * rates["icu_days_per_icu_stay"]
    bleeds = first_bleeds(t) + rebleeds + t["index"]
    stays = bleeds - rates["share_rebleed_same_stay"] * t["early_rebleed"]
    return {
        "first_bleeds": first_bleeds(t),
        "rebleeds": rebleeds,
        "sessions": t["sessions"],
        "icu_days": stays * intensive,
        "ward_days": stays * (rates["stay_days_per_bleed"] - intensive),
    }


def yearly(inputs: dict[str, Any], key: str, years: dict[int, dict[str, float]], perspective: str) -> list[dict[str, float]]:
    """Rebuild the rows by year."""
    rows, alive = [], 1.0
    for year in sorted(years):
        alive -= sum(years[year][kind] for kind in CAUSES.values())
        rows.append(
            {
                "year": year + 1,
                "alive": alive,
                **counts(inputs, years[year]),
                "cost_undiscounted": sum(cost(inputs, key, years[year], perspective).values()),
            }
        )
    return rows
