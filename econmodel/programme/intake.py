"""Intake: who could start, who does start, who waits, by month, and the activity that starts bring.

Demand is the funnel's eligible patients, growing by year, and the backlog released evenly over its quarters. Starts
are ``min(demand + waiting, capacity)``; capacity is the least over places of slots x ramp / sessions per start. Whoever waits runs at
the current mix's rates: the same bleeds with and without the programme, and each month some bleed, die or are
transplanted and can no longer start.

``Activity[t, a] = sum over start months k of starts[k] x profile[a, t - k]``, once for the proposed mix and once for
the current mix of the same patients; their difference is what the programme changes. Those who wait are the same
with and without the programme and so are in neither.
"""

from __future__ import annotations

from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from econmodel.economics.activity import MonthlyProfiles
from econmodel.errors import AnalysisError
from econmodel.parameters.catalogue import COMPLICATIONS, DEVICES, ENDOSCOPIES, SESSION_KINDS
from econmodel.programme.after_bleed import OF_BLEEDERS
from econmodel.programme.input_tables import Site
from econmodel.programme.inputs import ProgrammeInputs
from econmodel.programme.money.levels import in_months
from econmodel.programme.places import PLACES, Place
from econmodel.records import record

FloatArray = NDArray[np.float64]
BY_SESSION = (*SESSION_KINDS, *DEVICES, *COMPLICATIONS, "sessions", "procedure_days", "complication_days")
LEAVING = ("first_bleeds", "deaths_other", "transplant")
LEAVING_BLED = ("deaths_bleed", "deaths_procedure", "deaths_other", "transplant")
FUNNEL_LABELS = {
    "n_endoscoped": "Cirrhosis, endoscoped",
    "share_fundal_varices": "with fundal varices",
    "share_high_risk": "high risk, never bled",
    "share_suitable": "suitable",
    "share_accepting": "accepting",
    "n_referred_in": "plus referred in",
    "n_treated_elsewhere": "less treated elsewhere",
}


@record
class FunnelStep:
    """One step of the funnel: the input, whether it is a share, and the patients a year it leaves."""

    step: str
    value: float
    is_share: bool
    patients_per_year: float


@record
class Intake:
    """Patients by month; every array has shape (draw, month)."""

    demand: FloatArray
    starts: FloatArray
    waiting: FloatArray
    lost_waiting: FloatArray
    bleeds_waiting: FloatArray
    capacity: FloatArray

    @property
    def starts_per_year(self) -> FloatArray:
        """Mean starts a year over the budget, shape (draw,)."""
        return np.asarray(self.starts.sum(axis=1) * 12.0 / self.starts.shape[1])


def mix_profile(
    profiles: MonthlyProfiles, mix: dict[str, float], names: tuple[str, ...] = (), months: int | None = None
) -> FloatArray:
    """Activity per patient of a mix of strategies, shape (draw, month, activity).

    Parameters
    ----------
    profiles, mix
        Activity per start by strategy; shares of strategies.
    names
        Only these activities, in the model's order; none given: all.
    months
        Only the first months; None: all.

    Raises
    ------
    AnalysisError
        The mix names a strategy the model does not have.
    """
    for key in mix:
        if key not in profiles.strategies:
            what = f"a mix names the strategy {key!r}, which the model does not have"
            raise AnalysisError(what, fix=f"use one of {', '.join(profiles.strategies)}")
    weights = np.array([mix.get(key, 0.0) for key in profiles.strategies])
    where = [i for i, name in enumerate(profiles.activities) if not names or name in names]
    counts = profiles.counts[:, :, :months]
    return np.asarray(np.einsum("s,dsma->dma", weights, counts[..., where] if names else counts))


def slots_per_start(profiles: MonthlyProfiles, mix: dict[str, float], place: Place) -> FloatArray:
    """Treatment sessions at a place in the first twelve months of a start, re-treatment included; shape (draw,)."""
    return np.asarray(mix_profile(profiles, mix, place.activities, 12).sum(axis=(1, 2)))


def monthly_risk(profiles: MonthlyProfiles, mix: dict[str, float], activities: tuple[str, ...]) -> FloatArray:
    """Constant monthly probability with the same first-year total as the mix's activities; shape (draw,).

    The total counts deaths after a bleed too, so that in an extreme draw it is no risk: such a draw has its first month's.

    Raises
    ------
    AnalysisError
        The first-year total is 1 or more, so it is not a risk.
    """
    risk = mix_profile(profiles, mix, activities, 12).sum(axis=(1, 2))
    monthly = 1.0 - (1.0 - np.minimum(risk, 1.0)) ** (1.0 / 12.0)
    if len(risk) > 1:
        monthly = np.where(risk < 1, monthly, mix_profile(profiles, mix, activities, 1).sum(axis=(1, 2)))
    elif risk[0] >= 1:
        events = " or ".join(activities)
        what = f"first-year risk of {events} under the current mix is {risk.max():.3g}, must be below 1"
        raise AnalysisError(what, fix="profiles are per patient started; check their scale")
    return np.asarray(monthly)


def funnel_steps(inputs: ProgrammeInputs) -> tuple[FunnelStep, ...]:
    """List the funnel for display (means over draws)."""
    left, steps = 0.0, []
    for name, label in FUNNEL_LABELS.items():
        value = float(getattr(inputs, name).mean())
        left = {"n_endoscoped": value, "n_referred_in": left + value, "n_treated_elsewhere": left - value}.get(name, left * value)
        if inputs.bled and name == OF_BLEEDERS:
            label = "bled from them, alive after six weeks"
        steps.append(FunnelStep(label, value, name.startswith("share_"), left))
    return tuple(steps)


def demand_by_month(inputs: ProgrammeInputs) -> FloatArray:
    """Patients who become ready to start, shape (draw, month)."""
    month = np.arange(inputs.n_months)
    growth = (1.0 + inputs.r_growth[:, None]) ** (month // 12)
    found = inputs.eligible_per_year[:, None] * growth / 12.0
    release = 3 * inputs.n_backlog_quarters
    backlog = (inputs.ratio_volume * inputs.n_backlog)[:, None] * (month < release) / release
    return np.asarray((found + backlog) * running(inputs))


def running(inputs: ProgrammeInputs) -> NDArray[np.bool_]:
    """Whether the programme still takes patients, shape (month,): false once it has been stopped."""
    return (np.arange(inputs.n_months) < inputs.n_stop_month) | (inputs.n_stop_month == 0)


def opening_ramp(inputs: ProgrammeInputs) -> FloatArray:
    """Share of full capacity by month as a service that adds sessions opens, shape (month,): nothing in the delay, then by quarter."""
    quarter = (np.arange(inputs.n_months) - inputs.n_start_delay_months) // 3
    share = np.array(inputs.ramp)[np.clip(quarter, 0, len(inputs.ramp) - 1)]
    return np.where(quarter < 0, 0.0, share)


def ramp_by_month(inputs: ProgrammeInputs) -> FloatArray:
    """Share of full capacity by month, shape (month,): as planned, but nothing during an absence or after a stop."""
    ramp = (opening_ramp(inputs) if inputs.adds_sessions else 1.0) * running(inputs)
    if not inputs.covered:
        ramp[inputs.absent] = 0.0
    return np.asarray(ramp)


def capacity_by_month(inputs: ProgrammeInputs, profiles: MonthlyProfiles) -> FloatArray:
    """Give the starts a month that the fewest slots allow, shape (draw, month); without limit where a start needs no session."""
    ramp = ramp_by_month(inputs)
    most = np.where(ramp == 0, 0.0, np.inf)[None, :]
    for place in PLACES.values():
        if place.most:
            slots = (in_months(inputs, place.most) / 12.0) * ramp
            need = slots_per_start(profiles, inputs.proposed_mix, place)[:, None]
            most = np.minimum(most, np.where(need > 0, slots / np.where(need > 0, need, 1.0), np.inf))
    return np.asarray(most)


def plan_intake(inputs: ProgrammeInputs, profiles: MonthlyProfiles) -> Intake:
    """Turn the funnel and the slots into starts and waiting, month by month.

    Parameters
    ----------
    inputs
        Programme inputs.
    profiles
        Activity per start; gives sessions per start at each place and the rates of those who wait.
    """
    leave, bleed = leaves_the_list(inputs, profiles), _bleeds_waiting(inputs, profiles)
    demand, capacity = demand_by_month(inputs), capacity_by_month(inputs, profiles)
    n_draws = np.broadcast_shapes(demand.shape[:1], capacity.shape[:1], leave.shape)[0]
    shape = (n_draws, inputs.n_months)
    demand, capacity = np.broadcast_to(demand, shape), np.broadcast_to(capacity, shape)
    starts, waiting, lost, bled = (np.zeros(shape) for _ in range(4))
    queue, takes = np.zeros(n_draws), running(inputs)
    for month in range(inputs.n_months):
        lost[:, month], bled[:, month] = queue * leave, queue * bleed
        ready = queue - lost[:, month] + demand[:, month]
        starts[:, month] = np.minimum(ready, capacity[:, month])
        queue = (ready - starts[:, month]) * takes[month]
        waiting[:, month] = queue
    return Intake(demand, starts, waiting, lost, bled, capacity)


def leaves_the_list(inputs: ProgrammeInputs, profiles: MonthlyProfiles) -> FloatArray:
    """Chance a month that whoever waits can no longer start, (draw,): for one who has bled, a rebleed alone is no such reason."""
    return monthly_risk(profiles, inputs.current_mix, leaving(inputs))


def leaving(inputs: ProgrammeInputs) -> tuple[str, ...]:
    """Events after which whoever waits can no longer start."""
    return LEAVING_BLED if inputs.bled else LEAVING


def _bleeds_waiting(inputs: ProgrammeInputs, profiles: MonthlyProfiles) -> FloatArray:
    """Bleeds a month of whoever waits, (draw,); of rebleeds, which may be several, the first year's mean."""
    if inputs.bled:
        return np.asarray(mix_profile(profiles, inputs.current_mix, ("rebleeds",), 12).sum(axis=(1, 2)) / 12.0)
    return monthly_risk(profiles, inputs.current_mix, ("first_bleeds",))


@record
class SiteActivity:
    """What stays with a partner site: its share of each month's starts, (draw, month), and its change in activity.

    ``change`` is (draw, month, activity), ``run_off`` the same after the budget.
    """

    site: Site
    share: FloatArray
    change: FloatArray
    run_off: FloatArray


@record
class ProgrammeActivity:
    """Activity of those who started, under both mixes; arrays (draw, month, activity).

    ``run_off`` is the change after the last month of the budget, by month. What stays with partner ``sites`` is in none of them.
    """

    activities: tuple[str, ...]
    proposed: FloatArray
    current: FloatArray
    run_off: FloatArray
    sites: tuple[SiteActivity, ...] = ()

    @cached_property
    def change(self) -> FloatArray:
        """Proposed less current."""
        return self.proposed - self.current

    def total(self, array: FloatArray, *names: str) -> FloatArray:
        """Sum of the named activities, shape (draw, month); a name the model does not count adds nothing."""
        where = [i for i, name in enumerate(self.activities) if name in names]
        return np.asarray(array[..., where].sum(axis=-1))


def convolve(starts: FloatArray, profile: FloatArray) -> FloatArray:
    """Activity by calendar month of patients who start over time.

    Parameters
    ----------
    starts
        Patients who start in each month, shape (draw, month).
    profile
        Activity per patient by month after the start, shape (draw, month, activity), at least as long as ``starts``.

    Returns
    -------
    ndarray of shape (draw, month, activity)

    Examples
    --------
    >>> convolve(np.array([[2.0, 1.0]]), np.array([[[1.0], [10.0]]]))[0, :, 0]
    array([ 2., 21.])
    """
    n = starts.shape[1]
    lag = np.arange(n)[:, None] - np.arange(n)[None, :]
    toeplitz = np.where(lag >= 0, starts[:, lag.clip(0)], 0.0)
    return np.asarray(toeplitz @ profile[:, :n, :])


def run_off(starts: FloatArray, profile: FloatArray) -> FloatArray:
    """Activity after the last budget month of those who started before it, shape (draw, month, activity).

    Holds the months that the profile still covers for every starter: from the end of the budget to the end of the
    profile.
    """
    n, length = starts.shape[1], profile.shape[1]
    start = np.arange(n, length)[:, None] - np.arange(length)[None, :]
    toeplitz = np.where((start >= 0) & (start < n), starts[:, start.clip(0, n - 1)], 0.0)
    return np.asarray(toeplitz @ profile)


def without_operator(inputs: ProgrammeInputs, activities: tuple[str, ...], proposed: FloatArray) -> FloatArray:
    """Proposed activity with an absence: sessions begun, and what comes with them, move by its length; examinations are lost.

    What the patients risk meanwhile is not counted.
    """
    away, months = inputs.absent, inputs.n_absence_months
    held = proposed[:, away]
    if inputs.covered or not held.shape[1]:
        return proposed
    found = proposed.copy()
    moved = [i for i, name in enumerate(activities) if name in BY_SESSION]
    found[:, away, [i for i, name in enumerate(activities) if name in (*ENDOSCOPIES, *BY_SESSION)]] = 0.0
    later = found[:, away.stop : away.stop + months]
    later[..., moved] += held[:, : later.shape[1], moved]
    return found


def programme_activity(inputs: ProgrammeInputs, profiles: MonthlyProfiles, starts: FloatArray) -> ProgrammeActivity:
    """Activity of the starters under the proposed and the current mix.

    Raises
    ------
    AnalysisError
        The profiles are shorter than the budget.
    """
    length = profiles.counts.shape[2]
    if length < inputs.n_months:
        what = f"activity per start covers {length} months, the budget needs {inputs.n_months}"
        raise AnalysisError(what, fix="compute the profiles over at least the budget's months")
    proposed, current = (mix_profile(profiles, mix) for mix in (inputs.proposed_mix, inputs.current_mix))
    return ProgrammeActivity(
        profiles.activities,
        without_operator(inputs, profiles.activities, convolve(starts, proposed)),
        convolve(starts, current),
        run_off(starts, (proposed - current)[:, : inputs.n_months + inputs.n_duty_months]),
    )
