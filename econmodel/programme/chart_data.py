"""Data behind the four charts of the programme, as rows: nothing is drawn here."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from econmodel.programme.budget import Budget
from econmodel.programme.report import ProgrammeFindings
from econmodel.programme.rows import LABELS

FloatArray = NDArray[np.float64]
FAN = (0.025, 0.25, 0.5, 0.75, 0.975)
BRIDGE = (("R6", 1.0), ("R7", 1.0), ("R8", -1.0), ("R9", 1.0), ("R10", -1.0), ("R11", 0.0), ("R12", -1.0), ("R13", -1.0), ("R14", 0.0))


def _rows(columns: dict[str, FloatArray]) -> list[dict[str, Any]]:
    lists = {name: column.tolist() for name, column in columns.items()}
    return [dict(zip(lists, row, strict=True)) for row in zip(*lists.values(), strict=True)]


def cumulative_cash_rows(found: ProgrammeFindings) -> list[dict[str, Any]]:
    """Cumulative net cash by quarter: base, best, worst, and the fan over draws where there are draws.

    ``best`` is the favourable case (volume +50%, payment +20%, no delay), ``worst`` the three worst downside rows
    together. ``year`` is the time in years, 0 the start; the fan is ``q2.5`` to ``q97.5``.
    """
    budget = found.budget
    lines = {"base": budget, "best": found.favourable, "worst": found.worst}
    columns = {"year": np.arange(4 * budget.inputs.n_budget_years + 1) / 4.0}
    columns |= {name: _by_quarter(b).mean(axis=0) for name, b in lines.items()}
    if found.draws is not None:
        fan = np.quantile(_by_quarter(found.draws), FAN, axis=0)
        columns |= {f"q{100 * q:g}": line for q, line in zip(FAN, fan, strict=True)}
    return _rows(columns)


def _by_quarter(budget: Budget) -> FloatArray:
    return np.concatenate([budget.years["R19"][:, :1], budget.quarters["R19"]], axis=1)


def contribution_bridge_rows(found: ProgrammeFindings) -> list[dict[str, Any]]:
    """Bridge from prophylaxis contribution to operating cash, totals over the budget.

    Each row has ``row``, ``label``, ``value`` (signed as it moves cash), ``start`` and ``end`` of its bar; R11 and R14
    are totals and start at 0.
    """
    level, rows = 0.0, []
    for row, sign in BRIDGE:
        total = float(found.budget.totals[row].mean())
        start, value = (0.0, total) if sign == 0 else (level, sign * total)
        level = start + value
        rows.append({"row": row, "label": LABELS[row], "value": value, "start": start, "end": level, "is_total": sign == 0})
    return rows


def downside_rows(found: ProgrammeFindings) -> list[dict[str, Any]]:
    """Downside bars: one row each with net present value and change against the base, which is the first row."""
    budget = found.budget
    base = {"key": "base", "label": "Base case", "npv": float(budget.npv.mean()), "npv_change": 0.0}
    return [base, *({"key": r.key, "label": r.label, "npv": r.npv, "npv_change": r.npv_change} for r in found.downside)]


def bleeds_rows(found: ProgrammeFindings) -> list[dict[str, Any]]:
    """Bleeds (first and again) by year among those who start, without and with the programme, and their cumulative."""
    activity = found.budget.activity
    yearly = {
        name: activity.total(array, "first_bleeds", "rebleeds").mean(axis=0).reshape(-1, 12).sum(axis=1)
        for name, array in (("without", activity.current), ("with", activity.proposed))
    }
    rows = _rows({**yearly, **{f"cumulative_{name}": counts.cumsum() for name, counts in yearly.items()}})
    return [{"year": year, **row} for year, row in enumerate(rows, start=1)]
