"""Visits as the engine takes them: who is seen in which month, and whom a visit sends to another course.

Patients are lost to visits alone: of those due in month m the share ``exp(-r_lost m / 12)`` comes. Where an effect is a
process, loss is a state after a course of treatment, and so those without one are the ones lost in this way.

A visit finds a share of the open varices and part of those found accept another course: an impulse from ``patent`` to
``in_course`` at the start of the month, before its session. It finds no varix that is not there.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from econmodel.model.course import MONTHS
from econmodel.model.inputs import ModelInputs
from econmodel.parameters.schema import Surveillance

FloatArray = NDArray[np.float64]
ByStage = Callable[[int], dict[int, FloatArray]]


class Attendance(NamedTuple):
    """Given a stage: visits per person, {cycle: (lane,)}, and shares of the open varices treated again, {cycle: (impulse, lane)}."""

    visits: ByStage
    impulses: ByStage | None


@cache
def visits_due(plans: tuple[Surveillance, ...], n_stages: int, n_cycles: int) -> tuple[dict[int, FloatArray], ...]:
    """Cycles of each stage in which any strategy has a visit, with the strategies due, 0 or 1: {cycle: (strategy,)}."""
    months = [np.array([float(plan.at(month)) for plan in plans]) for month in range(n_stages * n_cycles)]
    return tuple(
        {cycle: due for cycle, due in enumerate(months[stage * n_cycles : (stage + 1) * n_cycles]) if due.any()}
        for stage in range(n_stages)
    )


def attendance(inputs: ModelInputs, n_stages: int, n_cycles: int, widen: Callable[[FloatArray], FloatArray]) -> Attendance:
    """Lay the schedules of all strategies out over a run.

    Parameters
    ----------
    inputs
        Resolved inputs.
    n_stages, n_cycles
        Stages of the run, and cycles of each.
    widen
        Gives (draw or 1, strategy) for every lane: (lane,).
    """
    planned = visits_due(inputs.strategies.surveillance, n_stages, n_cycles)
    course, n_impulses = inputs.course, len(inputs.structure.impulses)
    loss_is_a_state = np.array([course is not None and start == "in_course" for start in inputs.strategies.starts_in])
    fading = np.where(loss_is_a_state, 0.0, inputs.strategies.r_lost)
    struck: dict[bytes, FloatArray] = {}

    def visits(stage: int) -> dict[int, FloatArray]:
        first = stage * n_cycles
        return {cycle: widen(due * np.exp(-fading * (first + cycle) / MONTHS)) for cycle, due in planned[stage].items()}

    if course is None:
        return Attendance(visits, None)

    def impulses(stage: int) -> dict[int, FloatArray]:
        return {
            cycle: _once(struck, due, lambda now: np.tile(widen(course.p_found * now), (n_impulses, 1)))
            for cycle, due in planned[stage].items()
        }

    return Attendance(visits, impulses)


def _once(known: dict[bytes, FloatArray], due: FloatArray, find: Callable[[FloatArray], FloatArray]) -> FloatArray:
    """Array of a set of strategies due, made once: most months share theirs."""
    key = due.tobytes()
    if key not in known:
        known[key] = find(due)
    return known[key]
