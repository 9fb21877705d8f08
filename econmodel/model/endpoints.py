"""Risk of what studies count, by time: a first bleed, a rebleed, death, an open varix, another course.

Where death competes it stays on; on the Kaplan-Meier scale whoever dies is censored, so that nobody dies of anything else,
is transplanted or, where one source alone counts, bleeds from another. A first rebleed is a run in which rebleeding is
absorbing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from econmodel.errors import AnalysisError
from econmodel.model.follow_up import follow, follow_to, without_competing
from econmodel.model.inputs import ModelInputs
from econmodel.model.structure import Move

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
COUNTED = {
    "first_gastric_bleed": ("gastric_bleed",),
    "first_bleed": ("gastric_bleed", "other_bleed"),
    "retreated": ("retreat",),
    "rebleed": ("late_rebleed", "gastric_rebleed", "other_rebleed", "early_rebleed"),
    "gastric_rebleed": ("gastric_rebleed", "early_rebleed"),
    "other_rebleed": ("other_rebleed",),
}
PLAIN = ("first_gastric_bleed", "first_bleed", "rebleed", "death")  # told apart whatever the effect rests on
AFTER_A_BLEED = ("rebleed", "gastric_rebleed", "other_rebleed")
OPEN, CLOSED = ("at_risk", "patent", "patent_lost", "in_course"), ("protected", "protected_lost")


def risk_by(inputs: ModelInputs, event: str, scale: str, months: Sequence[float], start: str | None = None) -> FloatArray:
    """Cumulative risk of an event by each time, or, of an open varix, its share then.

    Parameters
    ----------
    inputs
        Resolved inputs of the study's patients.
    event
        One of the events of a study file.
    scale
        ``kaplan_meier``, or ``crude`` and ``competing``: death and all else compete.
    months
        Times; between whole months survival without the event is interpolated on its logarithm.
    start
        State everyone starts in; None is the strategy's own.

    Returns
    -------
    ndarray of shape (draw, strategy, time)

    Raises
    ------
    AnalysisError
        The event needs the effect as a process, or a start after a bleed.
    """
    _check_possible(inputs, event, start)
    if scale == "kaplan_meier":
        inputs = _nobody_else_leaves(inputs, event)
    if event in AFTER_A_BLEED:
        again = {state.key for state in inputs.structure.states if state.family.startswith("rebleeding")}
        kept = tuple(move for move in inputs.structure.moves if move.source not in again)
        inputs = replace(inputs, structure=replace(inputs.structure, moves=kept))
    wanted = np.asarray(months, dtype=float)
    ends = np.unique([np.floor(wanted), np.ceil(wanted)]).astype(int)
    if event == "not_closed":
        counted = _open_share(inputs, ends, start)
    else:
        kept_moves = [i for i, move in enumerate((*inputs.structure.moves, *inputs.structure.impulses)) if _counts(move, event)]
        # A visit opens its month: what it finds by month m is told at the month's end.
        _, moved = follow_to(inputs, [int(end) + (event == "retreated") for end in ends], start)
        counted = moved[1:, kept_moves].sum(axis=1)
    return _at(counted, ends, wanted)


def _check_possible(inputs: ModelInputs, event: str, start: str | None) -> None:
    if event not in PLAIN and inputs.course is None:
        what = f"{event}: under effect_basis = {inputs.effect_basis!r} there is no course of the varix and no source of a rebleed"
        raise AnalysisError(what, fix="leave effect_basis = process")
    if event != "death" and (event in AFTER_A_BLEED) == (start is None):
        what = f"{event} from start = {start or 'never_bled'!r}: a rebleed follows a bleed, and nothing else but death does"
        raise AnalysisError(what, fix='write start = "bleeding", or another event')


def _nobody_else_leaves(inputs: ModelInputs, event: str) -> ModelInputs:
    """Inputs in which only the event ends follow-up."""
    if event == "death":
        return replace(inputs, r_transplant=np.zeros_like(inputs.r_transplant))
    alone = replace(
        without_competing(inputs),
        p_death_bleed=np.zeros_like(inputs.p_death_bleed),
        p_death_rebleed=np.zeros_like(inputs.p_death_rebleed),
    )
    if event == "first_bleed":
        return replace(alone, r_other_bleed=inputs.r_other_bleed)
    if inputs.course is None or event not in ("gastric_rebleed", "other_rebleed"):
        return alone
    off = "r_other_rebleed" if event == "gastric_rebleed" else "r_gastric_rebleed"
    return replace(alone, course=replace(inputs.course, **{off: np.zeros_like(getattr(inputs.course, off))}))


def _counts(move: Move, event: str) -> bool:
    return move.target == "dead" if event == "death" else move.kind in COUNTED[event]


def _open_share(inputs: ModelInputs, ends: IntArray, start: str | None) -> FloatArray:
    """Share whose varix is open, or whose course goes on, of those alive who have not bled: (end, draw, strategy)."""
    occupancy, family = follow(inputs, int(ends[-1]), start)[0], inputs.structure.family
    opened, closed = (occupancy[:, [i for name in names for i in family(name)]].sum(axis=1) for names in (OPEN, CLOSED))
    return np.asarray(opened / (opened + closed))[ends]


def _at(shares: FloatArray, ends: IntArray, months: FloatArray) -> FloatArray:
    """Shares at given months from those at whole ones: (draw, strategy, time)."""
    below, above = np.searchsorted(ends, np.floor(months)), np.searchsorted(ends, np.ceil(months))
    weight = (months - np.floor(months))[:, None, None]
    log_free = np.log(np.maximum(1.0 - shares, np.finfo(float).tiny))
    return np.moveaxis(-np.expm1((1.0 - weight) * log_free[below] + weight * log_free[above]), 0, 2)
