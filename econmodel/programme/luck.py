"""Luck: what chance alone does to a programme of so few patients.

Starts a month are the expected plan rounded up or down by chance; each starter belongs to a group and, in either world, to
a strategy of its mix, and has a history of its own. The current and the proposed world share intake and groups; their luck
is independent, which is the cautious reading: the same patient treated otherwise would share some of it. Those who wait are
the same in both and stand in neither.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from econmodel.economics.activity import PROFILED, MonthlyProfiles, build_activity
from econmodel.economics.prices import Prices
from econmodel.model.finite import Patients, count_patients
from econmodel.model.inputs import ModelInputs, Values, resolve
from econmodel.parameters.catalogue import CATEGORY
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.sampling import stream
from econmodel.parameters.structures import structures_of
from econmodel.programme.after_bleed import in_programme_terms
from econmodel.programme.budget import Budget, assemble_budget
from econmodel.programme.headline import Spread, spread_of
from econmodel.programme.inputs import ProgrammeInputs
from econmodel.programme.intake import ProgrammeActivity, plan_intake, programme_activity, without_operator
from econmodel.programme.money.payers import unit_money
from econmodel.programme.money.rows import Row
from econmodel.programme.sites import with_sites
from econmodel.records import record

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
AT_ONCE = 64
FIRST = "first_bleeds"
SEEN = {FIRST: "First bleeds", "rebleeds": "Rebleeds", "deaths_bleed": "Deaths from bleeding", "sessions": "Sessions"}


@record
class LuckRow:
    """Spread of the programme's bleeds averted and present value, and the chance of a loss, from one kind of doubt."""

    doubt: str
    bleeds_averted: Spread
    npv_cash: Spread
    probability_cash_loss: float


@record
class Luck:
    """Doubt about the inputs, luck at their base values, and both; and the counts that the programme will see."""

    draws: int
    rows: tuple[LuckRow, ...]
    seen: Mapping[str, Spread]

    @property
    def probability_cash_loss(self) -> float:
        """Chance of a loss in cash, of inputs and luck together."""
        return self.rows[-1].probability_cash_loss

    def to_json(self) -> dict[str, Any]:
        """Give the block for JSON."""
        rows = {
            row.doubt: {"bleeds_averted": vars(row.bleeds_averted), "npv_cash": vars(row.npv_cash)}
            | {"probability_cash_loss": row.probability_cash_loss}
            for row in self.rows
        }
        return {"draws": self.draws, "by_doubt": rows, "seen": {name: dict(vars(found)) for name, found in self.seen.items()}}


def weigh_luck(parameters: Budget, luck: Budget, both: Budget) -> Luck:
    """Set the three kinds of doubt side by side: budgets of draws."""
    budgets = {"parameters": parameters, "luck": luck, "both": both}
    rows = tuple(
        LuckRow(doubt, spread_of(b.totals[Row.BLEEDS_AVERTED]), spread_of(b.npv_cash), float((b.npv_cash < 0).mean()))
        for doubt, b in budgets.items()
    )
    seen = {
        name: spread_of(both.activity.total(both.activity.proposed, name).sum(axis=1))
        for name in SEEN
        if name != FIRST or not both.inputs.bled
    }
    return Luck(len(both.npv_cash), rows, seen)


def bleeds_seen(found: Budget, month: int) -> FloatArray:
    """First bleeds among those treated, rebleeds if they have bled, that whole patients have had by a month: (draw,)."""
    counted = "rebleeds" if found.inputs.bled else FIRST
    return np.asarray(found.activity.total(found.activity.proposed, counted)[:, :month].sum(axis=1))


def lucky_budget(
    parameters: ParameterSet, values: Values, inputs: ProgrammeInputs, planned: tuple[MonthlyProfiles, Prices], *, seed: int
) -> Budget:
    """Budget of whole patients: one history of the programme a draw.

    Parameters
    ----------
    parameters, values
        The case and its draws.
    inputs
        Programme inputs of the same draws.
    planned
        Expected activity per start, from which intake is planned, and prices.
    seed
        Seed of the luck.
    """
    profiles, prices = planned
    intake, rng = plan_intake(inputs, profiles), stream(seed, "luck")
    expected = np.broadcast_to(intake.starts, (len(next(iter(values.values()))), inputs.n_months))
    whole = np.floor(expected)
    starts = (whole + (rng.random(whole.shape) < expected - whole)).astype(np.int64)
    shape = (*starts.shape, len(PROFILED))
    worlds = {"proposed": np.zeros(shape), "current": np.zeros(shape)}
    for part in structures_of(parameters).parts(values, AT_ONCE):
        resolved = resolve(part.parameters, part.values)
        draw, month = _starters(starts[part.rows])
        cell = _pick(resolved.shares[draw], rng)
        for name, mix in (("proposed", inputs.proposed_mix), ("current", inputs.current_mix)):
            weights = np.array([[mix.get(key, 0.0) for key in resolved.strategies.keys]])
            patients = Patients(draw, _pick(weights, rng, len(draw)), cell, month)
            worlds[name][part.rows] = _activity(part.parameters, part.values, resolved, patients, starts.shape[1], rng)
    # What is owed after a closure is played by nobody: the plan's own.
    after = programme_activity(inputs, profiles, intake.starts).run_off if inputs.closes else np.zeros((1, 0, len(PROFILED)))
    activity = ProgrammeActivity(PROFILED, without_operator(inputs, PROFILED, worlds["proposed"]), worlds["current"], after)
    activity = with_sites(inputs, profiles, replace(intake, starts=expected), activity)
    money = unit_money(inputs, prices, CATEGORY, PROFILED)
    return assemble_budget(inputs, replace(intake, starts=starts.astype(float)), activity, money)


def _starters(starts: IntArray) -> tuple[IntArray, IntArray]:
    """Draw and month of every starter."""
    draw, month = np.indices(starts.shape)
    return np.repeat(draw.ravel(), starts.ravel()), np.repeat(month.ravel(), starts.ravel())


def _pick(shares: FloatArray, rng: np.random.Generator, n: int | None = None) -> IntArray:
    """Pick one of the last axis for each row, or for ``n``, by shares."""
    edges = np.cumsum(shares, axis=1)
    u = rng.random(len(shares) if n is None else n)
    return np.asarray(np.minimum((u[:, None] * edges[:, -1:] >= edges).sum(axis=1), shares.shape[1] - 1))


def _activity(
    parameters: ParameterSet, values: Values, inputs: ModelInputs, patients: Patients, n_months: int, rng: np.random.Generator
) -> FloatArray:
    """Activity of whole patients: (draw, month, activity)."""
    totals = count_patients(inputs, patients, n_months, rng=rng)
    alike = replace(inputs, shares=np.ones_like(inputs.shares))
    months = tuple(range(1, n_months + 1))
    found = build_activity(parameters, values, alike, totals, months, by_group=False, weightings=[0, 0, 0])
    counts = np.stack([found.counts[name][0, ..., 0].sum(axis=-1).T for name in PROFILED], axis=-1)
    return in_programme_terms(parameters, counts, values["n_stay_days_session"][:, None])
