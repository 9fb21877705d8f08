"""A programme for patients who have bled: it takes them six weeks after a bleed, and averts rebleeds.

A case counts what is then done as secondary prophylaxis; the programme's slots, fees, equipment and payers know treatment. So
activity and prices change names together, which leaves every cost as the case has it: the price of a session after a bleed
holds its devices. Bed-days of these sessions are counted here. No source gives the harms of the procedure after a bleed apart
from those of the bleed: they are not counted, and are told as unknown, never as none.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from econmodel.economics.activity import PROFILED, MonthlyProfiles, monthly_profiles
from econmodel.economics.patients import Followed
from econmodel.economics.prices import STEMS, Prices
from econmodel.errors import AnalysisError
from econmodel.model.inputs import Values, base_values
from econmodel.parameters.parameter_set import ParameterSet

FloatArray = NDArray[np.float64]
SESSIONS = {
    "session_direct": "secondary_glue",
    "session_eus": "secondary_coil_and_glue",
    "session_transvenous": "secondary_transvenous",
}
RENAMED = SESSIONS | {"drug_year": "secondary_drug_year"}
TAKEN_UP, OF_BLEEDERS = "post_bleed", "share_high_risk"
NOT_COUNTED = "Harms of the procedure in patients who have bled are not counted: no figure of this budget says that there are none."


def check_start(parameters: ParameterSet) -> None:
    """Refuse a cohort that no programme takes up, or one of patients who bled without its own share of them.

    Raises
    ------
    AnalysisError
        The cohort starts at its bleed, or the funnel is still that of patients who have not bled.
    """
    if not parameters.has_bled:
        return
    start, share = parameters["cohort_start"], parameters[OF_BLEEDERS]
    if start.value != TAKEN_UP:
        what = f"cohort_start = {start.value!r}: a programme takes up patients who have survived their bleed"
        raise AnalysisError(what, where=str(start.where), fix=f"cohort_start = {TAKEN_UP}, six weeks after it")
    if not share.changed_by:
        what = f"{OF_BLEEDERS} = {share.value!r} is the share of patients never bled, and the programme takes up those who have"
        raise AnalysisError(what, where=str(share.where), fix=f"set {OF_BLEEDERS} to the share who bled and survived six weeks")


def profiles_of(
    parameters: ParameterSet, n_years: int, values: Values | None = None, followed: Followed | None = None
) -> MonthlyProfiles:
    """Activity per start by month, in the programme's terms; arguments as in ``monthly_profiles``."""
    found = monthly_profiles(parameters, n_years, values, followed)
    v = base_values(parameters) if values is None else values
    days = v["n_stay_days_session"][:, None, None]
    return replace(found, counts=in_programme_terms(parameters, found.counts, days)) if parameters.has_bled else found


def in_programme_terms(parameters: ParameterSet, counts: FloatArray, days: FloatArray) -> FloatArray:
    """Activity (..., activity) of a cohort in the programme's terms; ``days`` is the stay of a session."""
    if not parameters.has_bled:
        return counts
    at, found = {name: i for i, name in enumerate(PROFILED)}, counts.copy()
    for name, after in RENAMED.items():
        found[..., at[name]], found[..., at[after]] = counts[..., at[after]], counts[..., at[name]]
    found[..., [at["first_bleeds"], at["gastric_first_bleeds"]]] = 0.0
    found[..., at["sessions"]] = found[..., [at[name] for name in SESSIONS]].sum(axis=-1)
    found[..., at["procedure_days"]] = found[..., at["sessions"]] * days
    return found


def prices_in_programme_terms(parameters: ParameterSet, prices: Prices) -> Prices:
    """Prices under the names that activity then has."""
    if not parameters.has_bled:
        return prices
    back = RENAMED | {after: name for name, after in RENAMED.items()}
    order = [prices.activities.index(back.get(name, name)) for name in prices.activities]
    return replace(prices, **{stem: getattr(prices, stem)[:, order] for stem in STEMS})
