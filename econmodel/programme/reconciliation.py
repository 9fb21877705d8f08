"""From what the programme costs society to what the hospital's cash shows, one step a number; and its cash after the budget."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from econmodel.economics.activity import MonthlyProfiles
from econmodel.economics.prices import Prices
from econmodel.model.inputs import horizon_years
from econmodel.parameters.catalogue import CATEGORY
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.programme.after_bleed import profiles_of
from econmodel.programme.budget import Budget, run_budget
from econmodel.programme.inputs import ProgrammeInputs
from econmodel.programme.money.rows import Row
from econmodel.records import record

LATER = (6, 10)


@record
class BridgeStep:
    """One step: what it is, what it adds, and where it leads; money above 0 is gained."""

    key: str
    label: str
    change: float
    total: float

    def to_json(self) -> dict[str, Any]:
        """Give the step for JSON."""
        return asdict(self)


def reconcile(
    budget: Budget, planned: tuple[MonthlyProfiles, Prices], usual_care: Mapping[str, float], added: float
) -> tuple[BridgeStep, ...]:
    """Walk from full cost over a lifetime against usual care to the net present value in cash.

    Parameters
    ----------
    budget
        Deterministic budget of the proposal.
    planned
        Activity per start of every strategy, and prices.
    usual_care
        The mix that is usual care for all.
    added
        Full cost over a lifetime that one start of the proposal adds against it, discounted.
    """
    against_usual = run_budget(budget.inputs.changed(current_mix=dict(usual_care)), *planned, CATEGORY)

    def contribution(of: Budget) -> float:
        return float(of.totals[Row.NET_CONTRIBUTION].mean())

    totals = {
        "full_cost": ("Full cost over a lifetime against usual care", -added * float(budget.totals[Row.STARTS].mean())),
        "as_paid": ("As this hospital pays and is paid, within the budget", contribution(against_usual)),
        "todays_mix": ("Against today's mix of care instead", contribution(budget)),
        "fixed": ("Less fixed cost, equipment, tax and money owed", float(budget.flows_with_end.sum(axis=1).mean())),
        "discounting": ("Discounted: net present value in cash", float(budget.npv_cash.mean())),
    }
    steps, before = [], 0.0
    for key, (label, total) in totals.items():
        steps.append(BridgeStep(key, label, total - before, total))
        before = total
    return tuple(steps)


def later_cash(parameters: ParameterSet, inputs: ProgrammeInputs, prices: Prices) -> float | None:
    """Net cash of years 6 to 10 together, were the programme to go on as it is, in the basis of the cash.

    None where the budget holds them or the horizon ends before, or where a contract names its years one by one.
    """
    first, last = LATER
    by_year = any(len(c.plan) > 1 or len(c.baseline) > 1 for c in inputs.contracts)
    if by_year or inputs.n_budget_years >= last or horizon_years(parameters) < last:
        return None
    longer = inputs.changed(n_budget_years=last, at_end="going_concern")
    budget = run_budget(longer, profiles_of(parameters, last), prices, CATEGORY)
    return float(budget.years[Row.NET_CASH][:, first:].sum(axis=1).mean())
