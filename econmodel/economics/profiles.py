"""Monthly activity of a patient who starts today, by strategy: what the programme multiplies by its starts."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from econmodel.economics.activity import build_activity
from econmodel.model.disease import run_disease
from econmodel.model.inputs import Values, base_values, resolve
from econmodel.parameters.catalogue import CATEGORY, COUNT_KEYS
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.records import record

FloatArray = NDArray[np.float64]
PROFILED = (*CATEGORY, *COUNT_KEYS)


@record
class MonthlyProfiles:
    """Expected undiscounted activity per patient started; ``counts`` is (draw, strategy, month, activity)."""

    activities: tuple[str, ...]
    strategies: tuple[str, ...]
    counts: FloatArray


def monthly_profiles(parameters: ParameterSet, n_years: int, values: Values | None = None) -> MonthlyProfiles:
    """Run the model month by month.

    Parameters
    ----------
    parameters
        The case.
    n_years
        Years of profile; at most the time horizon.
    values
        Draws of the numeric inputs; None is the base values.
    """
    v = base_values(parameters) if values is None else values
    inputs = resolve(parameters, v)
    years = min(n_years, inputs.n_years)
    totals = run_disease(inputs, tuple(range(years)), (0.0,), monthly=True)
    months = tuple(range(1, 12 * years + 1))
    activity = build_activity(parameters, v, inputs, totals, months, by_group=False, weightings=[0, 0, 0])
    counts = np.stack([activity.counts[name][0, ..., 0] for name in PROFILED], axis=-1)
    return MonthlyProfiles(PROFILED, activity.strategies, np.moveaxis(counts, 0, 2))
