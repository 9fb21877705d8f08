"""Prices of a bleed admission by outcome, solved from the mean over all of them.

Data print one mean over all admissions, whatever their end. In each run and each draw the prices of a survived bleed, a
fatal one and one with a rescue shunt are solved from it, so that the admissions of the case's own patients without
prophylaxis, over their lifetime, have that mean again.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from econmodel.economics.activity import Activity, build_activity
from econmodel.economics.patients import follow
from econmodel.model.disease import run_disease
from econmodel.model.inputs import Values, resolve
from econmodel.parameters.catalogue import BLEED_ADMISSIONS
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.schema import WATCH, StrategyRow, Where

FloatArray = NDArray[np.float64]
MEAN, MEAN_NO_RESCUE = "bleed_mean", "bleed_mean_no_rescue"
SURVIVED, FATAL, RESCUE = "bleed_survived", "bleed_fatal", "rescue_admission"
RATIOS = {"c_": ("ratio_bleed_fatal", "ratio_bleed_rescue"), "payment_": ("ratio_payment_fatal", "ratio_payment_rescue")}
UNTREATED = StrategyRow(key=WATCH, label="No prophylaxis", starts_in="at_risk", where=Where("econmodel"))


def split_bleeds(v: Mapping[str, FloatArray], died: FloatArray) -> dict[str, FloatArray]:
    """Costs and payments of a bleed admission by outcome, by name.

    Parameters
    ----------
    v
        Inputs by name: of each kind one mean, or prices by outcome as a site gave them.
    died
        Share of bleed admissions without prophylaxis that end in death.

    Notes
    -----
    A share ``p_rescue`` of survived and of fatal bleeds alike is a rescue admission instead. With a mean M of all, the
    ratios k (fatal) and q (rescue) to a survived one: s = M / ((1 - r)(1 + (k - 1) d) + r q). A mean without rescue:
    s = M / (1 + (k - 1) d), and the rescue has a price of its own. Ratios, since a rescue in money could leave less than
    nothing for the others.
    """
    found, r = dict[str, FloatArray](), v["p_rescue"]
    for stem, (fatal, rescue) in RATIOS.items():
        ordinary = 1.0 + (v[fatal] - 1.0) * died
        if stem + MEAN in v:
            survived = v[stem + MEAN] / ((1.0 - r) * ordinary + r * v[rescue])
        elif stem + MEAN_NO_RESCUE in v:
            survived = v[stem + MEAN_NO_RESCUE] / ordinary
        else:
            survived = v[stem + SURVIVED]
        for outcome, price in ((SURVIVED, survived), (FATAL, survived * v[fatal]), (RESCUE, survived * v[rescue])):
            name = stem + outcome
            found[name] = v[name] if name in v else price
    return found


def bleed_mean(v: Mapping[str, FloatArray], died: FloatArray, stem: str = "c_") -> FloatArray:
    """Mean over all bleed admissions without prophylaxis that follows from the prices by outcome."""
    price, r = split_bleeds(v, died), v["p_rescue"]
    survived, fatal, rescue = (price[stem + outcome] for outcome in (SURVIVED, FATAL, RESCUE))
    return (1.0 - r) * (survived + (fatal - survived) * died) + r * rescue


def share_died(count: Callable[[str], FloatArray]) -> FloatArray:
    """Share of bleed admissions that end in death, 0 without one; ``count`` gives a count or activity by name."""
    died, admitted = count("deaths_bleed"), sum(count(name) for name in BLEED_ADMISSIONS)
    found: FloatArray = np.divide(died, admitted, out=np.zeros_like(admitted), where=admitted > 0)
    return found


def fatal_share(activity: Activity) -> FloatArray:
    """Share of bleed admissions without prophylaxis that end in death, over the whole run, undiscounted: (draw,); 0 without one."""
    s = activity.strategies.index(WATCH)
    return share_died(lambda name: activity.total(name)[:, s, 0])


def untreated_fatal_share(parameters: ParameterSet, v: Values) -> FloatArray:
    """Share of bleed admissions that end in death, from a run of its own: no prophylaxis, lifetime; (draw,).

    A mix of patients who bled starts at the bleed, on the secondary prophylaxis of the setting.
    """
    changed = {"horizon_years": replace(parameters["horizon_years"], value="lifetime")}
    row = replace(parameters.strategies.get(WATCH, UNTREATED), secondary=parameters.text("secondary_prophylaxis"))
    if parameters.has_bled:
        changed |= {"cohort_start": replace(parameters["cohort_start"], value="bleeding")}
    case = replace(parameters, parameters=parameters.parameters | changed, strategies={WATCH: row})
    found = follow(resolve(case, v), lambda inputs: run_disease(inputs, (0,) * inputs.n_years))
    return fatal_share(build_activity(case, v, found.inputs, found.sums, (found.inputs.n_years,), weightings=[0]))
