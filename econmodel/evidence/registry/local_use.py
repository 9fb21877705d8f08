"""Sessions, devices and complications of a site's courses, for the model.

Rules
-----
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

import numpy as np
import pandas as pd

from econmodel.evidence.registry.cleaning import CleanRegistry
from econmodel.evidence.registry.local_value import INTERVAL, OWN_INTERVAL, LocalValue, beta_interval, gamma_interval
from econmodel.evidence.registry.settings import BaseCase, BetaPrior, Options
from econmodel.parameters.catalogue import KEPT_COMPLICATIONS
from econmodel.parameters.schema import StrategyRow


def use_values(clean: CleanRegistry, f: pd.DataFrame, base: BaseCase, options: Options) -> list[LocalValue]:
    """Every input on sessions, devices and complications that enough courses speak to."""
    courses = clean.courses.assign(strategy=f["strategy"].reindex(clean.courses["patient"]).to_numpy())
    courses = courses[courses["strategy"].isin(set(options.strategies) - set(options.without_sessions))]
    return [*_sessions(clean, courses, options), *_devices(clean, courses, options), *_complications(clean, courses, base, options)]


def _by_input(courses: pd.DataFrame, options: Options, named: Callable[[StrategyRow], str]) -> Iterator[tuple[str, pd.DataFrame]]:
    """Courses by the input that their strategies name, where there are enough; strategies may share one."""
    names = {key: name for key, row in options.strategies.items() if (name := named(row))}
    for name, part in courses.groupby(courses["strategy"].map(names)):
        if len(part) >= options.minimum:
            yield str(name), part


def _sessions(clean: CleanRegistry, courses: pd.DataFrame, options: Options) -> list[LocalValue]:
    several = clean.visits.loc[clean.visits["is_session"], "patient"].duplicated().any()
    if not ("sessions" in clean.recorded or several):
        return []
    found = []
    for name, part in _by_input(courses[courses["course"].eq(1)], options, lambda row: row.sessions_mean):
        note = f"Registry {clean.file}: {int(part['sessions'].sum())} sessions in {len(part)} first courses."
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
    )


def _devices(clean: CleanRegistry, courses: pd.DataFrame, options: Options) -> list[LocalValue]:
    found = []
    for column, unit in (("coils", "coils"), ("glue_ml", "mL")):
        for name, part in _by_input(courses[courses[column].gt(0)], options, attrgetter(column)):
            sessions = part["sessions"]
            note = f"Registry {clean.file}: {part[column].sum():g} {unit} in {int(sessions.sum())} sessions of {len(part)} courses."
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
        return LocalValue(name, {"family": "fixed", "reason": f"the same in all {n} courses of the registry"}, reason, note, mean)
    spec = {"family": "gamma", "se": se} | ({"shift": shift} if shift else {})
    span = (max(shift, mean - 1.96 * se), mean + 1.96 * se, OWN_INTERVAL)
    return LocalValue(name, spec, reason, note, mean, range=span)


def _complications(clean: CleanRegistry, courses: pd.DataFrame, base: BaseCase, options: Options) -> list[LocalValue]:
    known = courses[courses["complication_known"].astype(bool)]
    return [
        _per_course(clean, name, int(part[kind].sum()), len(part), base)
        for kind in KEPT_COMPLICATIONS
        for name, part in _by_input(known, options, partial(_complication_input, kind))
    ]


def _complication_input(kind: str, row: StrategyRow) -> str:
    return row.complications.get(kind, "")


def _per_course(clean: CleanRegistry, name: str, events: int, courses: int, base: BaseCase) -> LocalValue:
    prior = base.probabilities.get(name, BetaPrior())
    a, b = prior.a + events, prior.b + courses - events
    said = f"Combined with the base case, worth {prior.a:.4g} in {prior.a + prior.b:.4g}."
    said = "Jeffreys' prior." if prior == BetaPrior() else said
    note = f"Registry {clean.file}: {events}/{courses} courses. {said}"
    return LocalValue(
        name,
        {"family": "beta", "a": a, "b": b},
        "courses of the site with complications recorded",
        note,
        a / (a + b),
        range=(*beta_interval(a, b), INTERVAL),
    )
