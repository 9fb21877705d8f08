"""Patient-level simulation of the same structure: a cross-check on the cohort engine.

Each patient is in one state and takes at most one move a cycle, drawn with the cohort's own probabilities. What the
cohort gives as an expectation must agree with the mean over patients within sampling error.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from econmodel.model.attendance import attendance
from econmodel.model.class_hazards import hazards_of
from econmodel.model.disease import initial_state
from econmodel.model.hazards import CYCLES_PER_YEAR
from econmodel.model.inputs import ModelInputs
from econmodel.model.structure import Structure
from econmodel.records import record

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@record
class SimulatedPatients:
    """Counts per patient: ``moves`` is (patient, move kind), ``months_alive`` (patient,) is ends of cycles survived.

    ``visits`` is (patient, state) and counts visits that fall due while the patient is in each state.
    """

    kinds: tuple[str, ...]
    moves: FloatArray
    months_alive: FloatArray
    months_in_course: FloatArray
    visits: FloatArray

    def mean(self, *kinds: str) -> tuple[float, float]:
        """Mean count of some kinds of move, and its standard error."""
        total = self.moves[:, [self.kinds.index(k) for k in kinds]].sum(axis=1)
        return float(total.mean()), standard_error(total)


def standard_error(values: FloatArray) -> float:
    """Give the standard error of a mean."""
    return float(values.std(ddof=1) / np.sqrt(len(values)))


def simulate_patients(inputs: ModelInputs, strategy: str, n_patients: int, *, rng: np.random.Generator) -> SimulatedPatients:
    """Simulate patients of one strategy over the time horizon.

    Parameters
    ----------
    inputs
        Resolved inputs, one draw.
    strategy
        Key of the strategy.
    n_patients
        Number of patients; their groups are drawn by share.
    rng
        Source of randomness.
    """
    s = inputs.strategies.keys.index(strategy)
    structure, n_cells = inputs.structure, inputs.relative.shape[1]
    hazards = hazards_of(inputs)
    lanes = s * n_cells + rng.choice(n_cells, size=n_patients, p=inputs.shares[0] / inputs.shares[0].sum())
    state = initial_state(inputs)[:, lanes].argmax(axis=0)
    kinds = tuple(dict.fromkeys(move.kind for move in (*structure.moves, *structure.impulses)))
    counts = np.zeros((n_patients, len(kinds) + 1))
    alive, course, clock = np.zeros(n_patients), np.zeros(n_patients), Clock(structure, n_patients)
    at, visits = structure.index, np.zeros((n_patients, len(structure.states)))
    leaving, under_way = moves_out(structure), structure.family("in_course")
    target = np.tile(np.arange(len(at))[:, None], max(map(len, leaving.values())) + 1)
    kind = np.full(target.shape, len(kinds))
    for source, moves in leaving.items():
        target[source, : len(moves)] = [at[structure.moves[m].target] for m in moves]
        kind[source, : len(moves)] = [kinds.index(structure.moves[m].kind) for m in moves]
    given = attendance(inputs, inputs.n_years, CYCLES_PER_YEAR, lambda array: np.repeat(array[0], n_cells))
    for year in range(inputs.n_years):
        edges = cumulative_chances(leaving, hazards.year(year), target.shape)
        seen, struck = given.visits(year), given.impulses(year) if given.impulses else {}
        living = np.flatnonzero(state != at["dead"])
        for month in range(CYCLES_PER_YEAR):
            if month in seen:
                visits[np.arange(n_patients), state] += seen[month][lanes]
            if month in struck:
                for k, move in enumerate(structure.impulses):
                    who = (state == at[move.source]) & (rng.random(n_patients) < struck[month][k, lanes])
                    counts[who, kinds.index(move.kind)] += 1
                    state[who] = at[move.target]
            now = state[living]
            course[living] += np.isin(now, under_way)
            first = (rng.random(n_patients)[living] >= edges[:, now, lanes[living]]).sum(axis=0)
            counts[living, kind[now, first]] += 1
            state[living] = clock.pass_month(living, now, target[now, first])
            alive[living] += state[living] != at["dead"]
    return SimulatedPatients(kinds, counts[:, :-1], alive, course, visits)


class Clock:
    """Months that each patient has waited in a state left by time alone."""

    def __init__(self, structure: Structure, n_patients: int) -> None:
        self.months, self.following = structure.waiting()
        self.waited = np.zeros(n_patients, np.int64)

    def pass_month(self, who: IntArray, now: IntArray, after: IntArray) -> IntArray:
        """State after a month of some patients, given those before it and after its moves; a way in from elsewhere starts the time."""
        stays = (self.months[now] > 0) & (self.months[after] > 0)
        waited = np.where(stays, self.waited[who] + 1, 0)
        due = stays & (waited == self.months[after])
        self.waited[who] = np.where(due, 0, waited)
        return np.where(due, self.following[after], after)


def moves_out(structure: Structure) -> dict[int, list[int]]:
    """Positions of the moves out of each state, by the position of the state."""
    leaving: dict[int, list[int]] = {}
    at = structure.index
    for m, move in enumerate(structure.moves):
        leaving.setdefault(at[move.source], []).append(m)
    return leaving


def cumulative_chances(leaving: dict[int, list[int]], p: FloatArray, shape: tuple[int, ...]) -> FloatArray:
    """Cumulative probabilities of the moves out of each state, (move, state, lane): infinite beyond a state's last move."""
    edges = np.full((shape[1] - 1, shape[0], p.shape[1]), np.inf)
    for source, moves in leaving.items():
        edges[: len(moves), source] = p[moves].cumsum(axis=0)
    return edges
