"""Patient-level simulation of the same structure: a cross-check on the cohort engine.

Each patient is in one state and takes at most one move a cycle, drawn with the cohort's own probabilities. What the
cohort gives as an expectation must agree with the mean over patients within sampling error.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from econmodel.model.attendance import attendance
from econmodel.model.course_hazards import hazards_of
from econmodel.model.disease import initial_state
from econmodel.model.hazards import CYCLES_PER_YEAR
from econmodel.model.inputs import ModelInputs
from econmodel.model.structure import Move
from econmodel.records import record

FloatArray = NDArray[np.float64]


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
    counts = np.zeros((n_patients, len(kinds)))
    alive, course = np.zeros(n_patients), np.zeros(n_patients)
    at, visits = structure.index, np.zeros((n_patients, len(structure.states)))
    given = attendance(inputs, inputs.n_years, CYCLES_PER_YEAR, lambda array: np.repeat(array[0], n_cells))
    for year in range(inputs.n_years):
        cumulative, leaving = _cumulative(structure.moves, hazards.year(year), at)
        seen, struck = given.visits(year), given.impulses(year) if given.impulses else {}
        for month in range(CYCLES_PER_YEAR):
            if month in seen:
                visits[np.arange(n_patients), state] += seen[month][lanes]
            if month in struck:
                for k, move in enumerate(structure.impulses):
                    who = (state == at[move.source]) & (rng.random(n_patients) < struck[month][k, lanes])
                    counts[who, kinds.index(move.kind)] += 1
                    state[who] = at[move.target]
            course += state == at["in_course"]
            u = rng.random(n_patients)
            taken = np.full(n_patients, -1)
            for source, moves in leaving.items():
                here = np.flatnonzero(state == source)
                edges = cumulative[moves][:, lanes[here]]
                first = (u[here] < edges).argmax(axis=0)
                taken[here] = np.where(u[here] < edges[-1], np.array(moves)[first], -1)
            for m in np.unique(taken[taken >= 0]):
                who = taken == m
                counts[who, kinds.index(structure.moves[m].kind)] += 1
                state[who] = at[structure.moves[m].target]
            alive += state != at["dead"]
    return SimulatedPatients(kinds, counts, alive, course, visits)


def _cumulative(moves: tuple[Move, ...], p: FloatArray, at: dict[str, int]) -> tuple[FloatArray, dict[int, list[int]]]:
    """Cumulative probabilities of the moves out of each state: (move, lane), and the moves by state."""
    leaving: dict[int, list[int]] = {}
    for m, move in enumerate(moves):
        leaving.setdefault(at[move.source], []).append(m)
    cumulative = np.empty_like(p)
    for group in leaving.values():
        cumulative[group] = p[group].cumsum(axis=0)
    return cumulative, leaving
