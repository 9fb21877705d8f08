"""Run the disease model: the cohort engine with the hazards of every draw, strategy and cell."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from econmodel.errors import ModelError
from econmodel.model.cohort import CohortTotals, Moves, Schedule, run_cohort
from econmodel.model.hazards import CYCLES_PER_YEAR, Hazards, competing
from econmodel.model.inputs import ModelInputs

FloatArray = NDArray[np.float64]


def initial_state(inputs: ModelInputs) -> FloatArray:
    """Everyone in the state the strategy starts in: (state, lane)."""
    first = [inputs.structure.family(start)[0] for start in inputs.strategies.starts_in]
    shape = (len(inputs.structure.states), inputs.n_draws, len(first), inputs.relative.shape[1])
    initial = np.zeros(shape)
    for s, state in enumerate(first):
        initial[state, :, s] = 1.0
    return initial.reshape(shape[0], -1)


def run_disease(inputs: ModelInputs, period_of_year: Sequence[int], discount_rates: tuple[float, ...] = (0.0,), *,
                monthly: bool = False, keep_trace: bool = False) -> CohortTotals:
    """Run every draw, strategy and cell.

    Parameters
    ----------
    inputs
        Resolved inputs.
    period_of_year
        Reporting period of each model year; its length is the horizon.
    discount_rates
        Weightings of the totals, a year.
    monthly
        Report every month as a period of its own (``period_of_year`` then only gives the horizon).
    keep_trace
        Keep occupancy at stage boundaries.

    Returns
    -------
    CohortTotals
        Lanes in order (draw, strategy, cell).
    """
    hazards = Hazards(inputs, calibrate_complete(inputs) if inputs.effect_basis == "per_protocol" else None)
    cache: dict[int, FloatArray] = {}

    def probabilities(stage: int) -> FloatArray:
        year = stage // CYCLES_PER_YEAR if monthly else stage
        if year not in cache:
            cache.clear()
            cache[year] = hazards.year(year)
        return cache[year]

    months = len(period_of_year) * CYCLES_PER_YEAR
    schedule = (Schedule(1, tuple(range(months)), CYCLES_PER_YEAR, discount_rates) if monthly else
                Schedule(CYCLES_PER_YEAR, tuple(period_of_year), CYCLES_PER_YEAR, discount_rates))
    lanes = (inputs.n_draws, len(inputs.strategies.keys), inputs.relative.shape[1])

    def visits(stage: int) -> dict[int, FloatArray]:
        found = {}
        for cycle in range(schedule.cycles_per_stage):
            month = stage * schedule.cycles_per_stage + cycle
            due = np.array([float(plan.at(month)) for plan in inputs.strategies.surveillance])
            if due.any():
                found[cycle] = np.broadcast_to(due[None, :, None], lanes).reshape(-1)
        return found

    return run_cohort(inputs.structure.engine_moves(), probabilities, initial_state(inputs), schedule, visits=visits,
                      keep_trace=keep_trace)


def calibrate_complete(inputs: ModelInputs) -> FloatArray:
    """Bleeding rate of a complete course, (draw, strategy), that reproduces the intention-to-treat risk.

    Over the trials' follow-up, without competing death, the share-weighted risk of a gastric bleed with effect in
    complete (and, less, incomplete) courses equals the risk with the intention-to-treat effect throughout. Bisection
    on the log of the ratio. Drugs keep their ratio.
    """
    target = _trial_risk(inputs, None)
    low, high = np.full_like(target, np.log(1e-6)), np.full_like(target, np.log(50.0))
    for _ in range(50):
        middle = (low + high) / 2
        above = _trial_risk(inputs, np.exp(middle)) > target
        high, low = np.where(above, middle, high), np.where(above, low, middle)
    has_course = Hazards(inputs).has_course
    found = np.where(has_course, np.exp((low + high) / 2), inputs.strategies.hr_gastric)
    _check_calibrated(inputs, _trial_risk(inputs, found)[:, has_course], target[:, has_course])
    return np.asarray(found)


def _check_calibrated(inputs: ModelInputs, risk: FloatArray, target: FloatArray) -> None:
    """Refuse a base run whose trial risk cannot be met; among many draws, those keep the nearest ratio."""
    if inputs.n_draws == 1 and risk.size and np.abs(risk - target).max() > 1e-6:
        worst = int(np.abs(risk - target)[0].argmax())
        what = (f"per protocol, no effect of a complete course gives the trial risk of {target[0, worst]:.4g}: the "
                f"nearest is {risk[0, worst]:.4g}, as patients are unprotected until their course is done")
        raise ModelError(what, fix="use effect_basis = \"intention_to_treat\", or fewer sessions a course")


def _trial_risk(inputs: ModelInputs, hr_complete: FloatArray | None) -> FloatArray:
    """Share-weighted risk of a first gastric bleed over the trial months, no death: (draw, strategy)."""
    s = inputs.strategies
    lanes = (inputs.n_draws, len(s.keys), inputs.relative.shape[1])
    moves = Moves(4, (0, 1, 1, 1, 2, 2, 2), (3, 3, 2, 0, 3, 1, 0))
    done, p_done = (1.0 / s.sessions_mean)[:, :, None], s.p_obliteration[:, :, None]
    hazards = Hazards(replace(inputs, effect_basis="intention_to_treat"))
    itt = hr_complete is None
    complete = s.hr_gastric[:, :, None] if hr_complete is None else hr_complete[:, :, None]
    incomplete = complete if itt else np.minimum(1.0, complete * inputs.hr_incomplete[:, None, None])
    lost = 0.0 if itt else inputs.r_protection_lost[:, None, None]

    def probabilities(month: int) -> FloatArray:
        year = month // CYCLES_PER_YEAR
        rate = hazards.gastric_rate(year)
        at_risk = competing({"bleed": rate * incomplete})[0]["bleed"]
        course, none = competing({"bleed": rate * (complete if itt else 1.0)})
        protected = competing({"bleed": rate * complete, "retreat": s.r_retreat[:, :, min(year, 1), None],
                               "lost": np.asarray(lost)})[0]
        finish = none * done
        parts = (at_risk, course["bleed"], finish * (1.0 if itt else p_done), finish * (0.0 if itt else 1.0 - p_done),
                 protected["bleed"], protected["retreat"], protected["lost"])
        return np.stack([np.broadcast_to(p, lanes).reshape(-1) for p in parts])

    initial = np.zeros((4, int(np.prod(lanes))))
    initial[1] = 1.0
    schedule = Schedule(1, tuple([0] * inputs.trial_months))
    totals = run_cohort(moves, probabilities, initial, schedule, keep_trace=True)
    assert totals.trace is not None
    return np.asarray((totals.trace[-1, 3].reshape(lanes) * inputs.shares[:, None, :]).sum(axis=2))
