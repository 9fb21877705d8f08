"""The first edition's results come out of its resolved inputs: the structure of intention to treat has not moved.

``first_edition.json`` holds the ``inputs`` block of the demonstration hospital as the first edition wrote it, and what it
gave. The engine is fed the block itself and not today's files of inputs, which have moved on.
"""

from __future__ import annotations

import json
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from econmodel.model.cohort import CohortTotals
from econmodel.model.disease import run_disease
from econmodel.model.inputs import CHILD, Group, ModelInputs, StrategyInputs, background_rate, sexes_mixed
from econmodel.model.natural_history import relative_hazards
from econmodel.model.structure import NEVER_BLED, build_structure
from econmodel.parameters.schema import Surveillance

GOLDEN = json.loads((Path(__file__).parent / "first_edition.json").read_text(encoding="utf-8"))
SAME = {"rel": 1e-9, "abs": 1e-15}


def strategies(block: dict[str, Any]) -> StrategyInputs:
    """Strategy rows as arrays of one draw; the first edition's drug spared no other deaths, and nobody was lost."""
    rows = list(block.values())
    known = {f.name for f in fields(StrategyInputs)} & rows[0].keys() - {"starts_in", "surveillance", "r_retreat"}
    return StrategyInputs(
        keys=tuple(block),
        starts_in=tuple(row["starts_in"] for row in rows),
        surveillance=tuple(Surveillance(tuple(s["months"]), s["interval"], s["visit"]) for s in (row["surveillance"] for row in rows)),
        r_retreat=np.array([[[rate for _, rate in row["r_retreat"]] for row in rows]]),
        hr_excess_death=np.ones((1, len(rows))),
        r_lost=np.zeros((1, len(rows))),
        late_gastric=np.ones((1, len(rows))),
        **{name: np.array([[row[name] for row in rows]]) for name in known},
    )


def first_edition() -> ModelInputs:
    """Resolved inputs of the block."""
    i = GOLDEN["inputs"]
    groups = tuple(Group(g["name"], CHILD.index(g["child"]), g["size_step"], g["red_spot"]) for g in i["groups"])
    child, size, red = (np.array([getattr(g, name) for g in groups], dtype=float) for name in ("child", "size_step", "red_spot"))
    ages = [str(i["start_age"] + year) for year in range(i["horizon_years"])]
    male, female = (np.array([i["life_table"][sex][age] for age in ages]) for sex in ("male", "female"))
    plain = ("r_first_bleed", "b_child", "b_size", "b_red", "r_other_bleed", "hr_death_after_bleed", "p_early_rebleed")
    one = {name: np.array([i[name]]) for name in (*plain, "share_female", "excess_death_transplanted")}
    by_child = {name: np.array([[i[name][c] for c in CHILD]]) for name in ("excess_death", "p_death_bleed", "r_transplant")}
    return ModelInputs(
        structure=build_structure(),
        groups=groups,
        group_of_cell=np.arange(len(groups)),
        relative=relative_hazards(child, size, red, one["b_child"], one["b_size"], one["b_red"]),
        shares=np.array([[g["share"] for g in i["groups"]]]),
        n_years=i["horizon_years"],
        headline_years=5,
        start_age=i["start_age"],
        life_table="",
        effect_basis=i["effect_basis"],
        effect_clock=i["effect_clock"],
        first_bleed_time=np.array([[multiple for _, multiple in i["first_bleed_time"]]]),
        background_death=background_rate(sexes_mixed(one["share_female"][:, None], male, female)),
        p_death_rebleed=by_child["p_death_bleed"] * i["rr_death_rebleed"],
        strategies=strategies(i["strategies"]),
        **one,
        **by_child,
    )


@pytest.fixture(scope="module")
def run() -> tuple[ModelInputs, CohortTotals]:
    inputs = first_edition()
    rates = (0.0, GOLDEN["inputs"]["discount_outcomes"])
    return inputs, run_disease(inputs, tuple(range(inputs.n_years)), rates)


@pytest.mark.parametrize("key", GOLDEN["strategies"])
def test_results_of_the_first_edition(run: tuple[ModelInputs, CohortTotals], key: str) -> None:
    """Risks, rebleeds, deaths by cause, sessions, courses, examinations, state-years and life-years to 1e-9."""
    inputs, totals = run
    s, expected, structure = inputs.strategies.keys.index(key), GOLDEN["strategies"][key], inputs.structure

    def whole(array: np.ndarray, rows: list[int], weighting: int = 0) -> np.ndarray:
        lanes = array[weighting][:, rows].sum(axis=1).reshape(inputs.n_years, len(inputs.strategies.keys), -1)
        return (lanes[:, s] * inputs.shares[0]).sum(axis=1)

    def moved(*kinds: str) -> np.ndarray:
        return whole(totals.moves, structure.kinds(*kinds))

    for name, kinds in {"first_bleed_risk": ("gastric_bleed", "other_bleed"), "gastric_first_bleed_risk": ("gastric_bleed",)}.items():
        risk = moved(*kinds).cumsum()
        assert {year: risk[int(year) - 1] for year in expected[name]} == pytest.approx(expected[name], **SAME)
    causes = {"bleed": "bleed_death", "procedure": "procedure_death", "other": "other_death"}
    assert {cause: moved(kind).sum() for cause, kind in causes.items()} == pytest.approx(expected["deaths"], **SAME)
    living = [i for i, state in enumerate(structure.states) if state.key != "dead"]
    never = [i for family in NEVER_BLED for i in structure.family(family)]
    started = float(inputs.strategies.starts_in[s] == "in_course")
    figures = {
        "rebleeds": moved("early_rebleed", "late_rebleed").sum(),
        "transplants": moved("transplant").sum(),
        "courses": started + moved("retreat").sum(),
        "sessions": whole(totals.starts, structure.family("in_course")).sum(),
        "undiscounted_life_years": whole(totals.years, living).sum(),
        "life_years": whole(totals.years, living, 1).sum(),
    }
    if inputs.strategies.surveillance[s].visit != "clinic_visit":
        figures["examinations"] = whole(totals.visits, never).sum()
    assert figures == pytest.approx({name: expected[name] for name in figures}, **SAME)
    years = {state: whole(totals.years, structure.family(state)).sum() for state in expected["state_years"]}
    assert years == pytest.approx(expected["state_years"], **SAME)
