"""Price lists and the four views on one activity.

A price holds for each activity a full cost, a variable share, a payment received and a cost to patient and carer.
Views: ``hospital`` is full cost; ``hospital_margin`` is variable cost less payment received (a cost when positive);
``payer`` is payments; ``societal`` is full cost plus the cost to patient and carer.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from econmodel.economics.activity import Activity
from econmodel.errors import AnalysisError
from econmodel.parameters.catalogue import BOTTOM_UP, CATEGORY, PER_EPISODE, PRICED_AS
from econmodel.parameters.parameter_set import ParameterSet

FloatArray = NDArray[np.float64]
VIEWS = ("hospital", "hospital_margin", "payer", "societal")


@dataclass(frozen=True)
class Prices:
    """Prices by activity; arrays are (draw, activity)."""

    activities: tuple[str, ...]
    full_cost: FloatArray
    variable_share: FloatArray
    payment: FloatArray
    patient_cost: FloatArray

    def view(self, perspective: str) -> FloatArray:
        """Money per unit of activity under a view: (draw, activity).

        Raises
        ------
        AnalysisError
            The view is unknown.
        """
        match perspective:
            case "hospital":
                return self.full_cost
            case "hospital_margin":
                return self.full_cost * self.variable_share - self.payment
            case "payer":
                return self.payment
            case "societal":
                return self.full_cost + self.patient_cost
        what = f"perspective {perspective!r}: must be one of {', '.join(VIEWS)}"
        raise AnalysisError(what, fix="set perspective to one of them")


def resolve_prices(parameters: ParameterSet, v: Mapping[str, FloatArray]) -> Prices:
    """Gather the price list.

    A bleed is priced per episode or from days and events, never both: the prices of the way not chosen are 0.
    """
    n_draws = len(v["p_icu_bleed"])
    names = tuple(CATEGORY)
    unpriced = BOTTOM_UP if parameters.text("bleed_costing") == "per_episode" else PER_EPISODE

    def column(stem: str) -> FloatArray:
        columns = []
        for activity in names:
            name = stem + PRICED_AS.get(activity, activity)
            priced = name in v and activity not in unpriced
            columns.append(v[name] if priced else np.zeros(n_draws))
        return np.stack(columns, axis=1)

    return Prices(names, column("c_"), column("share_variable_"), column("payment_"), column("c_patient_"))


def money(
    activity: Activity, prices: Prices, perspective: str, *, weighting: int = 1, years: int | None = None, category: str | None = None
) -> FloatArray:
    """Money over the first ``years``: (draw, strategy, group).

    Parameters
    ----------
    activity, prices
        What happened, and what it is worth.
    perspective
        One of :data:`VIEWS`.
    weighting
        0 undiscounted, 1 discounted at the rate of costs.
    years
        Horizon in years; None is the whole run.
    category
        Only activities of this category.
    """
    return _priced(lambda name: activity.total(name, weighting, years), prices, perspective, category)


def money_by_period(activity: Activity, prices: Prices, perspective: str, *, weighting: int = 0) -> FloatArray:
    """Money in each period, not discounted unless a weighting says so: (period, draw, strategy, group)."""
    return _priced(lambda name: activity.by_period(name, weighting), prices, perspective)


def _priced(amount: Callable[[str], FloatArray], prices: Prices, perspective: str, category: str | None = None) -> FloatArray:
    """Sum over activities of amount times price; an amount is (..., draw, strategy, group)."""
    unit = prices.view(perspective)
    total = np.zeros_like(amount("first_bleeds"))
    for a, name in enumerate(prices.activities):
        if category is None or CATEGORY[name] == category:
            total = total + amount(name) * unit[:, a][:, None, None]
    return total
