"""Follow cohorts that start elsewhere, or end earlier, than the programme's: a study's, a site's, those who bled."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from econmodel.errors import AnalysisError
from econmodel.model.attendance import attendance
from econmodel.model.class_hazards import hazards_of
from econmodel.model.cohort import Schedule, run_cohort
from econmodel.model.disease import initial_state
from econmodel.model.hazards import CYCLES_PER_YEAR
from econmodel.model.inputs import ModelInputs, Values, resolve
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.schema import WATCH

FloatArray = NDArray[np.float64]


def without_competing(inputs: ModelInputs) -> ModelInputs:
    """Copy of the inputs in which only the gastric bleed ends follow-up."""
    nil = replace(inputs.strategies, p_death_course=np.zeros_like(inputs.strategies.p_death_course))
    return replace(
        inputs,
        strategies=nil,
        background_death=np.zeros_like(inputs.background_death),
        excess_death=np.zeros_like(inputs.excess_death),
        r_transplant=np.zeros_like(inputs.r_transplant),
        r_other_bleed=np.zeros_like(inputs.r_other_bleed),
    )


def follow(inputs: ModelInputs, months: int, start: str | None = None) -> tuple[FloatArray, FloatArray]:
    """Follow every strategy's cohort for some months.

    Parameters
    ----------
    inputs
        Resolved inputs.
    months
        Length in cycles.
    start
        State everyone starts in; None is the strategy's own.

    Returns
    -------
    occupancy : ndarray of shape (month + 1, state, draw, strategy)
    moved : ndarray of shape (month + 1, move, draw, strategy)
        Cumulative moves per patient.

    Raises
    ------
    AnalysisError
        Longer than the time horizon.
    """
    occupancy, moved = follow_to(inputs, range(1, months + 1), start, keep_trace=True)
    assert occupancy is not None
    return occupancy, moved


def follow_to(
    inputs: ModelInputs, ends: Sequence[int], start: str | None = None, *, keep_trace: bool = False
) -> tuple[FloatArray | None, FloatArray]:
    """Follow every strategy's cohort to some months, rising, and count its moves by each; otherwise as :func:`follow`.

    Returns
    -------
    occupancy : ndarray of shape (month + 1, state, draw, strategy), or None without ``keep_trace``
    moved : ndarray of shape (end + 1, move, draw, strategy)
    """
    months = ends[-1]
    if months > inputs.n_years * CYCLES_PER_YEAR:
        what = f"{months} months of follow-up: must lie within the time horizon of {inputs.n_years} years"
        raise AnalysisError(what, fix="set horizon_years = lifetime")
    hazards = hazards_of(inputs)
    initial = initial_state(inputs if start is None else replace(inputs, cohort_start=start))
    years = [hazards.year(y) for y in range(-(-months // CYCLES_PER_YEAR))]
    lanes = (inputs.n_draws, len(inputs.strategies.keys), inputs.relative.shape[1])
    given = attendance(inputs, months, 1, lambda array: np.broadcast_to(array[:, :, None], lanes).ravel())
    totals = run_cohort(
        inputs.structure.engine_moves(),
        lambda month: years[month // CYCLES_PER_YEAR],
        initial,
        Schedule(1, tuple(int(period) for period in np.searchsorted(ends, np.arange(months), side="right"))),
        impulses=given.impulses,
        keep_trace=keep_trace,
    )

    def whole(array: FloatArray) -> FloatArray:
        return np.asarray((array.reshape(*array.shape[:2], *lanes) * inputs.shares[:, None, :]).sum(axis=-1))

    moved = np.concatenate([np.zeros_like(totals.moves[0][:1]), totals.moves[0].cumsum(axis=0)])
    return None if totals.trace is None else whole(totals.trace), whole(moved)


def patients_who_bled(parameters: ParameterSet, values: Values | None = None, mix: str = "reference_mix") -> ModelInputs:
    """Resolve a case for the patients of a mix who bleed: each group weighted by its untreated bleeding rate of the first year.

    Parameters
    ----------
    parameters, values
        The case, and draws of its inputs; None is the base values.
    mix
        The input that holds the mix of patients who have not bled.
    """
    rows = replace(parameters["case_mix"], table=parameters.rows(mix))
    given = None if values is None else {name: draws for name, draws in values.items() if name != "case_mix"}
    inputs = resolve(replace(parameters, parameters=parameters.parameters | {"case_mix": rows}), given)
    weights = inputs.shares * inputs.relative
    return replace(inputs, shares=weights / weights.sum(axis=1, keepdims=True))


def untreated_curve(parameters: ParameterSet) -> Callable[[float], float]:
    """Risk of a first bleed, any source, without prophylaxis, as a function of years; death competes."""
    inputs = resolve(parameters)
    _, moved = follow(inputs, inputs.n_years * CYCLES_PER_YEAR)
    kinds = inputs.structure.kinds("gastric_bleed", "other_bleed")
    risk = moved[:, kinds].sum(axis=1)[:, 0, inputs.strategies.keys.index(WATCH)]
    years = np.arange(len(risk)) / CYCLES_PER_YEAR
    return lambda t: float(np.interp(t, years, risk))
