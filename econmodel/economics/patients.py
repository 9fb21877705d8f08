"""What happens to patients, before what it brings and costs: the cohort's sums, weighted over cells.

Most of what is asked one input at a time leaves most patients alone: a price all of them, a course of treatment those of every
other strategy. So a run of one draw may stand for all that are like it, and only what moves is run again.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from econmodel.model.cohort import CohortTotals
from econmodel.model.inputs import ModelInputs
from econmodel.model.structure import Structure
from econmodel.records import record

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]
Run = Callable[[ModelInputs], CohortTotals]
BY_STRATEGY = ("strategies", "course")
OF_ALL = frozenset({"r_other_rebleed_alone", "hr_rebleed_by_time"})
WHOLE = frozenset({"group_of_cell", "trial", "evidence"})
NOT_RUN = WHOLE | {*BY_STRATEGY, "headline_years", "life_table", "lowered"}
"""Taken apart, told by groups and classes, or used up before the run."""
SAME = 1e-12  # calibrated effects differ in last digits with the draws beside them


@record
class CohortSums:
    """Cohort sums as arrays (weighting, period, item, draw, strategy, group); ``started``, without items, where starts are counted."""

    structure: Structure
    starts: FloatArray
    years: FloatArray
    moves: FloatArray
    visits: FloatArray
    started: FloatArray | None = None

    def years_in(self, *families: str) -> FloatArray:
        """Patient-years in the states of some families."""
        return np.asarray(sum(self.years[:, :, self.structure.family(f)].sum(axis=2) for f in families))

    def starts_in(self, family: str) -> FloatArray:
        """Occupancy of a family at the start of every month."""
        return np.asarray(self.starts[:, :, self.structure.family(family)].sum(axis=2))

    def moved(self, *kinds: str) -> FloatArray:
        """Moves of some kinds."""
        return np.asarray(self.moves[:, :, self.structure.kinds(*kinds)].sum(axis=2))

    def seen(self, *families: str) -> FloatArray:
        """Surveillance visits of patients in some families."""
        return np.asarray(self.visits[:, :, [i for f in families for i in self.structure.family(f)]].sum(axis=2))

    def begun(self) -> FloatArray:
        """Count who starts: of a cohort 1 in the first period, 0 in others."""
        if self.started is not None:
            return self.started
        return np.asarray(np.arange(self.years.shape[1]) == 0, dtype=float)[:, None, None, None]

    def with_strategies(self, places: Sequence[int], other: CohortSums) -> CohortSums:
        """These, of one draw, for as many draws as ``other`` has, which gives the strategies at some places."""

        def laid(name: str) -> FloatArray:
            moved = getattr(other, name)
            found: FloatArray = np.repeat(getattr(self, name), moved.shape[3], axis=3)
            found[:, :, :, :, places] = moved
            return found

        return CohortSums(self.structure, laid("starts"), laid("years"), laid("moves"), laid("visits"))


@record
class Followed:
    """Patients of some draws: the inputs that they were run on, and their sums."""

    inputs: ModelInputs
    sums: CohortSums


def sums_of(inputs: ModelInputs, totals: CohortTotals, *, by_group: bool = False) -> CohortSums:
    """Weight a run's cells into groups, all patients first."""
    starts, years, moves, visits = (
        _collapse(inputs, array, by_group) for array in (totals.starts, totals.years, totals.moves, totals.visits)
    )
    begun = None if totals.begun is None else _collapse(inputs, totals.begun[:, :, None], by_group)[:, :, 0]
    return CohortSums(inputs.structure, starts, years, moves, visits, begun)


def _collapse(inputs: ModelInputs, array: FloatArray, by_group: bool) -> FloatArray:
    """Weight cells into groups: (weighting, period, item, lane) to (weighting, period, item, draw, strategy, group)."""
    n_strategies, n_cells = len(inputs.strategies.keys), inputs.relative.shape[1]
    cells = array.reshape(*array.shape[:3], n_strategies, n_cells, inputs.n_draws)
    groups = [np.einsum("wtnscd,dc->wtnsd", cells, inputs.shares) if n_cells > 1 else cells[..., 0, :] * inputs.shares[:, 0]]
    if by_group:
        groups += [cells[:, :, :, :, inputs.group_of_cell == g].mean(axis=4) for g in range(len(inputs.groups))]
    return np.stack([group.swapaxes(3, 4) for group in groups], axis=-1)


def follow(inputs: ModelInputs, run: Run, *, by_group: bool = False) -> Followed:
    """Follow the patients of every draw and strategy."""
    return Followed(inputs, sums_of(inputs, run(inputs), by_group=by_group))


def follow_moving(inputs: ModelInputs, run: Run, known: Followed, moving: Sequence[str]) -> Followed:
    """Follow the patients of some strategies; one ``known`` draw stands for those of all others."""
    if not moving:
        return known
    if len(moving) == len(inputs.strategies.keys):
        return follow(inputs, run)
    places = [inputs.strategies.keys.index(key) for key in moving]
    some = strategies_at(inputs, slice(None), places)
    return Followed(inputs, known.sums.with_strategies(places, sums_of(some, run(some))))


def strategies_at(inputs: ModelInputs, rows: slice | IntArray, places: Sequence[int] | IntArray) -> ModelInputs:
    """Inputs of some draws and strategies, any more than once, for a run alone: what effects were calibrated on stays whole."""

    def cut(part: Any) -> Any:
        of = {f.name: getattr(part, f.name) for f in fields(part) if f.name not in WHOLE}
        by_draw: dict[str, Any] = {n: x[rows] for n, x in of.items() if isinstance(x, np.ndarray)}
        if part is not inputs:
            by_draw |= {n: x[:, places] for n, x in by_draw.items() if n not in OF_ALL}
            by_draw |= {n: tuple(x[i] for i in places) for n, x in of.items() if isinstance(x, tuple)}
        return replace(part, **by_draw)

    parts = {name: cut(part) for name in BY_STRATEGY if (part := getattr(inputs, name)) is not None}
    found: ModelInputs = replace(cut(inputs), **parts)
    return found


def moves_patients(inputs: ModelInputs, known: ModelInputs) -> BoolArray:
    """Whose patients are not those of one known draw: (draw, strategy), over the same horizon or all are."""
    shape = inputs.n_draws, len(inputs.strategies.keys)
    found = np.zeros(shape, dtype=bool)
    pairs = [(inputs, known), *((getattr(inputs, part), getattr(known, part)) for part in BY_STRATEGY)]
    for mine, other in pairs:
        if type(mine) is not type(other):
            return np.ones(shape, dtype=bool)
        for f in fields(mine) if mine is not None else ():
            if f.name not in NOT_RUN:
                found |= _differs(getattr(mine, f.name), getattr(other, f.name), shape, mine is inputs or f.name in OF_ALL)
    return found


def _differs(mine: Any, known: Any, shape: tuple[int, int], of_all: bool) -> BoolArray:
    """Where one figure of the model's inputs differs, as far as can be told apart: (draw or 1, strategy or 1)."""
    if isinstance(mine, np.ndarray) and isinstance(known, np.ndarray) and mine.shape[1:] == known.shape[1:]:
        return np.asarray((abs(mine - known) > SAME * abs(known)).reshape(shape[0], 1 if of_all else shape[1], -1).any(axis=2))
    if isinstance(mine, tuple) and isinstance(known, tuple) and len(mine) == len(known) == shape[1] and not of_all:
        return np.array([[a != b for a, b in zip(mine, known, strict=True)]])
    return np.array([[isinstance(mine, np.ndarray) or mine != known]])
