"""Break-even volume: starts a year at which the net present value is zero, searched, with the textbook ratio beside it.

The whole intake (starts, month by month) is scaled, so ramp and waiting keep their shape; fixed cost, capital, spare
sessions and block size stay, so steps are included. Volumes are a mean over the budget's years.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict
from typing import Any

import numpy as np
from numpy.typing import NDArray

from econmodel.programme.budget import Budget, cash_flow
from econmodel.programme.money import finance
from econmodel.programme.money.levels import price_indices
from econmodel.programme.money.rows import Row
from econmodel.records import record

FloatArray = NDArray[np.float64]
LARGEST_MULTIPLE = 20.0
GRID = 201
MOST, STEPS, PARTS, ROUNDS = 3.0, 1200, 65, 4
Intervals = tuple[tuple[float, float | None], ...]


@record
class BreakEven:
    """Break-even volume of a deterministic budget.

    Attributes
    ----------
    expected
        Starts a year expected, mean over the budget.
    searched
        Smallest starts a year from which the net present value is 0 or more; None where no volume up to ``largest``
        reaches it.
    sustained
        Smallest starts a year from which it stays so, up to ``largest``; differs where a step pushes it below 0 again.
    textbook
        (Yearly fixed cost + annualised capital) / net contribution per start; None where that contribution is not
        positive. It leaves out steps, timing, escalation and tax.
    contribution_per_start
        Net contribution (R11) per start over the budget.
    largest
        Largest volume searched.
    capacity
        Starts a year that the session slots allow; None without limit.
    steady_state
        Starts of year 1 before growth and without the backlog, as far as the slots allow at full ramp.
    intervals_cash, intervals_capacity
        Volumes m x ``steady_state``, 0 < m <= 3, at which the net present value in cash, or with staff time counted as money, is 0
        or more: cut where a step in cost brings it below; the last has no end where it holds at three times the volume.
    """

    expected: float
    searched: float | None
    sustained: float | None
    textbook: float | None
    contribution_per_start: float | None
    largest: float
    capacity: float | None
    steady_state: float
    intervals_cash: Intervals
    intervals_capacity: Intervals

    @property
    def volumes(self) -> str:
        """Say at which volumes it pays in cash."""
        said = [f"{low:.1f} and more" if high is None else f"{low:.1f} to {high:.1f}" for low, high in self.intervals_cash]
        where = f"at {', '.join(said)} starts a year" if said else f"at no volume up to {MOST * self.steady_state:.0f} starts a year"
        return f"pays in cash {where}; {self.steady_state:.1f} are expected in a steady year"

    @property
    def text(self) -> str:
        """Plain sentence."""
        if self.expected == 0:
            return "nobody is expected to start, so there is no volume to compare with"
        if self.searched is None:
            return f"no volume up to {self.largest:.0f} starts a year brings the net present value to zero"
        if self.searched == 0:
            return "the net present value is not negative at any smaller volume"
        said = f"{self.searched:.1f} starts a year, against {self.expected:.1f} expected"
        if self.sustained is None or self.sustained > self.searched:
            until = "" if self.sustained is None else f" up to {self.sustained:.1f}"
            said += f"; a step in cost pushes the net present value below zero again{until}"
        if self.capacity is not None and self.searched > self.capacity:
            said += f"; the session slots allow {self.capacity:.1f}"
        return said

    def to_json(self) -> dict[str, Any]:
        """Give the volumes and the sentence for JSON."""
        return asdict(self) | {"text": self.text}


def npv_at(budget: Budget, multiples: FloatArray) -> FloatArray:
    """Net present value at multiples of the expected volume, shape (multiple,); one batch, multiples as draws."""
    _, years, _ = cash_flow(budget.inputs, budget.volume.scaled(multiples), budget.capital, price_indices(budget.inputs))
    return np.asarray(years[Row.PRESENT_VALUE].sum(axis=1))


def break_even(budget: Budget) -> BreakEven:
    """Search the break-even volume of a deterministic budget: one draw."""
    expected = float(budget.intake.starts_per_year.mean())
    multiples = _grid()
    good = npv_at(budget, multiples) >= -1e-9
    first = int(np.argmax(good)) if good.any() else None
    bad = np.flatnonzero(~good)
    last_bad = int(bad[-1]) if bad.size else -1
    stays = None if last_bad == len(good) - 1 else last_bad + 1
    found = {k: None if k is None or expected == 0 else expected * _refine(budget, multiples, k) for k in {first, stays}}
    per_start = _contribution_per_start(budget)
    slots, steady = float(budget.intake.capacity.mean()) * 12.0, steady_state(budget)
    return BreakEven(
        expected,
        found[first],
        found[stays],
        _textbook(budget, per_start),
        per_start,
        expected * LARGEST_MULTIPLE,
        slots if np.isfinite(slots) else None,
        steady,
        *(paying_volumes(budget, steady, capacity=valued) for valued in (False, True)),
    )


def steady_state(budget: Budget) -> float:
    """Starts of year 1 before growth and without the backlog, no more than the slots allow at full ramp."""
    return float(np.minimum(budget.inputs.eligible_per_year, 12.0 * budget.intake.capacity.max(axis=1)).mean())


def paying_volumes(budget: Budget, steady: float, *, capacity: bool) -> Intervals:
    """Intervals of starts a year at which the net present value is 0 or more, up to three times a steady year.

    ``capacity`` counts staff time freed as money, which moves in proportion to the volume.
    """
    freed = float((budget.npv_with_capacity - budget.npv_cash).mean()) if capacity else 0.0

    def pays(multiples: FloatArray) -> NDArray[np.bool_]:
        return np.asarray(npv_at(budget, multiples) + freed * multiples >= -1e-9)

    grid = np.linspace(0.0, MOST, STEPS + 1)[1:]
    good = pays(grid)
    edges = np.flatnonzero(np.diff(good))
    turns = [_turn(pays, float(grid[i]), float(grid[i + 1])) for i in edges]
    starts, ends = ([x for x, i in zip(turns, edges, strict=True) if good[i + 1] == up] for up in (True, False))
    starts = [0.0, *starts] if good[0] else starts
    closed = [steady * end for end in ends]
    return tuple((steady * low, high) for low, high in zip(starts, [*closed, None] if good[-1] else closed, strict=True))


def _turn(pays: Callable[[FloatArray], NDArray[np.bool_]], low: float, high: float) -> float:
    """Multiple between two neighbours of which one pays, on the side that does."""
    for _ in range(ROUNDS):
        inner = np.linspace(low, high, PARTS)
        good = pays(inner)
        k = int(np.flatnonzero(np.diff(good))[0])
        low, high, rising = float(inner[k]), float(inner[k + 1]), bool(good[k + 1])
    return high if rising else low


def _grid() -> FloatArray:
    """Multiples of the expected volume, dense below twice the volume."""
    return np.concatenate([np.linspace(0.0, 2.0, GRID), np.linspace(2.0, LARGEST_MULTIPLE, GRID)[1:]])


def _refine(budget: Budget, multiples: FloatArray, position: int) -> float:
    """Narrow the bracket below a grid point to a relative width of about 1e-9."""
    if position == 0:
        return 0.0
    low, high = float(multiples[position - 1]), float(multiples[position])
    for _ in range(4):
        inner = np.linspace(low, high, 65)
        good = npv_at(budget, inner) >= 0.0
        good[-1] = True
        k = max(1, int(np.flatnonzero(~good)[-1]) + 1) if (~good).any() else 1
        low, high = float(inner[k - 1]), float(inner[k])
    return high


def _contribution_per_start(budget: Budget) -> float | None:
    starts = float(budget.totals[Row.STARTS].mean())
    return float(budget.totals[Row.NET_CONTRIBUTION].mean()) / starts if starts else None


def _textbook(budget: Budget, per_start: float | None) -> float | None:
    if per_start is None or per_start <= 0:
        return None
    years = budget.inputs.n_budget_years
    rate = float(budget.rate.mean())
    capital = float(finance.npv(budget.rate, budget.years[Row.CAPITAL] - budget.years[Row.BOOK_VALUE]).mean())
    fixed = float(budget.totals[Row.FIXED_COST].mean()) / years + finance.annualised(capital, rate, years)
    return fixed / per_start
