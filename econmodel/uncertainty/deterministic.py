"""One-way and two-way analysis of one strategy against one comparator; thresholds and scenarios stand beside them.

Outcomes: ``cost`` (net cost per patient over the headline years), ``bleeds`` (bleeds averted per 100, headline years),
``nnt`` (first bleed, headline years), ``qalys`` and ``nmb`` (QALYs gained and net monetary benefit over the time horizon).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from econmodel.errors import AnalysisError
from econmodel.uncertainty.questions import Question, answer, answer_to, compared, needed_input, points_in_range, say_outcome
from econmodel.wording import lower, plain_number

if TYPE_CHECKING:
    from econmodel.uncertainty.scenarios import ScenarioRow
    from econmodel.uncertainty.thresholds import Threshold

FloatArray = NDArray[np.float64]
TWO_WAY_POINTS = 21
DEFAULT_PAIR = ("r_late_rebleed", "p_first_bleed_year_1")
DEFINES = ("headline_years", "horizon_years")


@dataclass(frozen=True)
class TornadoRow:
    """Outcome at an input's low and high, all else at base."""

    name: str
    label: str
    unit: str
    low_value: float
    high_value: float
    outcome_at_low: float
    outcome_at_high: float
    base: float
    basis: str
    status: str

    @property
    def swing(self) -> float:
        """Distance between the two outcomes."""
        return abs(self.outcome_at_high - self.outcome_at_low)


def one_way(question: Question, names: Sequence[str] | None = None) -> list[TornadoRow]:
    """Vary each input over its declared range; widest first, inputs without effect left out.

    Raises
    ------
    AnalysisError
        A named input has no range.
    """
    known = question.parameters.numeric()
    chosen = (
        [needed_input(question.parameters, n) for n in names]
        if names
        else [p for p in known.values() if p.range is not None and p.range.high > p.range.low and p.name not in DEFINES]
    )
    changes = [{p.name: bound} for p in chosen if p.range for bound in (p.range.low, p.range.high)]
    base = float(answer(question)[0])
    results = answer_to(question, changes)
    rows = [
        TornadoRow(
            p.name,
            p.label,
            p.unit,
            p.range.low,
            p.range.high,
            float(results[2 * i]),
            float(results[2 * i + 1]),
            base,
            p.range.basis,
            p.status,
        )
        for i, p in enumerate(chosen)
        if p.range
    ]
    scale = 1e-9 * max(1.0, abs(base))
    return sorted((r for r in rows if not r.swing <= scale), key=lambda r: -np.nan_to_num(r.swing, nan=0.0))


@dataclass(frozen=True)
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
            {self.x: float(a), self.y: float(b), "outcome": None if np.isnan(self.values[j, i]) else float(self.values[j, i])}
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


def two_way_sentence(question: Question, grid: Grid) -> str:
    """Say over what span the outcome runs on the map, and where it turns."""
    known = grid.values[~np.isnan(grid.values)]
    if known.size == 0:
        return f"{compared(question)}: no pair of {lower(grid.x_label)} and {lower(grid.y_label)} gives an answer."
    said = (
        f"{compared(question)}: over {lower(grid.x_label)} ({plain_number(grid.x_values[0])} to "
        f"{plain_number(grid.x_values[-1])}) and {lower(grid.y_label)} ({plain_number(grid.y_values[0])} to "
        f"{plain_number(grid.y_values[-1])}), {lower(question.label)} runs from {say_outcome(question, known.min())} to "
        f"{say_outcome(question, known.max())}"
    )
    share = float(np.mean(known < 0))
    if question.outcome == "cost":
        said += f"; it saves in {share:.0%} of the map" if share > 0 else "; it saves nowhere on the map"
    return said + "."


def two_way(question: Question, x: str = DEFAULT_PAIR[0], y: str = DEFAULT_PAIR[1], points: int = TWO_WAY_POINTS) -> Grid:
    """Vary two inputs together over their declared ranges.

    Raises
    ------
    AnalysisError
        An input has no range, or both are the same.
    """
    a, b = (needed_input(question.parameters, n) for n in (x, y))
    if x == y or a.range is None or b.range is None:
        what = f"two-way analysis of {x} and {y}: must be two different inputs"
        raise AnalysisError(what, where="--two-way", fix=f"for example --two-way {' '.join(DEFAULT_PAIR)}")
    xs, ys = (points_in_range(p, points) for p in (a, b))
    results = answer_to(question, [{x: float(i), y: float(j)} for j in ys for i in xs])
    return Grid(x, y, a.label, b.label, xs, ys, results.reshape(len(ys), len(xs)), (float(a.value or 0), float(b.value or 0)))


def plain_rows(rows: Sequence[TornadoRow] | Sequence[ScenarioRow] | Sequence[Threshold]) -> list[dict[str, Any]]:
    """Rows as plain data for CSV and JSON."""
    return [{k: None if isinstance(v, float) and np.isnan(v) else v for k, v in asdict(row).items()} for row in rows]
