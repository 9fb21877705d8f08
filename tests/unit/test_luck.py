"""Whole patients: the cohort's expectation, the spread of chance, and their place in the programme's intervals."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from econmodel.model.disease import run_disease
from econmodel.model.finite import Patients, count_patients
from econmodel.model.inputs import ModelInputs, base_values, resolve
from econmodel.parameters.catalogue import CATEGORY
from econmodel.parameters.loading import demo_file, load_case
from econmodel.parameters.structures import fix_structure
from econmodel.programme.after_bleed import profiles_of
from econmodel.programme.budget import run_budget
from econmodel.programme.inputs import read_inputs
from econmodel.programme.luck import lucky_budgets
from econmodel.programme.options import option_inputs
from econmodel.programme.planned import prices_of
from econmodel.programme.report import evaluate_programme

N, COHORTS, MONTHS = 70, 300, 60


def whole_cohort(inputs: ModelInputs, key: str, *, seed: int = 1) -> np.ndarray:
    """First bleeds of 70 patients who start together, in many cohorts of the same rates: (cohort,)."""
    rng = np.random.default_rng(seed)
    n = N * COHORTS
    cell = rng.choice(inputs.relative.shape[1], size=n, p=inputs.shares[0] / inputs.shares[0].sum())
    strategy = np.full(n, inputs.strategies.keys.index(key))
    patients = Patients(np.repeat(np.arange(COHORTS), N), strategy, cell, np.zeros(n, dtype=np.int64))
    totals = count_patients(inputs, patients, MONTHS, rng=rng)
    moves = totals.moves[0][:, inputs.structure.kinds("gastric_bleed", "other_bleed")].sum(axis=(0, 1))
    return moves.reshape(-1, COHORTS).sum(axis=0)


@pytest.fixture(scope="module", params=["process", "intention_to_treat"])
def many(request: pytest.FixtureRequest) -> ModelInputs:
    """The base values, once for each of many cohorts, two strategies."""
    case = fix_structure(load_case().parameters, ["base", f"effect_basis={request.param}"])
    case = replace(case, strategies={key: case.strategies[key] for key in ("watch", "coil_and_glue")})
    return resolve(case, {name: np.repeat(value, COHORTS) for name, value in base_values(case).items()})


def test_counts_have_the_mean_and_spread_of_their_law(many: ModelInputs) -> None:
    """First bleeds of independent patients are binomial at the cohort's own risk, with and without prophylaxis."""
    run = run_disease(many, (0,) * 5)
    risk = run.moves[0, 0][many.structure.kinds("gastric_bleed", "other_bleed")].sum(axis=0)
    expected = dict(zip(many.strategies.keys, (risk.reshape(2, -1, COHORTS)[..., 0] * many.shares[0]).sum(axis=1), strict=True))
    for key, p in expected.items():
        seen = whole_cohort(many, key)
        sd = np.sqrt(N * p * (1 - p))
        assert seen.mean() == pytest.approx(N * p, abs=4 * sd / np.sqrt(COHORTS)), key
        assert seen.std(ddof=1) == pytest.approx(sd, rel=4 / np.sqrt(2 * COHORTS)), key
        assert (seen == np.round(seen)).all()


def test_every_month_balances(many: ModelInputs) -> None:
    """Nobody is lost or doubled: time and deaths of whole patients add up to those who started."""
    rng = np.random.default_rng(3)
    n = 500
    patients = Patients(rng.integers(0, COHORTS, n), rng.integers(0, 2, n), np.zeros(n, dtype=np.int64), rng.integers(0, MONTHS, n))
    totals = count_patients(many, patients, MONTHS, rng=rng)
    dead = many.structure.index["dead"]
    started = np.array([(patients.start <= month).sum() for month in range(MONTHS)])
    died = totals.moves[0][:, [m for m, move in enumerate(many.structure.moves) if move.target == "dead"]].sum(axis=(1, 2)).cumsum()
    alive = totals.starts[0].sum(axis=(1, 2)) - totals.starts[0][:, dead].sum(axis=1)
    assert alive[1:] == pytest.approx(started[1:] - died[:-1])


def test_the_programme_shows_doubt_luck_and_both() -> None:
    """The three are apart: both is wider than either, and luck leaves the mean where it was."""
    luck = evaluate_programme(fix_structure(load_case(demo_file()).parameters, ["base"]), draws=80, seed=1, turning=False).luck
    assert luck is not None
    rows = {row.doubt: row for row in luck.rows}
    assert [*rows] == ["parameters", "luck", "both"]
    width = {doubt: row.bleeds_averted.high - row.bleeds_averted.low for doubt, row in rows.items()}  # type: ignore[operator]
    assert width["both"] > max(width["parameters"], width["luck"])
    assert rows["both"].bleeds_averted.mean == pytest.approx(rows["parameters"].bleeds_averted.mean, rel=0.15)
    assert luck.seen["sessions"].mean > 0  # type: ignore[operator]


def test_every_option_is_played_as_it_is_planned() -> None:
    """At base values each option's starts and activity have the plan's mean, drugs' first visits included, whoever is beside it."""
    case = load_case(demo_file()).parameters
    values, n = base_values(case), 150
    inputs = read_inputs(case, values)
    planned = profiles_of(case, inputs.n_budget_years), prices_of(case, values)
    options = [option_inputs(case, inputs, mix) for mix in ({"beta_blocker": 0.8, "watch": 0.2}, {"coil": 1.0}, {"glue": 1.0})]
    many = {name: np.repeat(value, n) for name, value in values.items()}
    played = lucky_budgets(case, many, options, planned, np.random.default_rng(5))
    for option, budget in zip(options, played, strict=True):
        plan = run_budget(option, *planned, CATEGORY).activity
        for world in ("proposed", "current"):
            seen, expected = (getattr(found, world).sum(axis=1) for found in (budget.activity, plan))
            error = seen.std(axis=0, ddof=1) / np.sqrt(n)
            assert (abs(seen.mean(axis=0) - expected[0]) <= 4.5 * error + 1e-9).all()
            assert expected[0].any()
