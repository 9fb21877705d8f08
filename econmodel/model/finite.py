"""A finite cohort: whole patients who start over time, each with a history of its own, counted by calendar month.

Each patient moves by the cohort's own chances at the rates of its draw, so that sums over patients have the cohort's
expectation and the spread of chance: no approximation of their law. What is not a move (complications of a session, days in
hospital) stays an expectation given the moves.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from econmodel.model.attendance import attendance
from econmodel.model.class_hazards import hazards_of
from econmodel.model.cohort import CohortTotals
from econmodel.model.disease import count_after_sessions, initial_state
from econmodel.model.hazards import CYCLES_PER_YEAR
from econmodel.model.individuals import Clock, cumulative_chances, moves_out
from econmodel.model.inputs import ModelInputs
from econmodel.records import record

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@record
class Patients:
    """Whole patients: the draw, arm and cell of each, and the month of its start; each (patient,).

    An arm is those of one strategy who are counted together.
    """

    draw: IntArray
    arm: IntArray
    cell: IntArray
    start: IntArray


def count_patients(
    inputs: ModelInputs, patients: Patients, n_months: int, *, rng: np.random.Generator, arms: IntArray | None = None
) -> CohortTotals:
    """Follow patients to the end of some calendar months and count what happens to them.

    Parameters
    ----------
    inputs
        Resolved inputs, any number of draws.
    patients
        Who starts, and when.
    n_months
        Calendar months, each a period of the totals.
    rng
        Source of randomness.
    arms
        Strategy of each arm, by its place; None: every strategy is one.

    Returns
    -------
    CohortTotals
        Counts of patients of all cells, undiscounted, lanes in order (arm, draw); no trace.
    """
    run = _Run(inputs, patients, n_months, rng, np.arange(len(inputs.strategies.keys)) if arms is None else arms)
    for lag in range(n_months - int(patients.start.min(initial=n_months))):
        run.advance(lag)
    if inputs.course is not None:
        count_after_sessions(inputs, run.totals, run.widen)
    return run.totals


class _Run:
    def __init__(self, inputs: ModelInputs, patients: Patients, n_months: int, rng: np.random.Generator, arms: IntArray) -> None:
        self.patients, self.n_months, self.rng, self.arms = patients, n_months, rng, arms
        self.n_draws, n_cells = inputs.n_draws, inputs.relative.shape[1]
        structure = self.structure = inputs.structure
        self.hazards, strategy = hazards_of(inputs), arms[patients.arm]
        self.lane = patients.arm * self.n_draws + patients.draw
        self.at_risk = (strategy * n_cells + patients.cell) * self.n_draws + patients.draw
        by_draw = (patients.draw * len(inputs.strategies.keys) + strategy) * n_cells + patients.cell
        self.state = initial_state(inputs).argmax(axis=0)[by_draw]
        self.leaving, self.clock = moves_out(structure), Clock(structure, len(self.state))
        self.edges = np.empty(0)
        n, n_moves, lanes = len(structure.states), len(structure.moves), len(arms) * self.n_draws
        self.kind = np.full((n, max(map(len, self.leaving.values())) + 1), -1)
        self.target = np.tile(np.arange(n)[:, None], self.kind.shape[1])
        for source, moves in self.leaving.items():
            self.kind[source, : len(moves)] = moves
            self.target[source, : len(moves)] = [structure.index[structure.moves[m].target] for m in moves]
        starts, years, visits = (np.zeros((1, n_months, n, lanes)) for _ in range(3))
        moved = np.zeros((1, n_months, n_moves + len(structure.impulses), lanes))
        begun = np.bincount(patients.start * lanes + self.lane, minlength=n_months * lanes).reshape(1, n_months, lanes)
        self.totals = CohortTotals(starts, years, moved, visits, None, begun.astype(float))
        self.given = attendance(inputs, n_months, 1, self.widen)
        self.dead = structure.index["dead"]

    def widen(self, array: FloatArray) -> FloatArray:
        """Give (draw or 1, strategy) for every lane."""
        return np.broadcast_to(array.T[self.arms], (len(self.arms), self.n_draws)).ravel()

    def _count(self, total: FloatArray, month: IntArray, item: IntArray, lane: IntArray, amount: FloatArray | float) -> None:
        """Add to places of a total, (1, month, item, lane): flat, for speed."""
        np.add.at(total.reshape(-1), (month * total.shape[2] + item) * total.shape[3] + lane, amount)

    def advance(self, lag: int) -> None:
        """One month after the start of everyone, whatever the calendar says."""
        if lag % CYCLES_PER_YEAR == 0:
            year = lag // CYCLES_PER_YEAR
            chances = self.hazards.years(year, year + 1)[0]
            self.edges = cumulative_chances(self.leaving, chances, self.target.shape)
        who = np.flatnonzero((self.patients.start + lag < self.n_months) & (self.state != self.dead))
        month, lane, totals = self.patients.start[who] + lag, self.lane[who], self.totals
        self._visit(lag, who, month, lane)
        now = self.state[who]
        first = (self.rng.random(len(who)) >= self.edges[:, now, self.at_risk[who]]).sum(axis=0)
        move, after = self.kind[now, first], self.clock.pass_month(who, now, self.target[now, first])
        self._count(totals.starts, month, now, lane, 1.0)
        for at in (now, after):
            self._count(totals.years, month, at, lane, 0.5 / CYCLES_PER_YEAR)
        went = move >= 0
        self._count(totals.moves, month[went], move[went], lane[went], 1.0)
        self.state[who] = after

    def _visit(self, lag: int, who: IntArray, month: IntArray, lane: IntArray) -> None:
        """Visits due, and the courses that they lead to, before the month's session."""
        if 0 in (seen := self.given.visits(lag)):
            self._count(self.totals.visits, month, self.state[who], lane, seen[0][lane])
        struck = self.given.impulses(lag) if self.given.impulses else {}
        for k, impulse in enumerate(self.structure.impulses if 0 in struck else ()):
            goes = (self.state[who] == self.structure.index[impulse.source]) & (self.rng.random(len(who)) < struck[0][k, lane])
            self._count(self.totals.moves, month[goes], np.full(goes.sum(), len(self.structure.moves) + k), lane[goes], 1.0)
            self.state[who[goes]] = self.structure.index[impulse.target]
