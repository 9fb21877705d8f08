"""Outcomes by strategy: life-years and QALYs from activity, risks of a first bleed, and the utilities behind them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from econmodel.economics.activity import Activity
from econmodel.parameters.catalogue import COMPLICATIONS
from econmodel.parameters.parameter_set import ParameterSet

FloatArray = NDArray[np.float64]
UTILITY_OF = {
    "at_risk": "u_never_bled",
    "in_course": "u_never_bled",
    "protected": "u_never_bled",
    "bleeding": "u_bleeding",
    "rebleeding": "u_bleeding",
    "post_bleed": "u_post_bleed",
    "transplanted": "u_transplanted",
}
UNDISCOUNTED, COSTS, OUTCOMES = 0, 1, 2


@dataclass(frozen=True)
class Utilities:
    """Utility by state and one-off QALY loss by activity; each (draw,)."""

    by_state: Mapping[str, FloatArray]
    losses: Mapping[str, FloatArray]


def resolve_utilities(parameters: ParameterSet, v: Mapping[str, FloatArray]) -> Utilities:
    """Gather utilities; a bleed counts as its state's value or as a one-off loss, never both."""
    by_state = {state: v[name] for state, name in UTILITY_OF.items()}
    losses = {"sessions": v["du_session"], "drug_year": v["du_drug_year"], **{kind: v[f"du_{kind}"] for kind in COMPLICATIONS}}
    zero = np.zeros_like(v["du_session"])
    if parameters.text("bleed_utility") == "one_off":
        by_state |= {"bleeding": v["u_never_bled"], "rebleeding": v["u_post_bleed"]}
        losses |= {"first_bleeds": v["du_bleed_episode"], "rebleeds": v["du_bleed_episode"]}
    else:
        losses |= {"first_bleeds": zero, "rebleeds": zero}
    return Utilities(by_state, losses)


def life_years(activity: Activity, weighting: int = OUTCOMES, years: int | None = None) -> FloatArray:
    """Life-years per patient: (draw, strategy, group)."""
    return np.asarray(sum(activity.total(state, weighting, years) for state in activity.state_years))


def qalys(activity: Activity, utilities: Utilities, weighting: int = OUTCOMES, years: int | None = None) -> FloatArray:
    """Quality-adjusted life-years per patient: (draw, strategy, group)."""
    lived = sum(activity.total(state, weighting, years) * u[:, None, None] for state, u in utilities.by_state.items())
    lost = sum(activity.total(name, weighting, years) * du[:, None, None] for name, du in utilities.losses.items())
    return np.asarray(lived - lost)
