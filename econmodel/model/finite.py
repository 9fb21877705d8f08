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
    """Whole patients: the draw, strategy and cell of each, and the month of its start; each (patient,)."""

    draw: IntArray
    strategy: IntArray
    cell: IntArray
    start: IntArray

    def lanes(self, inputs: ModelInputs) -> IntArray:
        """Place of each among lanes in order (strategy, cell, draw)."""
        return np.asarray((self.strategy * inputs.relative.shape[1] + self.cell) * inputs.n_draws + self.draw)


def count_patients(inputs: ModelInputs, patients: Patients, n_months: int, *, rng: np.random.Generator) -> CohortTotals:
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

    Returns
    -------
    CohortTotals
        Counts of patients, undiscounted, lanes in order (strategy, cell, draw); no trace.
    """
    run = _Run(inputs, patients, n_months, rng)
    for lag in range(n_months - int(patients.start.min(initial=n_months))):
        run.advance(lag)
    if inputs.course is not None:
        count_after_sessions(inputs, run.totals, run.widen)
    return run.totals


class _Run:
    def __init__(self, inputs: ModelInputs, patients: Patients, n_months: int, rng: np.random.Generator) -> None:
        self.inputs, self.patients, self.n_months, self.rng = inputs, patients, n_months, rng
        structure = self.structure = inputs.structure
        self.hazards, self.lane = hazards_of(inputs), patients.lanes(inputs)
        by_draw = (patients.draw * len(inputs.strategies.keys) + patients.strategy) * inputs.relative.shape[1] + patients.cell
        self.state = initial_state(inputs).argmax(axis=0)[by_draw]
        self.leaving, self.clock = moves_out(structure), Clock(structure, len(self.state))
        self.edges = np.empty(0)
        n, n_moves, lanes = len(structure.states), len(structure.moves), int(np.prod(self.hazards.shape))
        self.kind = np.full((n, max(map(len, self.leaving.values())) + 1), -1)
        self.target = np.tile(np.arange(n)[:, None], self.kind.shape[1])
        for source, moves in self.leaving.items():
            self.kind[source, : len(moves)] = moves
            self.target[source, : len(moves)] = [structure.index[structure.moves[m].target] for m in moves]
        starts, years, visits = (np.zeros((1, n_months, n, lanes)) for _ in range(3))
        moved = np.zeros((1, n_months, n_moves + len(structure.impulses), lanes))
        self.totals = CohortTotals(starts, years, moved, visits, None)
        self.given = attendance(inputs, n_months, 1, self.widen)
        self.dead = structure.index["dead"]

    def widen(self, array: FloatArray) -> FloatArray:
        """Give (draw or 1, strategy) for every lane."""
        return np.broadcast_to(array.T[:, None, :], self.hazards.shape).ravel()

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
        first = (self.rng.random(len(who)) >= self.edges[:, now, lane]).sum(axis=0)
        move, after = self.kind[now, first], self.clock.pass_month(who, now, self.target[now, first])
        np.add.at(totals.starts[0], (month, now, lane), 1.0)
        for at in (now, after):
            np.add.at(totals.years[0], (month, at, lane), 0.5 / CYCLES_PER_YEAR)
        went = move >= 0
        np.add.at(totals.moves[0], (month[went], move[went], lane[went]), 1.0)
        self.state[who] = after

    def _visit(self, lag: int, who: IntArray, month: IntArray, lane: IntArray) -> None:
        """Visits due, and the courses that they lead to, before the month's session."""
        if 0 in (seen := self.given.visits(lag)):
            np.add.at(self.totals.visits[0], (month, self.state[who], lane), seen[0][lane])
        struck = self.given.impulses(lag) if self.given.impulses else {}
        for k, impulse in enumerate(self.structure.impulses if 0 in struck else ()):
            goes = (self.state[who] == self.structure.index[impulse.source]) & (self.rng.random(len(who)) < struck[0][k, lane])
            np.add.at(self.totals.moves[0], (month[goes], len(self.structure.moves) + k, lane[goes]), 1.0)
            self.state[who[goes]] = self.structure.index[impulse.target]
