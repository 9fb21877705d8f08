"""A result document can be recomputed from its ``inputs`` block alone, to 1e-9.

The second reckoning (``independent_model``, ``independent_results``) is plain Python written from the model's
description. Reference: own construction, no published source.
"""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from independent_course import course_totals, intention_to_treat_risk, marginal_hazard, trial_risk
from independent_model import strategy_totals
from independent_results import bleed_activity, pooled, strategy_results

from econmodel.economics.evaluate import evaluate
from econmodel.economics.results import result_document
from econmodel.package import params_folder
from econmodel.parameters import load_case

SHORT, ITT = "horizon_years=6", "effect_basis=intention_to_treat"
OTHER_CHOICES = [
    "bleed_costing=bottom_up",
    "rebleed_costing=readmission",
    "bleed_utility=one_off",
    "secondary_prophylaxis=beta_blocker",
    "discount_costs=0.035",
    "discount_outcomes=0.015",
]
AFTER = str(Path(__file__).parent / "data" / "after_a_bleed")
RUNS: dict[str, tuple[list[str], list[str]]] = {
    "intention to treat, lifetime": ([], [ITT]),
    "demo hospital": (["hospitals/demo"], ["horizon_years=15", ITT]),
    "UK price list, societal": (["hospitals/demo_uk"], ["perspective=societal", "horizon_years=10", ITT]),
    "margin, every other choice": ([], [SHORT, ITT, "perspective=hospital_margin", *OTHER_CHOICES]),
    "payer": ([], [SHORT, ITT, "perspective=payer", "fatality_scaling=as_stated"]),
    "one year": ([], ["horizon_years=1", ITT]),
    "susceptibility": (["scenarios/frailty"], ["horizon_years=3", ITT]),
    "re-treatment restarts": (["scenarios/retreatment_restarts_effect"], ["horizon_years=7"]),
    "excess for one year": (["scenarios/excess_after_bleed_one_year"], [SHORT, ITT]),
    "excess for five years": ([], ["horizon_years=7", ITT, "years_excess_after_bleed=five_years"]),
    "effect two years": (["scenarios/effect_two_years"], [SHORT]),
    "beta-blocker background": (["scenarios/beta_blocker_background"], [SHORT, ITT]),
    "process, lifetime": ([], []),
    "process, every other choice": (
        ["scenarios/excess_after_bleed_one_year"],
        [SHORT, "effect_basis=process", "rebleed_by_time=step", "hazard_decline=constant", *OTHER_CHOICES],
    ),
    "process, demo hospital": (["hospitals/demo"], ["horizon_years=8", "effect_basis=process"]),
    "process, class worsens": (["scenarios/child_worsening"], ["horizon_years=12", "effect_basis=process"]),
    "process, class worsens, by time": (
        ["scenarios/child_worsening", "scenarios/excess_after_bleed_one_year"],
        ["horizon_years=4", "effect_basis=process", "rebleed_by_time=step"],
    ),
    "process, class worsens, five years after a bleed": (
        ["scenarios/child_worsening"],
        ["horizon_years=8", "effect_basis=process", "rebleed_by_time=step", "years_excess_after_bleed=five_years"],
    ),
    "process, susceptibility": (["scenarios/frailty"], ["horizon_years=3", "effect_basis=process"]),
    "after a bleed": ([AFTER], [SHORT, ITT, "perspective=societal"]),
    "after a bleed, every other choice": ([AFTER], [SHORT, "effect_basis=process", "rebleed_by_time=step", *OTHER_CHOICES]),
    "six weeks after a bleed": ([AFTER], [SHORT, ITT, "cohort_start=post_bleed"]),
    "six weeks after a bleed, process": ([AFTER], ["cohort_start=post_bleed", "effect_basis=process"]),
    "low untreated risk": (["scenarios/low_untreated_risk"], [SHORT, ITT]),
}


def document(files: list[str], sets: list[str]) -> dict[str, Any]:
    """Give the result document of a run, as read back from JSON."""
    case = load_case(None, [params_folder() / f"{name}.toml" for name in files], sets)
    return json.loads(json.dumps(result_document(case, evaluate(case.parameters))))


def differences(mine: Any, theirs: Any, path: str = "") -> Iterator[str]:
    """Every place where two results differ by more than 1e-9, relative; a difference of 1e-15 is the rounding of a 0."""
    if isinstance(mine, dict):
        for key in mine:
            yield from differences(mine[key], theirs[key], f"{path}/{key}")
    elif isinstance(mine, list):
        if len(mine) != len(theirs):
            yield f"{path}: {len(mine)} rows against {len(theirs)}"
        for n, pair in enumerate(zip(mine, theirs, strict=False)):
            yield from differences(*pair, f"{path}/{n}")
    elif mine is None or theirs is None:
        if mine is not theirs:
            yield f"{path}: {mine!r} against {theirs!r}"
    elif not abs(mine - theirs) <= max(1e-9 * abs(theirs), 1e-9 if theirs == 0 else 1e-15):
        yield f"{path}: {mine!r} against {theirs!r}"


def recompute(found: dict[str, Any], key: str) -> dict[str, Any]:
    return strategy_results(found["inputs"], key, found["settings"]["perspective"])


@pytest.mark.parametrize("run", RUNS)
def test_every_strategy_is_recomputed_from_the_inputs_alone(run: str) -> None:
    """Life-years, QALYs, risks, events, deaths, state-years, activity, money and yearly rows agree to 1e-9."""
    found = document(*RUNS[run])
    for key, theirs in found["strategies"].items():
        mine = recompute(found, key)
        assert set(theirs) - set(mine) == {"label", "cost_five_years"}
        assert list(differences(mine, theirs)) == []


def test_a_group_is_the_whole_of_a_case_with_that_group_only() -> None:
    """The block of a patient group agrees with a recomputation in which the group has share 1; years stand for all patients alone."""
    found = document([], [SHORT])
    for group in found["inputs"]["groups"][::2]:
        alone = copy.deepcopy(found["inputs"])
        alone["groups"] = [group | {"share": 1.0}]
        mine = strategy_results(alone, "coil_and_glue", "hospital")
        assert mine.pop("yearly")
        assert list(differences(mine, found["groups"][group["name"]]["strategies"]["coil_and_glue"])) == []


def test_costs_at_five_years_are_a_five_year_run() -> None:
    """Five-year money of a long run equals the money of a run that stops at five years."""
    found, short = document([], ["horizon_years=20"]), document([], ["horizon_years=5"])
    for key, strategy in found["strategies"].items():
        assert list(differences(strategy["cost_five_years"], short["strategies"][key]["cost"])) == []


@pytest.mark.parametrize(
    "change",
    [
        ("r_other_bleed", 1e-6),
        ("p_early_rebleed", 1e-6),
        ("hr_death_after_bleed", 1e-6),
        ("share_female", 1e-5),
        ("discount_outcomes", 1e-7),
        ("b_red", 1e-6),
    ],
)
def test_a_small_change_of_any_input_is_seen(change: tuple[str, float]) -> None:
    """Negative control: an input moved by a millionth no longer agrees."""
    found = document([], ["horizon_years=3", ITT])
    name, shift = change
    found["inputs"][name] *= 1 + shift
    assert list(differences(recompute(found, "glue"), found["strategies"]["glue"]))


@pytest.mark.parametrize(
    ("field", "shift"),
    [("sessions_mean", 1e-6), ("hr_gastric", 1e-6), ("p_death_course", 1e-5), ("r_late_rebleed", 1e-6), ("hr_excess_death", 1e-6)],
)
def test_a_small_change_of_a_strategy_is_seen(field: str, shift: float) -> None:
    """Negative control, for what tells strategies apart."""
    found = document([], ["horizon_years=3", ITT])
    found["inputs"]["strategies"]["glue"][field] *= 1 + shift
    assert list(differences(recompute(found, "glue"), found["strategies"]["glue"]))


@pytest.mark.parametrize(("block", "field"), [("p_death_rebleed", "B"), ("activity_rates", "share_rebleed_same_stay")])
def test_a_small_change_of_a_rebleed_is_seen(block: str, field: str) -> None:
    """Negative control, for how rebleeds kill and where they are nursed."""
    found = document([], ["horizon_years=3", ITT])
    found["inputs"][block][field] *= 1 + 1e-6
    assert list(differences(recompute(found, "glue"), found["strategies"]["glue"]))


@pytest.mark.parametrize("run", ["intention to treat, lifetime", "process, lifetime"])
def test_the_prices_by_outcome_come_to_the_mean_of_all_admissions(run: str) -> None:
    """Outcomes counted anew over a lifetime without prophylaxis: their costs and payments average to the mean; the ratios hold."""
    inputs, given = document(*RUNS[run])["inputs"], load_case().parameters
    totals = course_totals if inputs["effect_basis"] == "process" else strategy_totals
    lifetime = pooled(totals(inputs, "watch")["undiscounted"])
    outcomes = ("bleed_survived", "bleed_fatal", "rescue_admission")
    admitted = bleed_activity(lifetime, inputs["activity_rates"])
    for field, mean in (("full_cost", "mean_cost"), ("payment", "mean_payment")):
        charged = sum(admitted[name] * inputs["prices"][name][field] for name in outcomes)
        assert charged / sum(admitted[name] for name in outcomes) == pytest.approx(inputs["bleed_admissions"][mean], rel=1e-9)
    assert inputs["bleed_admissions"]["mean_cost"] == given.number("c_bleed_mean")
    survived, fatal, rescue = (inputs["prices"][name]["full_cost"] for name in outcomes)
    assert (fatal / survived, rescue / survived) == pytest.approx(
        (given.number("ratio_bleed_fatal"), given.number("ratio_bleed_rescue")), rel=1e-12
    )


PROCESS = ["process, lifetime", "process, susceptibility"]


@pytest.mark.parametrize("run", PROCESS)
def test_the_calibration_is_recomputed_from_the_inputs_alone(run: str) -> None:
    """Each strategy's trial risk with its solved ratios equals that of its pooled effect, and its open ratio follows the rule."""
    inputs = document(*RUNS[run])["inputs"]
    for key, plan in inputs["strategies"].items():
        risk = trial_risk(inputs, key, plan["hr_obliterated"], plan["hr_patent"])
        assert risk == pytest.approx(intention_to_treat_risk(inputs, key), abs=1e-9)
        if plan["starts_in"] != "at_risk":
            assert not plan["hr_patent_lowered"]
            assert plan["hr_patent"] == max(plan["hr_obliterated"], inputs["hr_patent"])


@pytest.mark.parametrize("run", PROCESS)
def test_the_trial_runs_on_the_reference_mix(run: str) -> None:
    """Its untreated hazard by year is that of the mix as a whole, which here is the case's own."""
    inputs = document(*RUNS[run])["inputs"]
    assert inputs["trial"]["hazard_by_year"] == pytest.approx(marginal_hazard(inputs, inputs["groups"], 3), rel=1e-12)


@pytest.mark.parametrize(
    ("field", "shift"),
    [("p_retreat_accepted", 1e-5), ("hr_patent", 1e-6), ("r_lost", 1e-5), ("r_recurrence", 1e-6), ("r_late_rebleed_other", 1e-6)],
)
def test_a_small_change_of_the_process_is_seen(field: str, shift: float) -> None:
    """Negative control, for what moves a varix."""
    found = document([], ["horizon_years=3", "effect_basis=process"])
    found["inputs"]["strategies"]["glue"][field] *= 1 + shift
    assert list(differences(recompute(found, "glue"), found["strategies"]["glue"]))


def against(a: dict[str, Any], b: dict[str, Any], threshold: float) -> dict[str, Any]:
    """Comparison of two strategies from their results, in the words of the definitions."""
    cost, qalys = a["cost"]["total"] - b["cost"]["total"], a["qalys"] - b["qalys"]
    prophylaxis = a["cost"]["by_category"]["prophylaxis"] - b["cost"]["by_category"]["prophylaxis"]
    averted = (b["first_bleeds"] + b["rebleeds"]) - (a["first_bleeds"] + a["rebleeds"])
    first = b["first_bleeds"] - a["first_bleeds"]
    event = -(cost - prophylaxis) / first
    return {
        "incremental_cost": cost,
        "incremental_qalys": qalys,
        "incremental_life_years": a["life_years"] - b["life_years"],
        "net_monetary_benefit": threshold * qalys - cost,
        "bleeds_averted_per_100": 100 * averted,
        "arr": {y: b["first_bleed_risk"][y] - a["first_bleed_risk"][y] for y in a["first_bleed_risk"]},
        "break_even_nnt": event / prophylaxis if prophylaxis > 0 and first > 0 else None,
        "net_cost_per_first_bleed_averted": cost / first,
        "net_cost_per_any_bleed_averted": cost / averted,
    }


def test_comparisons_follow_from_the_strategies() -> None:
    """Increments, NNT, break-even NNT and net costs follow from two strategies' results by their definitions."""
    found = document([], [])
    threshold = found["settings"]["willingness_to_pay"]
    for versus in ("watch", "beta_blocker"):
        for key in ("glue", "coil_and_glue", "transvenous"):
            theirs = found["comparisons"][versus][key]
            mine = against(found["strategies"][key], found["strategies"][versus], threshold)
            assert list(differences(mine, theirs)) == []
            for year, entry in theirs["nnt"].items():
                assert entry["value"] == pytest.approx(1 / abs(theirs["arr"][year]), rel=1e-9)
                assert entry["kind"] == ("NNTB" if theirs["arr"][year] > 0 else "NNTH")


def test_the_headline_block_is_the_comparison_of_a_five_year_run() -> None:
    """Comparisons at five years equal those of a run that stops at five years."""
    found, short = document([], []), document([], ["horizon_years=5"])
    theirs = found["comparisons"]["watch"]["coil"]["at_five_years"]
    mine = {k: v for k, v in short["comparisons"]["watch"]["coil"].items() if isinstance(v, float | dict)}
    del mine["nnt"], mine["patients_per_bleed_averted"], mine["at_five_years"]
    assert list(differences(mine, theirs)) == []


def test_files_named_here_exist() -> None:
    """Every hospital and scenario file named above is there."""
    for files, _ in RUNS.values():
        for name in files:
            assert Path(params_folder() / f"{name}.toml").exists()
