"""What, alone and within its range, would turn the sign of the cash: a value of each input at which net present value is 0.

Effects stay calibrated on the evidence. Whole numbers of the plan, and choices of the analysis, are told by the downside table.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

import numpy as np
from numpy.typing import NDArray

from econmodel.arrays import bracketed_roots
from econmodel.economics.evaluate import read_by_patients
from econmodel.parameters.schema import Parameter, money_parts
from econmodel.programme.money_question import APART, MoneyQuestion
from econmodel.records import record
from econmodel.uncertainty.deterministic import points_in_range
from econmodel.wording import lower, plain_number

FloatArray = NDArray[np.float64]
NOT_ALONE = APART | {"share_harms_paid", "discount_finance", "r_inflation"}
FEW, DENSE, MOST_SAID = 3, 9, 2


@record
class Switch:
    """An input with the value, nearest to its base, at which net present value in cash changes sign."""

    input: str
    label: str
    unit: str
    value: float
    base: float
    low: float
    high: float

    @property
    def distance(self) -> float:
        """Distance from the base in half ranges."""
        return 2.0 * abs(self.value - self.base) / (self.high - self.low)

    def said(self, *, holds: bool) -> str:
        """Where it turns; ``holds``: on which side of it the cash stays at or above 0."""
        above = (self.value > self.base) != holds
        side = ("at least" if above else "at most") if not holds else ("above" if above else "below")
        return f"{lower(self.label)} {side} {plain_number(self.value)} {self.unit} (now {plain_number(self.base)})"


@record
class Switching:
    """What turns the sign of the cash, the nearest first; ``brings`` is whether it is at least 0 now."""

    rows: tuple[Switch, ...]
    brings: bool

    @property
    def sentence(self) -> str:
        """Say what would make it break even, or what it rests on."""
        if not self.rows:
            return "No single input within its range changes this."
        more = len(self.rows) - MOST_SAID
        said = [row.said(holds=self.brings) for row in self.rows[:MOST_SAID]]
        if self.brings:
            return f"It stays so only while each of: {'; '.join(said)}{f'; and {more} more' if more > 0 else ''}."
        return f"It would break even if, alone: {'; or '.join(said)}{f'; or by any of {more} more' if more > 0 else ''}."

    def to_json(self) -> list[dict[str, Any]]:
        """Give the rows for JSON."""
        return [asdict(row) for row in self.rows]


def find_switching(question: MoneyQuestion) -> Switching:
    """Find, for each input that can, the value nearest to its base at which the outcome changes sign.

    Inputs that move patients are looked at at both ends, and in nine points where the outcome is not monotone; the rest in nine.
    """
    asked, patients = question.held(), read_by_patients(question.parameters)
    inputs = [p for p in question.varying() if may_move(p)]
    grids = [_grid(p, FEW if p.name in patients else DENSE) for p in inputs]
    base, found = _ask(asked, inputs, grids)
    again = [i for i, v in enumerate(found) if len(v) <= FEW and np.unique(np.sign(np.diff(v))).size > 1]
    denser = [_grid(inputs[i], DENSE) for i in again]
    for i, grid, values in zip(again, denser, _ask(asked, [inputs[i] for i in again], denser)[1], strict=True):
        grids[i], found[i] = grid, values
    brackets = [(p, *_nearest(p, grid, v)) for p, grid, v in zip(inputs, grids, found, strict=True) if _turns(v).any()]
    rows = [
        Switch(p.name, p.label, p.unit, value, float(p.value or 0.0), p.range.low, p.range.high)
        for (p, *_), value in zip(brackets, _close(asked, brackets), strict=True)
        if p.range
    ]
    return Switching(tuple(sorted(rows, key=lambda row: row.distance)), base >= 0)


def may_move(p: Parameter) -> bool:
    """Whether an input is one that may turn the cash alone; money of 0 is left out of the case, which is a choice."""
    return p.name not in NOT_ALONE and not (p.value == 0 and money_parts(p.unit))


def _grid(p: Parameter, points: int) -> FloatArray:
    return np.unique(np.append(points_in_range(p, points), float(p.value or 0.0)))


def _ask(asked: MoneyQuestion, inputs: Sequence[Parameter], grids: Sequence[FloatArray]) -> tuple[float, list[FloatArray]]:
    """Outcome at the base, and over the grid of each input."""
    changes = [{p.name: float(x)} for p, grid in zip(inputs, grids, strict=True) for x in grid]
    base, *flat = asked.answers([{}, *changes])
    return float(base), np.split(np.array(flat), np.cumsum([len(grid) for grid in grids])[:-1]) if grids else []


def _turns(values: FloatArray) -> NDArray[np.bool_]:
    """Whether the sign changes between neighbours that both have an answer."""
    return np.asarray(((values[1:] >= 0) != (values[:-1] >= 0)) & ~np.isnan(values[1:] + values[:-1]))


def _nearest(p: Parameter, grid: FloatArray, values: FloatArray) -> tuple[float, float]:
    """Ends of the bracket nearest to the base."""
    places = np.flatnonzero(_turns(values))
    middle = (grid[places] + grid[places + 1]) / 2.0
    i = places[np.abs(middle - float(p.value or 0.0)).argmin()]
    return float(grid[i]), float(grid[i + 1])


def _close(asked: MoneyQuestion, brackets: Sequence[tuple[Parameter, float, float]]) -> list[float]:
    if not brackets:
        return []
    names = [p.name for p, *_ in brackets]
    low, high = (np.array([bracket[end] for bracket in brackets]) for end in (1, 2))
    found = bracketed_roots(lambda x: asked.answers([{n: float(v)} for n, v in zip(names, x, strict=True)]), low, high)
    return [float(value) for value in found]
