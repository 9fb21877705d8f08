"""Inputs of the model that a registry can replace, each with its distribution, range, reason and source.

A rate or probability is joined to the base case's belief; a share, mean or mix stands on the registry alone and needs
``Options.minimum`` patients, courses or sessions. Effects of treatment are never taken from a registry: its patients
were not allocated at random.

Rules
-----
- ``r_late_rebleed`` needs second bleeds to be recorded, and follow-up beyond six weeks after a first.
- Sessions count in first courses, and only where the file tells several sessions of a patient apart.
- Devices are per session, over the courses that used any.
- A complication is per course, over the courses with complications recorded; its probability is joined to the base
  case's belief (else Jeffreys') and is never 0.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from functools import partial
from operator import attrgetter
from typing import Any

import numpy as np
import pandas as pd

from econmodel.evidence.registry.cleaning import CleanRegistry
from econmodel.evidence.registry.curves import NOT_RECORDED, form_groups, form_rebleeds
from econmodel.evidence.registry.estimates import gamma_posterior
from econmodel.evidence.registry.settings import JEFFREYS_RATE, SIX_WEEKS, BaseCase, BetaPrior, Options, Prior
from econmodel.parameters.catalogue import KEPT_COMPLICATIONS
from econmodel.parameters.schema import StrategyRow
from econmodel.records import record

Z = 1.96
INTERVAL = "95% credible interval, registry combined with the base case"
OWN_INTERVAL = "95% interval of the registry's mean"


@record
class LocalValue:
    """One input set by the registry.

    Parameters
    ----------
    name
        Input of the model.
    distribution
        As an input file writes it.
    reason, note
        Why it changes; which file and which counts it rests on.
    value, table
        A number, or the rows of a mix.
    range
        Low, high and what they are, for one-way analysis.
    period_years
        Period of a probability.
    events
        Events or courses it rests on.
    moved
        Whether it is not of the site itself, but moved with a value that is; its spread then stays ours.
    """

    name: str
    distribution: dict[str, Any]
    reason: str
    note: str
    value: float | None = None
    table: tuple[dict[str, Any], ...] = ()
    range: tuple[float, float, str] | None = None
    period_years: float | None = None
    events: float = 0.0
    moved: bool = False


def beta_interval(a: float, b: float, alpha: float = 0.05) -> tuple[float, float]:
    """Central interval of a beta belief."""
    from scipy.special import betaincinv

    return float(betaincinv(a, b, alpha / 2)), float(betaincinv(a, b, 1 - alpha / 2))


def gamma_interval(shape: float, scale: float, alpha: float = 0.05) -> tuple[float, float]:
    """Central interval of a gamma belief."""
    from scipy.special import gammaincinv

    return float(gammaincinv(shape, alpha / 2)) * scale, float(gammaincinv(shape, 1 - alpha / 2)) * scale


def local_values(clean: CleanRegistry, f: pd.DataFrame, base: BaseCase, options: Options) -> list[LocalValue]:
    """Every input this registry can replace.

    Parameters
    ----------
    clean
        The cleaned registry.
    f
        Follow-up of the patients analysed.
    base
        Beliefs to combine with.
    options
        Holds the minimum.
    """
    return [
        *_age(clean, options),
        *_share_female(clean, options),
        *_case_mix(clean, options),
        *rebleed_values(clean, base),
        *use_values(clean, f, base, options),
    ]


def age_at_start(p: pd.DataFrame) -> pd.Series:
    """Age of each patient at the start, from the year of birth where it is given; years of birth go no further."""
    age: pd.Series = (p["start"].dt.year - p["birth_year"]).fillna(p["age"])
    return age


def _age(clean: CleanRegistry, options: Options) -> list[LocalValue]:
    p = clean.analysed
    age = age_at_start(p).dropna()
    if len(age) < options.minimum:
        return []
    note = (
        f"Registry {clean.mark}: mean {age.mean():.1f} (SD {age.std():.1f}) in {len(age)}/{len(p)} patients; the "
        "life table works in whole years."
    )
    return [
        LocalValue(
            "start_age",
            {"family": "fixed", "reason": "describes the site's own patients"},
            "mean age of the site's own patients",
            note,
            float(round(age.mean())),
        )
    ]


def _share_female(clean: CleanRegistry, options: Options) -> list[LocalValue]:
    sex = clean.analysed["sex"].dropna()
    if len(sex) < options.minimum:
        return []
    women = int(sex.eq("female").sum())
    a, b = women + 0.5, len(sex) - women + 0.5
    return [
        LocalValue(
            "share_female",
            {"family": "beta", "a": a, "b": b},
            "share among the site's own patients",
            f"Registry {clean.mark}: {women}/{len(sex)} patients. Jeffreys' prior.",
            a / (a + b),
            range=(*beta_interval(a, b), "95% interval of the registry's share"),
        )
    ]


def _case_mix(clean: CleanRegistry, options: Options) -> list[LocalValue]:
    groups = form_groups(clean.analysed, options.groups)
    known = groups[groups["group"].ne(NOT_RECORDED)]
    if len(known) < options.minimum:
        return []
    counted = known.groupby(["child", "size_step", "red", "group"]).size().rename("patients").reset_index()
    table = tuple(
        {
            "name": r["group"],
            "share": int(r["patients"]) / len(known),
            "child": r["child"],
            "size_step": int(r["size_step"]),
            "red_spot": int(r["red"]),
        }
        for r in counted.to_dict("records")
    )
    note = f"Registry {clean.mark}: {len(known)}/{len(groups)} patients with Child-Pugh class, size and red spot all recorded."
    return [
        LocalValue("case_mix", {"family": "dirichlet", "n": float(len(known))}, "mix of the site's own patients", note, table=table)
    ]


def _prior_said(prior: Prior) -> str:
    if prior == JEFFREYS_RATE:
        return "No base-case belief given (Jeffreys' prior)."
    return f"Combined with the base case, worth {prior.shape:.1f} events in {prior.rate:.1f} patient-years."


def rebleed_values(clean: CleanRegistry, base: BaseCase) -> list[LocalValue]:
    """Late rebleeding rate, where the registry follows patients after a bleed and records second ones."""
    after = form_rebleeds(clean.analysed, SIX_WEEKS)
    if after.empty or not ("rebleed_date" in clean.recorded or clean.analysed["rebleed_date"].notna().any()):
        return []
    counts = (int(after["event"].sum()), len(after), float(after["years"].sum()))
    reason = "patients followed beyond six weeks after a first bleed, whatever their secondary prophylaxis"
    return [rate_value(clean, "r_late_rebleed", counts, base, reason)]


def rate_value(clean: CleanRegistry, name: str, counts: tuple[int, int, float], base: BaseCase, reason: str) -> LocalValue:
    """Join a yearly rate, from events, patients and patient-years, to the base case's belief."""
    events, patients, years = counts
    prior = base.rates.get(name, JEFFREYS_RATE)
    post = gamma_posterior(events, years, prior)
    note = f"Registry {clean.mark}: {events}/{patients} in {years:.2f} patient-years. {_prior_said(prior)}"
    return LocalValue(
        name,
        {"family": "gamma", "se": post["sd"]},
        reason,
        note,
        post["mean"],
        range=(post["low"], post["high"], INTERVAL),
        events=events,
    )


def use_values(clean: CleanRegistry, f: pd.DataFrame, base: BaseCase, options: Options) -> list[LocalValue]:
    """Every input on sessions, devices and complications that enough courses speak to."""
    courses = clean.courses.assign(strategy=f["strategy"].reindex(clean.courses["patient"]).to_numpy())
    courses = courses[courses["strategy"].isin(set(options.strategies) - set(options.without_sessions))]
    return [*_sessions(clean, courses, options), *_devices(clean, courses, options), *_complications(clean, courses, base, options)]


def by_input(courses: pd.DataFrame, options: Options, named: Callable[[StrategyRow], str]) -> Iterator[tuple[str, pd.DataFrame]]:
    """Courses (or patients) by the input that their strategies name, where there are enough; strategies may share one."""
    names = {key: name for key, row in options.strategies.items() if (name := named(row))}
    for name, part in courses.groupby(courses["strategy"].map(names)):
        if len(part) >= options.minimum:
            yield str(name), part


def _sessions(clean: CleanRegistry, courses: pd.DataFrame, options: Options) -> list[LocalValue]:
    several = clean.visits.loc[clean.visits["is_session"], "patient"].duplicated().any()
    if not ("sessions" in clean.recorded or several):
        return []
    found = []
    for name, part in by_input(courses[courses["course"].eq(1)], options, lambda row: row.sessions_mean):
        note = f"Registry {clean.mark}: {int(part['sessions'].sum())} sessions in {len(part)} first courses."
        found.append(_mean_sessions(name, part["sessions"], note))
    return found


def _mean_sessions(name: str, sessions: pd.Series, note: str) -> LocalValue:
    """Mean sessions of a course; where every course had one, half a further session is added (Jeffreys' prior)."""
    reason = "sessions of a course at the site"
    if sessions.gt(1).any():
        return mean_value(name, sessions, reason, note, shift=1.0)
    scale = 1.0 / len(sessions)
    low, high = gamma_interval(0.5, scale)
    return LocalValue(
        name,
        {"family": "gamma", "shape": 0.5, "scale": scale, "shift": 1.0},
        reason,
        f"{note} None had a second session: half of one is added (Jeffreys' prior).",
        1.0 + 0.5 * scale,
        range=(1.0 + low, 1.0 + high, f"{OWN_INTERVAL}, Jeffreys' prior"),
        events=len(sessions),
    )


def _devices(clean: CleanRegistry, courses: pd.DataFrame, options: Options) -> list[LocalValue]:
    found = []
    for column, unit in (("coils", "coils"), ("glue_ml", "mL")):
        for name, part in by_input(courses[courses[column].gt(0)], options, attrgetter(column)):
            sessions = part["sessions"]
            note = f"Registry {clean.mark}: {part[column].sum():g} {unit} in {int(sessions.sum())} sessions of {len(part)} courses."
            found.append(mean_value(name, part[column] / sessions, "use per session at the site", note, weights=sessions))
    return found


def mean_value(
    name: str, values: pd.Series, reason: str, note: str, *, weights: pd.Series | None = None, shift: float = 0.0
) -> LocalValue:
    """Write a mean as an input: gamma above ``shift`` with the standard error of the (weighted) mean.

    Notes
    -----
    ``SE = sqrt(n/(n-1) sum w^2 (x - mean)^2) / sum w``; with equal weights the usual SD / sqrt(n). Without spread the
    input is fixed, and says so.
    """
    x, n = values.to_numpy(dtype=float), len(values)
    w = np.ones(n) if weights is None else weights.to_numpy(dtype=float)
    mean = float(np.average(x, weights=w))
    se = math.sqrt(float(np.sum((w * (x - mean)) ** 2)) * n / (n - 1)) / float(w.sum())
    if se == 0 or mean <= shift:
        fixed = {"family": "fixed", "reason": f"the same in all {n} courses of the registry"}
        return LocalValue(name, fixed, reason, note, mean, events=n)
    spec = {"family": "gamma", "se": se} | ({"shift": shift} if shift else {})
    span = (max(shift, mean - 1.96 * se), mean + 1.96 * se, OWN_INTERVAL)
    return LocalValue(name, spec, reason, note, mean, range=span, events=n)


def _complications(clean: CleanRegistry, courses: pd.DataFrame, base: BaseCase, options: Options) -> list[LocalValue]:
    known = courses[courses["complication_known"].astype(bool)]
    return [
        share_value(
            clean, name, (int(part[kind].sum()), len(part)), base, "courses of the site with complications recorded", "courses"
        )
        for kind in KEPT_COMPLICATIONS
        for name, part in by_input(known, options, partial(_complication_input, kind))
    ]


def _complication_input(kind: str, row: StrategyRow) -> str:
    return row.complications.get(kind, "")


def share_value(clean: CleanRegistry, name: str, counts: tuple[int, int], base: BaseCase, reason: str, of: str) -> LocalValue:
    """Join a probability, from events in so many ``of``, to the base case's belief."""
    events, n = counts
    prior = base.probabilities.get(name, BetaPrior())
    a, b = prior.a + events, prior.b + n - events
    said = f"Combined with the base case, worth {prior.a:.4g} in {prior.a + prior.b:.4g}."
    said = "Jeffreys' prior." if prior == BetaPrior() else said
    note = f"Registry {clean.mark}: {events}/{n} {of}. {said}"
    spread = (*beta_interval(a, b), INTERVAL)
    return LocalValue(name, {"family": "beta", "a": a, "b": b}, reason, note, a / (a + b), range=spread, events=events)
