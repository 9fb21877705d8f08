"""The course of the varix: inputs of ``effect_basis = "process"``, and the hazard ratios that make a trial come out right.

A treatment works while its varix is closed (or its drug is taken) and as little as ``hr_patent`` says while it is open.
Trials report neither: they report the risk of everybody treated. So the ratio of closed varices is solved, for each draw,
such that a trial run on the evidence's own figures has the risk of the pooled intention-to-treat effect. What a site
changes acts in the run and not in that trial: it gets the credit for closing more varices than the trials did.

Arrays are (draw, strategy) unless said otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from econmodel.arrays import bracketed_roots
from econmodel.model.natural_history import TIME_STEPS, FirstBleed

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
MONTHS = 12
LOWEST_RATIO, HIGHEST_RATIO = 0.02, 50.0
STOP_STEPS = (0, 2)
TRIAL_VISITS = (1, 3, 6, 9, 12, 18, 24)


@dataclass(frozen=True)
class Trial:
    """The trial that effects are calibrated on: its length, its visits, who they find, its untreated hazard.

    ``p_detect`` is (draw,), ``hazard_by_year`` (draw, year): the marginal rate of a gastric bleed of the reference mix.
    """

    months: int
    visits: tuple[int, ...]
    p_detect: FloatArray
    hazard_by_year: FloatArray


@dataclass(frozen=True)
class Evidence:
    """What the trial's treated arms are run on: figures of the evidence, whatever a site has put in their place."""

    p_obliteration: FloatArray
    r_recurrence: FloatArray
    r_stop: FloatArray
    sessions_mean: FloatArray
    p_retreat_accepted: FloatArray


@dataclass(frozen=True)
class CourseInputs:
    """What moves a varix between closed and open, and a patient out of follow-up.

    ``r_stop`` is (draw, strategy, step) with steps from years 0 and 2; ``r_other_rebleed_alone`` is (draw,), for those who
    bled from another source only; ``hr_rebleed_by_time`` is (draw, 2), in the first twelve months after a bleed and later.
    ``lowered`` marks draws in which an open varix had to bleed less than ``hr_patent`` says for the trial to come out.
    """

    hr_obliterated: FloatArray
    hr_patent: FloatArray
    lowered: BoolArray
    r_recurrence: FloatArray
    r_lost: FloatArray
    r_stop: FloatArray
    p_retreat_accepted: FloatArray
    p_detect: FloatArray
    r_gastric_rebleed: FloatArray
    r_other_rebleed: FloatArray
    r_other_rebleed_alone: FloatArray
    hr_rebleed_by_time: FloatArray
    excess_recent_only: bool
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


def trial_risk(trial: Trial, evidence: Evidence, hr_obliterated: FloatArray, hr_patent: FloatArray, on_drug: BoolArray) -> FloatArray:
    """Risk of a first gastric bleed by the end of the trial, nobody dying and nobody lost.

    A trial's clock starts when patients are allotted, so that a session counts from the end of its month; in the programme
    the clock starts with the session.

    Parameters
    ----------
    trial, evidence
        What it is run on.
    hr_obliterated, hr_patent : ndarray of shape (draw, strategy)
    on_drug : ndarray of shape (strategy,)
        Strategies that start protected, by a drug.
    """
    shape = hr_obliterated.shape
    at_risk, patent = np.zeros(shape), np.zeros(shape)
    protected = np.broadcast_to(np.where(on_drug, 1.0, 0.0), shape).copy()
    course = 1.0 - protected
    found = trial.p_detect[:, None] * evidence.p_retreat_accepted
    ends, closed = 1.0 / evidence.sessions_mean, evidence.p_obliteration
    back, stops = (-np.expm1(-rate / MONTHS) for rate in (evidence.r_recurrence, evidence.r_stop))
    for month in range(trial.months):
        if month % MONTHS == 0:
            hazard = trial.hazard_by_year[:, month // MONTHS, None] / -MONTHS
            spared, spared_open, spared_none = np.exp(hazard * hr_obliterated), np.exp(hazard * hr_patent), np.exp(hazard)
        if month in trial.visits:
            again = found * patent
            course, patent = course + again, patent - again
        at_risk, course, patent, protected = at_risk * spared_none, course * spared_open, patent * spared_open, protected * spared
        at_risk, protected = at_risk + protected * stops, protected * (1.0 - stops)
        patent, protected = patent + protected * back, protected * (1.0 - back)
        done = course * ends
        course, patent, protected = course - done, patent + done * (1.0 - closed), protected + done * closed
    return np.asarray(1.0 - (at_risk + course + patent + protected))


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
        Where no ratio of at least 0.02 meets the trial, so that the ratio of an open varix was lowered until one does.
    """
    on_drug, untreated = (np.array([start == state for start in starts_in]) for state in ("protected", "at_risk"))
    months = np.bincount(np.arange(trial.months) // MONTHS) / MONTHS
    target = -np.expm1(-hr_itt * (trial.hazard_by_year @ months)[:, None])
    open_ratio = np.broadcast_to(hr_patent[:, None], hr_itt.shape)

    def miss(log_closed: FloatArray) -> FloatArray:
        closed = np.exp(log_closed)
        return trial_risk(trial, evidence, closed, np.maximum(closed, open_ratio), on_drug) - target

    low, high = (np.full(hr_itt.shape, np.log(ratio)) for ratio in (LOWEST_RATIO, HIGHEST_RATIO))
    lowered = (miss(low) > 0) & ~untreated
    closed = np.where(lowered, LOWEST_RATIO, np.exp(bracketed_roots(miss, low, high)))
    opened = np.maximum(closed, open_ratio)
    if (lowered & ~on_drug).any():

        def miss_open(log_open: FloatArray) -> FloatArray:
            return trial_risk(trial, evidence, closed, np.exp(log_open), on_drug) - target

        opened = np.where(lowered & ~on_drug, np.exp(bracketed_roots(miss_open, low, np.log(opened))), opened)
    return np.where(untreated, 1.0, closed), np.where(untreated, 1.0, opened), lowered
