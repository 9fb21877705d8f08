"""Two-way analysis: an outcome over two inputs together, with the line where it is 0."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from econmodel.errors import AnalysisError
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.records import record
from econmodel.uncertainty.deterministic import Asked, points_in_range
from econmodel.wording import lower, plain_number

FloatArray = NDArray[np.float64]
TWO_WAY_POINTS = 21
ACROSS, UPWARDS = ("r_late_rebleed_gastric", "r_late_rebleed"), "p_first_bleed_year_1"
SOURCES = ("r_late_rebleed_gastric", "r_late_rebleed_other")


@record
class Grid:
    """Outcome over two inputs: ``values`` is (y, x)."""

    x: str
    y: str
    x_label: str
    y_label: str
    x_values: FloatArray
    y_values: FloatArray
    values: FloatArray
    base: tuple[float, float]

    def rows(self) -> list[dict[str, float | None]]:
        """One row per point; no outcome where the two values cannot stand together."""
        return [
            {self.x: float(a), self.y: float(b), "outcome": float(self.values[j, i]) if np.isfinite(self.values[j, i]) else None}
            for j, b in enumerate(self.y_values)
            for i, a in enumerate(self.x_values)
        ]

    def break_even(self) -> list[tuple[float, float]]:
        """Points where the outcome crosses 0, interpolated along x: the line where prophylaxis stops saving."""
        points = []
        for y, row in zip(self.y_values, self.values, strict=True):
            for i in np.flatnonzero(np.sign(row[:-1]) * np.sign(row[1:]) < 0):
                t = row[i] / (row[i] - row[i + 1])
                points.append((float(self.x_values[i] + t * (self.x_values[i + 1] - self.x_values[i])), float(y)))
        return points


def default_pair(parameters: ParameterSet) -> tuple[str, str]:
    """Late rebleeding, as far as it acts, and the untreated risk: the map that is drawn where none is asked for."""
    return next(name for name in ACROSS if not parameters.idle(name)), UPWARDS


def two_way_sentence(question: Asked, grid: Grid) -> str:
    """Say over what span the outcome runs on the map, and where it turns."""
    known = grid.values[~np.isnan(grid.values)]
    if known.size == 0:
        return f"{question.subject}: no pair of {lower(grid.x_label)} and {lower(grid.y_label)} gives an answer."
    said = (
        f"{question.subject}: over {lower(grid.x_label)} ({plain_number(grid.x_values[0])} to "
        f"{plain_number(grid.x_values[-1])}) and {lower(grid.y_label)} ({plain_number(grid.y_values[0])} to "
        f"{plain_number(grid.y_values[-1])}), {lower(question.label)} runs from {question.say(known.min())} to "
        f"{question.say(known.max())}"
    )
    if question.outcome == "cost":
        where = "everywhere" if known.max() < 0 else "nowhere" if known.min() >= 0 else "on one side of the break-even line"
        said += f"; over that time it saves {where} on the map"
    return said + "."


def two_way(question: Asked, x: str, y: str, points: int = TWO_WAY_POINTS) -> Grid:
    """Vary two inputs together over their declared ranges; effects stay calibrated on the evidence.

    Raises
    ------
    AnalysisError
        An input has no range, or both are the same.
    """
    a, b = (question.needed(n) for n in (x, y))
    if x == y or a.range is None or b.range is None:
        what = f"two-way analysis of {x} and {y}: must be two different inputs"
        raise AnalysisError(what, where="--two-way", fix=f"for example --two-way {' '.join(default_pair(question.parameters))}")
    xs, ys = (points_in_range(p, points) for p in (a, b))
    results = question.held().answers([{x: float(i), y: float(j)} for j in ys for i in xs])
    return Grid(x, y, a.label, b.label, xs, ys, results.reshape(len(ys), len(xs)), (float(a.value or 0), float(b.value or 0)))


def by_source(parameters: ParameterSet) -> list[tuple[str, str]]:
    """Late rebleeding from the varix, and from another source; none where either does not act."""
    return [] if any(map(parameters.idle, SOURCES)) else [SOURCES]
