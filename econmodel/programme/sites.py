"""Partner sites: whose patients a hub treats, and what of their care stays with them.

A patient of a partner is treated and examined at the hub. Today's prophylaxis, visits and harms end where they were; bleeds, care
after them and bed-days stay with the partner as far as its patients bleed at home. Bleeds, deaths and harms are counted of all
patients, wherever they are.
"""

from __future__ import annotations

import dataclasses

import numpy as np
from numpy.typing import NDArray

from econmodel.economics.activity import MonthlyProfiles
from econmodel.parameters.catalogue import CATEGORY
from econmodel.programme.input_tables import Site
from econmodel.programme.inputs import ProgrammeInputs
from econmodel.programme.intake import (
    Intake,
    ProgrammeActivity,
    SiteActivity,
    convolve,
    leaves_the_list,
    mix_profile,
    run_off,
    running,
)

FloatArray = NDArray[np.float64]
OF_TREATMENT, OF_BLEEDS = ("procedure_days", "complication_days"), ("icu_days", "ward_days")


def starts_by_site(inputs: ProgrammeInputs, profiles: MonthlyProfiles, intake: Intake) -> list[FloatArray]:
    """Starts of each partner's patients, (draw, month): in proportion to who is ready; the backlog is the hub's own."""
    leave, takes = leaves_the_list(inputs, profiles), running(inputs)
    ready = intake.starts + intake.waiting
    share = np.where(ready > 0, intake.starts / np.where(ready > 0, ready, 1.0), 0.0)
    growth = (1.0 + inputs.r_growth[:, None]) ** (np.arange(inputs.n_months) // 12)
    found = []
    for site in inputs.sites:
        demand = (inputs.ratio_volume[:, None] * inputs.referred_by(site)[:, None] * growth / 12.0) * takes
        demand, starts = np.broadcast_to(demand, share.shape), np.zeros(share.shape)
        queue = np.zeros(len(share))
        for month in range(inputs.n_months):
            waits = queue * (1.0 - leave) + demand[:, month]
            starts[:, month] = waits * share[:, month]
            queue = (waits - starts[:, month]) * takes[month]
        found.append(starts)
    return found


def with_sites(inputs: ProgrammeInputs, profiles: MonthlyProfiles, intake: Intake, activity: ProgrammeActivity) -> ProgrammeActivity:
    """Activity at the hub, with what stays with each partner beside it; ``intake`` is the plan that the activity came from."""
    if not inputs.sites:
        return activity
    new, old = (mix_profile(profiles, mix) for mix in (inputs.proposed_mix, inputs.current_mix))
    worlds = ((activity.proposed, convolve(intake.starts, new)), (activity.current, convolve(intake.starts, old)))
    whole = np.where(intake.starts > 0, intake.starts, 1.0)
    parts, hub = [], activity
    for site, starts in zip(inputs.sites, starts_by_site(inputs, profiles, intake), strict=True):
        stays = _stays(site, activity.activities)
        proposed, current = (
            total * keep * _share_of(convolve(starts, profile), planned)
            for (total, planned), keep, profile in zip(worlds, stays, (new, old), strict=True)
        )
        months = inputs.n_months + inputs.n_duty_months
        after = run_off(starts, (new * stays[0] - old * stays[1])[:, :months])[:, : activity.run_off.shape[1]]
        parts.append(SiteActivity(site, starts / whole, proposed - current, after))
        hub = dataclasses.replace(
            hub, proposed=hub.proposed - proposed, current=hub.current - current, run_off=hub.run_off - after, sites=tuple(parts)
        )
    return hub


def _share_of(part: FloatArray, whole: FloatArray) -> FloatArray:
    return np.asarray(np.where(whole > 0, part / np.where(whole > 0, whole, 1.0), 0.0))


def _stays(site: Site, activities: tuple[str, ...]) -> tuple[FloatArray, FloatArray]:
    """Share of each activity that a partner has of its patients, with the programme and without; of a count none but of days."""
    treatment = np.array([CATEGORY.get(name) == "prophylaxis" or name in OF_TREATMENT for name in activities])
    bleeds = np.array([CATEGORY.get(name, "prophylaxis") != "prophylaxis" or name in OF_BLEEDS for name in activities])
    return site.bleeds_at_home * bleeds, site.bleeds_at_home * bleeds + site.current_care_at_home * treatment
