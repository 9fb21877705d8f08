"""Price lists and the four views on one activity.

A price holds for each activity a full cost, a variable share, a payment received and a cost to patient and carer.
Views: ``hospital`` is full cost; ``hospital_margin`` is variable cost less payment received (a cost when positive);
``payer`` is payments; ``societal`` is full cost plus the cost to patient and carer.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray

from econmodel.arrays import choose
from econmodel.economics.activity import Activity
from econmodel.economics.bleed_prices import split_bleeds
from econmodel.errors import AnalysisError
from econmodel.parameters.catalogue import BOTTOM_UP, CATEGORY, PER_EPISODE, PRICED_AS
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.records import record

FloatArray = NDArray[np.float64]
PRICED_UNDER = {**dict.fromkeys(PER_EPISODE, "per_episode"), **dict.fromkeys(BOTTOM_UP, "bottom_up")}
STEMS = {"full_cost": "c_", "variable_share": "share_variable_", "payment": "payment_", "patient_cost": "c_patient_"}


@record
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
        if perspective not in VIEWS:
            what = f"perspective {perspective!r}: must be one of {', '.join(VIEWS)}"
            raise AnalysisError(what, fix="set perspective to one of them")
        return VIEWS[perspective](self)


VIEWS: dict[str, Callable[[Prices], FloatArray]] = {
    "hospital": lambda p: p.full_cost,
    "hospital_margin": lambda p: p.full_cost * p.variable_share - p.payment,
    "payer": lambda p: p.payment,
    "societal": lambda p: p.full_cost + p.patient_cost,
}


def list_price(activity: str, stem: str, v: Mapping[str, FloatArray], costing: str, nil: FloatArray) -> FloatArray:
    """One figure of one activity's price; ``nil`` where it has none, or where bleeds are costed the other way.

    A bleed is priced per episode or from days and events, never both: the prices of the way not chosen are 0.
    """
    name = stem + PRICED_AS.get(activity, activity)
    if name not in v:
        return nil
    counted = PRICED_UNDER.get(activity)
    return v[name] if counted is None else choose(costing == counted, lambda: v[name], lambda: nil)


def resolve_prices(parameters: ParameterSet, v: Mapping[str, FloatArray], died: FloatArray) -> Prices:
    """Gather the price list of every draw; ``died`` as in :func:`~econmodel.economics.bleed_prices.split_bleeds`, (draw,)."""
    v = {**v, **split_bleeds(v, died)}
    nil, costing = np.zeros(len(v["p_icu_bleed"])), parameters.text("bleed_costing")

    def column(stem: str) -> FloatArray:
        return np.stack([list_price(activity, stem, v, costing, nil) for activity in CATEGORY], axis=1)

    return Prices(tuple(CATEGORY), **{field: column(stem) for field, stem in STEMS.items()})


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
