"""Data behind the four charts of the programme, as tables: nothing is drawn here."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from econmodel.errors import AnalysisError
from econmodel.programme.budget import Budget
from econmodel.programme.report import ProgrammeFindings

if TYPE_CHECKING:
    import pandas as pd

FAN = (0.025, 0.25, 0.5, 0.75, 0.975)
BRIDGE = (("R6", 1.0), ("R7", 1.0), ("R8", -1.0), ("R9", 1.0), ("R10", -1.0), ("R11", 0.0), ("R12", -1.0),
          ("R13", -1.0), ("R14", 0.0))


def _findings(budget: Budget) -> ProgrammeFindings:
    if budget.findings is None:
        what = "this budget has no downside or views"
        raise AnalysisError(what, fix="make it with programme_case instead of run_budget")
    return budget.findings


def cumulative_cash_frame(budget: Budget) -> pd.DataFrame:
    """Cumulative net cash by quarter: base, best, worst, and the fan over draws where there are draws.

    ``best`` is the favourable case (volume +50%, payment +20%, no delay), ``worst`` the three worst downside rows
    together. Column ``year`` is the time in years, 0 the start; fan columns are ``q2.5`` to ``q97.5``.
    """
    import pandas as pd

    found = _findings(budget)
    lines = {"base": budget, "best": found.favourable, "worst": found.worst}
    frame = {"year": np.arange(4 * budget.inputs.n_budget_years + 1) / 4.0}
    frame |= {name: _by_quarter(b).mean(axis=0) for name, b in lines.items()}
    if found.draws is not None:
        fan = np.quantile(_by_quarter(found.draws), FAN, axis=0)
        frame |= {f"q{100 * q:g}": line for q, line in zip(FAN, fan, strict=True)}
    return pd.DataFrame(frame)


def _by_quarter(budget: Budget) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    return np.concatenate([budget.years["R19"][:, :1], budget.quarters["R19"]], axis=1)


def contribution_bridge_frame(budget: Budget) -> pd.DataFrame:
    """Bridge from prophylaxis contribution to operating cash, totals over the budget.

    Columns: ``row``, ``label``, ``value`` (signed as it moves cash), ``start`` and ``end`` of each bar; R11 and R14
    are totals and start at 0.
    """
    import pandas as pd

    from econmodel.programme.rows import LABELS

    level, records = 0.0, []
    for row, sign in BRIDGE:
        total = float(budget.totals[row].mean())
        start, value = (0.0, total) if sign == 0 else (level, sign * total)
        level = start + value
        records.append({"row": row, "label": LABELS[row], "value": value, "start": start, "end": level,
                        "is_total": sign == 0})
    return pd.DataFrame(records)


def downside_frame(budget: Budget) -> pd.DataFrame:
    """Downside bars: one row each with net present value and change against the base, which is the first row."""
    import pandas as pd

    base = float(budget.npv.mean())
    rows = [{"key": "base", "label": "Base case", "npv": base, "npv_change": 0.0}]
    rows += [{"key": r.key, "label": r.label, "npv": r.npv, "npv_change": r.npv_change}
             for r in _findings(budget).downside]
    return pd.DataFrame(rows)


def bleeds_frame(budget: Budget) -> pd.DataFrame:
    """Bleeds (first and again) by year among those who start, without and with the programme, and their cumulative."""
    import pandas as pd

    activity = budget.activity
    yearly = {name: activity.total(array, "first_bleeds", "rebleeds").mean(axis=0).reshape(-1, 12).sum(axis=1)
              for name, array in (("without", activity.current), ("with", activity.proposed))}
    frame = pd.DataFrame({"year": np.arange(1, budget.inputs.n_budget_years + 1), **yearly})
    return frame.assign(cumulative_without=frame["without"].cumsum(), cumulative_with=frame["with"].cumsum())
