"""Luck: what chance alone does to a programme of so few patients.

Starts a month are the expected plan rounded up or down by chance; each starter belongs to a group and, in either world, to
a strategy of its mix, and has a history of its own. The current and the proposed world share intake and groups; their luck
is independent, which is the cautious reading: the same patient treated otherwise would share some of it. Those who wait are
the same in both and stand in neither. Options are played apart from each other, at the same draws.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from econmodel.economics.activity import PROFILED, MonthlyProfiles, build_activity
from econmodel.economics.patients import strategies_at, sums_of
from econmodel.economics.prices import Prices
from econmodel.model.finite import Patients, count_patients
from econmodel.model.inputs import ModelInputs, Values, resolve
from econmodel.parameters.catalogue import CATEGORY
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.structures import Part, structures_of
from econmodel.programme.after_bleed import in_programme_terms
from econmodel.programme.budget import Budget, assemble_budget
from econmodel.programme.headline import Spread, spread_of
from econmodel.programme.inputs import ProgrammeInputs
from econmodel.programme.intake import Intake, ProgrammeActivity, plan_intake, programme_activity, without_operator
from econmodel.programme.money.payers import unit_money
from econmodel.programme.money.rows import Row
from econmodel.programme.sites import with_sites
from econmodel.records import record

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
AT_ONCE = 64
DOUBTS = ("parameters", "luck", "both")
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
    budgets = dict(zip(DOUBTS, (parameters, luck, both), strict=True))
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


def lucky_budgets(
    parameters: ParameterSet,
    values: Values,
    options: Sequence[ProgrammeInputs],
    planned: tuple[MonthlyProfiles, Prices],
    rng: np.random.Generator,
) -> Iterator[Budget]:
    """Budgets of whole patients, of one option after the other: one history of the programme a draw.

    Parameters
    ----------
    parameters, values
        The case and its draws.
    options
        Programme inputs of the same draws, of each option.
    planned
        Expected activity per start, from which intake is planned, and prices.
    rng
        Source of the luck.
    """
    profiles, _ = planned
    intakes = [plan_intake(inputs, profiles) for inputs in options]
    shape = (len(next(iter(values.values()))), options[0].n_months)
    expected = np.stack([np.broadcast_to(intake.starts, shape) for intake in intakes])
    whole = np.floor(expected)
    starts = (whole + (rng.random(whole.shape) < expected - whole)).astype(np.int64)
    new, old = (np.zeros((*starts.shape, len(PROFILED))) for _ in range(2))
    for part in structures_of(parameters).parts(values, AT_ONCE):
        resolved = resolve(part.parameters, part.values)
        option, draw, month = _starters(starts[:, part.rows])
        cell = _pick(resolved.shares[draw], rng)
        for counts, mixes in ((new, [o.proposed_mix for o in options]), (old, [o.current_mix for o in options])):
            weights = np.array([[mix.get(key, 0.0) for key in resolved.strategies.keys] for mix in mixes])
            arms = np.cumsum(weights.ravel() > 0).reshape(weights.shape) - 1
            patients = Patients(draw, arms[option, _pick(weights[option], rng)], cell, month)
            counts[:, part.rows] = _activity(part, resolved, patients, weights > 0, shape[1], rng)
    found = zip(options, intakes, starts, expected, new, old, strict=True)
    return (_budget(inputs, planned, intake, *arrays) for inputs, intake, *arrays in found)


def _budget(
    inputs: ProgrammeInputs,
    planned: tuple[MonthlyProfiles, Prices],
    intake: Intake,
    starts: IntArray,
    expected: FloatArray,
    new: FloatArray,
    old: FloatArray,
) -> Budget:
    profiles, prices = planned
    # What is owed after a closure is played by nobody: the plan's own.
    after = programme_activity(inputs, profiles, intake.starts).run_off if inputs.closes else np.zeros((1, 0, len(PROFILED)))
    activity = ProgrammeActivity(PROFILED, without_operator(inputs, PROFILED, new), old, after)
    activity = with_sites(inputs, profiles, replace(intake, starts=expected), activity)
    money = unit_money(inputs, prices, CATEGORY, PROFILED)
    return assemble_budget(inputs, replace(intake, starts=starts.astype(float)), activity, money)


def _starters(starts: IntArray) -> tuple[IntArray, IntArray, IntArray]:
    """Option, draw and month of every starter."""
    option, draw, month = (np.repeat(place.ravel(), starts.ravel()) for place in np.indices(starts.shape))
    return option, draw, month


def _pick(shares: FloatArray, rng: np.random.Generator) -> IntArray:
    """Pick one of the last axis for each row, by shares."""
    edges = np.cumsum(shares, axis=1)
    u = rng.random(len(shares))
    return np.asarray(np.minimum((u[:, None] * edges[:, -1:] >= edges).sum(axis=1), shares.shape[1] - 1))


def _activity(
    part: Part, inputs: ModelInputs, patients: Patients, taken: NDArray[np.bool_], n_months: int, rng: np.random.Generator
) -> FloatArray:
    """Activity of whole patients, (option, draw, month, activity); each of the strategies ``taken``, (option, strategy), is an arm."""
    of, arms = np.nonzero(taken)
    totals = count_patients(inputs, patients, n_months, rng=rng, arms=arms)
    rows = list(part.parameters.strategies.values())
    case = replace(part.parameters, strategies={str(arm): rows[strategy] for arm, strategy in enumerate(arms)})
    alike = replace(strategies_at(inputs, slice(None), arms), relative=inputs.relative[:, :1], shares=np.ones((inputs.n_draws, 1)))
    months = tuple(range(1, n_months + 1))
    found = build_activity(case, part.values, alike, sums_of(alike, totals), months, weightings=[0, 0, 0])
    by_arm = np.stack([found.counts[name][0, ..., 0].T for name in PROFILED], axis=-1)
    counts = np.add.reduceat(by_arm, np.flatnonzero(np.diff(of, prepend=-1)))
    return in_programme_terms(part.parameters, counts, part.values["n_stay_days_session"][:, None])
