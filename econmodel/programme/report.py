"""The programme's findings as one document: budget, views, downside, break-even, savings and sentences."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from econmodel.errors import AnalysisError
from econmodel.programme.break_even import BreakEven, break_even
from econmodel.programme.budget import Budget, Rows, is_change, run_budget
from econmodel.programme.capacity import capacity_by_year, savings
from econmodel.programme.downside import WORST_THREE, DownsideRow, Reprofile, downside_budgets, downside_table, favourable_budget
from econmodel.programme.headline import headline, uncertainty
from econmodel.programme.inputs import ProgrammeInputs
from econmodel.programme.intake import funnel_steps
from econmodel.programme.protocols import PricesLike, ProfilesLike
from econmodel.programme.rows import LABELS
from econmodel.programme.sentences import amount, not_overlooked, uncomfortable_truths, verdict
from econmodel.programme.views import own_view, payment_views

FloatArray = NDArray[np.float64]
QUARTERS_SHOWN = 8


@dataclass(frozen=True)
class ProgrammeFindings:
    """The deterministic budget with what the decision needs; ``draws`` is a batch of draws of it, if there is one."""

    budget: Budget
    views: Mapping[str, dict[str, Any]]
    downside: tuple[DownsideRow, ...]
    break_even: BreakEven
    favourable: Budget
    worst: Budget
    draws: Budget | None = None

    def to_dict(self) -> dict[str, Any]:
        """Give budget and findings as plain numbers and text, ready for JSON."""
        document = budget_dict(self.budget)
        return document | _findings_dict(self, document["headline"])


def programme_case(
    inputs: ProgrammeInputs,
    profiles: ProfilesLike,
    prices: PricesLike,
    categories: Mapping[str, str],
    reprofile: Reprofile,
    draws: Budget | None = None,
) -> ProgrammeFindings:
    """Run the deterministic budget with everything the decision needs.

    Parameters
    ----------
    inputs, profiles, prices, categories
        As in :func:`econmodel.programme.budget.run_budget`, one draw.
    reprofile
        Gives new activity per start for clinical overrides; see :mod:`econmodel.programme.downside`.
    draws
        Budget of a batch of draws, for intervals and P(NPV < 0).

    Raises
    ------
    AnalysisError
        The inputs hold more than one draw, or a name is unknown.
    """
    budget = run_budget(inputs, profiles, prices, categories)
    if len(budget.npv) != 1:
        what = f"the deterministic budget has {len(budget.npv)} draws, must be one"
        raise AnalysisError(what, fix="run the batch with run_budget and give it as draws")
    runs = downside_budgets(budget, profiles, prices, categories, reprofile)
    favourable = favourable_budget(budget, profiles, prices, categories)
    return ProgrammeFindings(
        budget,
        payment_views(budget, profiles, prices, categories),
        downside_table(budget, runs),
        break_even(budget, prices, categories),
        favourable,
        runs[WORST_THREE][1],
        draws,
    )


def budget_dict(budget: Budget) -> dict[str, Any]:
    """Give a budget as plain numbers and text; means over draws where there are several.

    Year 0 (the start) is listed only where something is paid then.
    """
    years = [y for y in range(budget.inputs.n_budget_years + 1) if y > 0 or np.any(budget.years["R18"][:, 0])]
    return {
        "basis": _basis(budget),
        "rows": LABELS,
        "years": [{"year": y, **_column(budget.years, y), "memo": _column(budget.memo, y)} for y in years],
        "quarters": [
            {"year": q // 4 + 1, "quarter": q % 4 + 1, **_column(budget.quarters, q)}
            for q in range(min(QUARTERS_SHOWN, 4 * budget.inputs.n_budget_years))
        ],
        "totals": {k: float(a.mean()) for k, a in budget.totals.items()},
        "headline": headline(budget),
        "funnel": funnel_steps(budget.inputs),
        "capacity": capacity_by_year(budget),
        "savings": savings(budget),
        "run_off": {"months": budget.activity.run_off_months} | {k: float(a.mean()) for k, a in budget.run_off.items()},
    }


def _findings_dict(found: ProgrammeFindings, document: dict[str, Any]) -> dict[str, Any]:
    budget = found.budget
    volume = asdict(found.break_even) | {"text": found.break_even.text}
    spread = None if found.draws is None else uncertainty(found.draws)
    return {
        "headline": document
        | {
            "break_even_starts_per_year": found.break_even.searched,
            "expected_starts_per_year": found.break_even.expected,
            "verdict": verdict(budget, found.downside),
            "probability_npv_negative": None if spread is None else spread["probability_npv_negative"],
        },
        "views": dict(found.views),
        "downside": [row.to_dict() for row in found.downside],
        "break_even": volume,
        "uncertainty": spread,
        "sentences": uncomfortable_truths(budget, found.views, found.downside, found.break_even),
        "not_overlooked": not_overlooked(budget, found.downside, partial(amount, currency=budget.inputs.currency)),
    }


def _basis(budget: Budget) -> dict[str, Any]:
    inputs = budget.inputs
    return {
        "cash": inputs.cash_basis,
        "finance_rate": float(budget.rate.mean()),
        "capital": inputs.capital_basis,
        "budget_years": inputs.n_budget_years,
        "payment_view": own_view(inputs),
        "is_change": is_change(inputs),
        "currency": inputs.currency,
        "current_mix": inputs.current_mix,
        "proposed_mix": inputs.proposed_mix,
    }


def _column(rows: Rows, position: int) -> dict[str, float]:
    return {k: float(a[:, position].mean()) for k, a in rows.items()}
