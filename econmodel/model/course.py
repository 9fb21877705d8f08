"""The course of the varix: inputs of ``effect_basis = "process"``, and the hazard ratios that make a trial come out right.

A treatment works while its varix is closed (or its drug is taken) and as little as ``hr_patent`` says while it is open.
Trials report neither: they report the risk of everybody treated. So the ratio of closed varices is solved, for each draw,
such that a trial run on the evidence's own figures has the risk of the pooled intention-to-treat effect. What a site
changes acts in the run and not in that trial: it gets the credit for closing more varices than the trials did.

Arrays are (draw, strategy) unless said otherwise.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields

import numpy as np
from numpy.typing import NDArray

from econmodel.errors import ModelError
from econmodel.model.natural_history import TIME_STEPS, FirstBleed
from econmodel.records import record

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]
MONTHS = 12
LOWEST_RATIO = 0.02
SECANTS, MET = 50, 1e-14
STOP_STEPS = (0, 2)
TRIAL_VISITS = (1, 3, 6, 9, 12, 18, 24)


@record
class Trial:
    """The trial that effects are calibrated on: its length, its visits, who they find, its untreated hazard.

    ``months`` and ``p_detect`` are (draw,), ``hazard_by_year`` (draw, year): the marginal rate of a gastric bleed of the
    reference mix.
    """

    months: IntArray
    visits: tuple[int, ...]
    p_detect: FloatArray
    hazard_by_year: FloatArray

    @property
    def hazard(self) -> FloatArray:
        """Untreated cumulative hazard at its end: (draw,)."""
        full = MONTHS * np.arange(self.hazard_by_year.shape[1])
        share = np.clip(self.months[:, None] - full, 0, MONTHS) / MONTHS
        hazard: FloatArray = np.einsum("dy,dy->d", self.hazard_by_year, share)
        return hazard


@record
class Evidence:
    """What the trial's treated arms are run on: figures of the evidence, whatever a site has put in their place."""

    p_obliteration: FloatArray
    r_recurrence: FloatArray
    r_stop: FloatArray
    sessions_mean: FloatArray
    p_retreat_accepted: FloatArray


@record
class CourseInputs:
    """What moves a varix between closed and open, and a patient out of follow-up.

    ``r_stop`` is (draw, strategy, step) with steps from years 0 and 2; ``r_other_rebleed_alone`` is (draw,), for those who
    bled from another source only; ``hr_rebleed_by_time`` is (draw, 2), in the first twelve months after a bleed and later.
    ``excess_spans`` is in how many parts of the time after a bleed the death rate is raised, None for good.
    ``lowered`` marks draws in which an open varix had to bleed less than ``hr_patent`` says for the trial to come out.
    """

    hr_obliterated: FloatArray
    hr_patent: FloatArray
    lowered: BoolArray
    r_recurrence: FloatArray
    r_stop: FloatArray
    p_retreat_accepted: FloatArray
    p_detect: FloatArray
    r_gastric_rebleed: FloatArray
    r_other_rebleed: FloatArray
    r_other_rebleed_alone: FloatArray
    hr_rebleed_by_time: FloatArray
    excess_spans: int | None
    trial: Trial
    evidence: Evidence

    @property
    def p_found(self) -> FloatArray:
        """Share of open varices that a visit sends to another course."""
        return self.p_detect * self.p_retreat_accepted


def marginal_hazard(first: FirstBleed, relative: FloatArray, shares: FloatArray, n_years: int) -> FloatArray:
    """Rate of a first gastric bleed of a mix as a whole in each year: (draw, year).

    ``h_y = -ln(S(y + 1) / S(y))`` with S the share of the mix not yet bled, nobody dying.

    Parameters
    ----------
    first
        The cell's rate, its course, and classes of susceptibility.
    relative : ndarray of shape (draw, group)
    shares : ndarray of shape (group,)
    n_years
        Number of years.
    """
    step = np.searchsorted(TIME_STEPS, np.arange(n_years), side="right") - 1
    exposure = (first.rate[:, None] * first.time_multipliers[:, step]).cumsum(axis=1)
    cells = relative[:, :, None] * first.frailty[:, None, :]
    alive = (shares[:, None, None] / cells.shape[2] * np.exp(-cells[..., None] * exposure[:, None, None, :])).sum(axis=(1, 2))
    return np.diff(-np.log(alive), axis=1, prepend=0.0)


@record
class Lane:
    """The trial as it runs: arrays of one shape, (draw, strategy) or a choice of these.

    ``months`` is how long it runs; ``hazard`` is untreated, by year; ``found`` the share of open varices treated again at a
    visit; ``closes`` and ``fails`` the share of those in a course who leave it closed and open in a month; ``back`` and
    ``stops`` what a month brings to those closed or on a drug; ``on_drug`` is 1 for who starts on one.
    """

    months: IntArray
    visits: tuple[int, ...]
    hazard: tuple[FloatArray, ...]
    found: FloatArray
    closes: FloatArray
    fails: FloatArray
    back: FloatArray
    stops: FloatArray
    on_drug: FloatArray

    def only(self, chosen: BoolArray) -> Lane:
        """Only some draws and strategies, in one row."""
        arrays = {f.name: getattr(self, f.name)[chosen] for f in fields(self) if f.name not in ("visits", "hazard")}
        return Lane(visits=self.visits, hazard=tuple(h[chosen] for h in self.hazard), **arrays)

    def exposure(self, closed: FloatArray, opened: FloatArray) -> FloatArray:
        """Cumulative hazard of a first gastric bleed by the end, by hazard ratio of closed and of open varices.

        A trial's clock starts when patients are allotted, so that a session counts from the end of its month; in the
        programme the clock starts with the session.
        """
        protected = self.on_drug.copy()
        course, patent, at_risk = 1.0 - protected, np.zeros_like(protected), np.zeros_like(protected)
        drugs, bled_none = bool(self.stops.any()), np.ones_like(protected)
        for month in range(int(self.months.max())):
            if month % MONTHS == 0:
                hazard = self.hazard[month // MONTHS]
                spared, spared_open, spared_none = np.exp(hazard * closed), np.exp(hazard * opened), np.exp(hazard)
            if month in self.visits:
                again = self.found * patent
                course += again
                patent -= again
            for state, share in ((course, spared_open), (patent, spared_open), (protected, spared)):
                state *= share
            if drugs:
                stopped = protected * self.stops
                at_risk *= spared_none
                at_risk += stopped
                protected -= stopped
            back, shut, failed = protected * self.back, course * self.closes, course * self.fails
            protected += shut - back
            patent += failed + back
            course -= shut + failed
            if (ends := self.months == month + 1).any():
                bled_none = np.where(ends, at_risk + course + patent + protected, bled_none)
        return -np.log(bled_none)


def trial_lane(trial: Trial, evidence: Evidence, starts_in: tuple[str, ...]) -> Lane:
    """Lay a trial out for every draw and strategy."""
    shape = evidence.p_obliteration.shape
    on_drug = np.array([float(start == "protected") for start in starts_in])
    ends = 1.0 / evidence.sessions_mean
    arrays = {
        "found": trial.p_detect[:, None] * evidence.p_retreat_accepted,
        "closes": ends * evidence.p_obliteration,
        "fails": ends * (1.0 - evidence.p_obliteration),
        "back": -np.expm1(-evidence.r_recurrence / MONTHS),
        "stops": -np.expm1(-evidence.r_stop / MONTHS),
        "on_drug": np.broadcast_to(on_drug, shape),
    }
    hazard = tuple(np.broadcast_to(h[:, None] / -MONTHS, shape) for h in trial.hazard_by_year.T)
    return Lane(np.broadcast_to(trial.months[:, None], shape), trial.visits, hazard, **arrays)


def calibrate(
    trial: Trial, evidence: Evidence, hr_itt: FloatArray, hr_patent: FloatArray, starts_in: tuple[str, ...]
) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Solve the hazard ratio of closed varices, or of patients on their drug, that reproduces the trials.

    Parameters
    ----------
    hr_itt : ndarray of shape (draw, strategy)
        Pooled intention-to-treat effect.
    hr_patent : ndarray of shape (draw,)
        Ratio of an open varix; never below that of a closed one.
    starts_in
        State each strategy starts in; one that starts at risk has no effect.

    Returns
    -------
    hr_obliterated, hr_patent : ndarray of shape (draw, strategy)
    lowered : ndarray of shape (draw, strategy)
        Where no ratio of at least 0.02 meets the trial, so that the ratio of an open varix was lowered until one does,
        to 0.02 at the least.

    Notes
    -----
    The cumulative hazard at the trial's end is nearly linear in the ratio, so that secants meet it in a few steps.
    """
    lane, on_drug = trial_lane(trial, evidence, starts_in), np.array([start == "protected" for start in starts_in])
    untreated = np.array([start == "at_risk" for start in starts_in])
    target = hr_itt * trial.hazard[:, None]
    open_ratio, lowest = np.broadcast_to(hr_patent[:, None], hr_itt.shape), np.full(hr_itt.shape, LOWEST_RATIO)
    least = lane.exposure(lowest, np.maximum(lowest, open_ratio)) - target
    lowered = (least > 0) & ~untreated
    closed, opened = np.where(lowered, LOWEST_RATIO, hr_itt), np.maximum(hr_itt, open_ratio)
    solve = ~lowered & ~untreated & (on_drug | (hr_itt < open_ratio))
    if solve.any():
        mine, aim, high = lane.only(solve), target[solve], open_ratio[solve]
        closed[solve] = secants(
            lambda ratio: mine.exposure(ratio, np.maximum(ratio, high)) - aim, lowest[solve], least[solve], hr_itt[solve]
        )
    opened = np.maximum(closed, open_ratio)
    if (held := lowered & ~on_drug).any():
        reach = held.copy()
        reach[held] = lane.only(held).exposure(lowest[held], lowest[held]) < target[held]
        opened[held & ~reach] = LOWEST_RATIO
        if reach.any():
            shut, aim, low = lane.only(reach), target[reach], lowest[reach]
            opened[reach] = secants(lambda ratio: shut.exposure(low, ratio) - aim, opened[reach], least[reach], low)
    return np.where(untreated, 1.0, closed), np.where(untreated, 1.0, opened), lowered


def secants(function: Callable[[FloatArray], FloatArray], a: FloatArray, fa: FloatArray, b: FloatArray) -> FloatArray:
    """Roots of nearly linear functions, one an element, from two points each.

    Raises
    ------
    ModelError
        An element is not met after 50 steps.
    """
    for _ in range(SECANTS):
        fb = function(b)
        moves = np.abs(fb) > MET
        if not moves.any():
            return b
        slope = np.divide(b - a, fb - fa, out=np.zeros_like(b), where=moves & (fb != fa))
        a, fa, b = b, fb, np.maximum(b - fb * slope, b / 8)
    what = "the effect of a closed varix could not be solved from the trials' effect"
    raise ModelError(what, fix="look for a hazard ratio, p_obliteration or r_recurrence far outside its range")
