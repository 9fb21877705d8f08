"""Outcomes by strategy: life-years and QALYs from activity, risks of a first bleed, and the utilities behind them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from functools import partial

import numpy as np
from numpy.typing import NDArray

from econmodel.arrays import choose
from econmodel.economics.activity import FIRST_BLEEDS, INDEX_BLEEDS, Activity
from econmodel.parameters.catalogue import COMPLICATIONS
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.schema import PROCESS
from econmodel.records import record

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
COURSE_UTILITY_OF = {
    "patent": "u_never_bled",
    "protected_lost": "u_never_bled",
    "patent_lost": "u_never_bled",
    "bleeding_other": "u_bleeding",
    "rebleeding_other": "u_bleeding",
    "post_other": "u_post_bleed",
}
UNDISCOUNTED, COSTS, OUTCOMES = 0, 1, 2


@record
class Utilities:
    """Utility by state and one-off QALY loss by activity; each (draw,)."""

    by_state: Mapping[str, FloatArray]
    losses: Mapping[str, FloatArray]


def resolve_utilities(parameters: ParameterSet, v: Mapping[str, FloatArray]) -> Utilities:
    """Gather utilities of every draw; a cohort that has bled loses nothing by a first bleed, and by its index bleed once."""
    utility_of = UTILITY_OF | (COURSE_UTILITY_OF if parameters.text("effect_basis") == PROCESS else {})
    found = gather_utilities(v, parameters.text("bleed_utility"), utility_of)
    if not parameters.has_bled:
        return found
    losses = {name: loss for name, loss in found.losses.items() if name not in FIRST_BLEEDS}
    index = {INDEX_BLEEDS: found.losses["rebleeds"]} if parameters.text("cohort_start") == "bleeding" else {}
    return Utilities(found.by_state, losses | index)


def gather_utilities(v: Mapping[str, FloatArray], bleed_utility: str, utility_of: Mapping[str, str] = UTILITY_OF) -> Utilities:
    """Gather utilities; a bleed counts as its state's value or as a one-off loss, never both."""
    one_off = bleed_utility == "one_off"
    instead = {"bleeding": "u_never_bled", "rebleeding": "u_post_bleed"}
    instead |= {f"{state}_other": name for state, name in instead.items() if f"{state}_other" in utility_of}
    by_state = {state: v[name] for state, name in utility_of.items()}
    by_state |= {s: choose(one_off, partial(v.__getitem__, n), partial(v.__getitem__, utility_of[s])) for s, n in instead.items()}
    episode = choose(one_off, lambda: v["du_bleed_episode"], lambda: np.zeros_like(v["du_session"]))
    losses = {"sessions": v["du_session"], "drug_year": v["du_drug_year"], **{kind: v[f"du_{kind}"] for kind in COMPLICATIONS}}
    return Utilities(by_state, losses | {"first_bleeds": episode, "rebleeds": episode})


def life_years(activity: Activity, weighting: int = OUTCOMES, years: int | None = None) -> FloatArray:
    """Life-years per patient: (draw, strategy, group)."""
    return lived(lambda state: activity.total(state, weighting, years), activity.state_years)


def qalys(activity: Activity, utilities: Utilities, weighting: int = OUTCOMES, years: int | None = None) -> FloatArray:
    """Quality-adjusted life-years per patient: (draw, strategy, group)."""
    return quality_lived(lambda name: activity.total(name, weighting, years), utilities)


def lived(amount: Callable[[str], FloatArray], states: Iterable[str]) -> FloatArray:
    """Years lived, of the years in each state."""
    return sum(amount(state) for state in states)  # type: ignore[return-value]


def quality_lived(amount: Callable[[str], FloatArray], utilities: Utilities) -> FloatArray:
    """QALYs, of the years in each state and the events that lose some."""
    lived = sum(amount(state) * u[:, None, None] for state, u in utilities.by_state.items())
    lost = sum(amount(name) * du[:, None, None] for name, du in utilities.losses.items())
    return lived - lost  # type: ignore[return-value]
