"""What a site's own untreated patients say: the log rate of a first gastric bleed, its course over the years, bleeds from elsewhere.

Rules
-----
- Bleeds from gastric varices, or of unrecorded source, count; patient-years are weighted by their rate relative to the reference cell.
- Year 1 tells of the log rate, whose prior is the predictive distribution of the cohorts; years 2-3 and 4 on of the multipliers of
  those years, whose priors are the base case's. The three are updated together, by grid: a late bleed may mean a high rate or a
  slow fall. Each is written with its own mean and spread.
- ``r_other_bleed`` needs a recorded source for every bleed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from econmodel.evidence.registry.cleaning import CleanRegistry
from econmodel.evidence.registry.curves import BLED, NOT_RECORDED
from econmodel.evidence.registry.settings import BaseCase
from econmodel.evidence.registry.values import INTERVAL, LocalValue, Z, rate_value
from econmodel.evidence.untreated import relative_hazard
from econmodel.parameters.schema import WATCH

Belief = tuple[float, float]
Seen = tuple[int, float]
"""Bleeds, and patient-years weighted by their relative rate."""
PERIODS = ((0.0, 1.0), (1.0, 3.0), (3.0, math.inf))
LATER = {"hr_first_bleed_years_2_3": "years 2 and 3", "hr_first_bleed_from_year_4": "year 4 and on"}
WIDTH, STEPS, STEPS_LATER = 10.0, 4_001, 401  # of the grids: standard deviations each way, points
FloatArray = NDArray[np.float64]


def untreated_values(clean: CleanRegistry, f: pd.DataFrame, base: BaseCase) -> list[LocalValue]:
    """Log rate, its multipliers of later years and rate of other bleeds, from untreated patients if there are any."""
    rows = f[f["strategy"].eq(WATCH)]
    if rows.empty:
        return []
    return [*_first_bleeds(clean, rows, base), *_other_bleed(clean, rows, base)]


def posterior_by_grid(prior: Belief, first: Seen, later: Sequence[tuple[Belief, Seen]]) -> list[Belief]:
    """Means and standard deviations of the log rate and of the log multipliers of later years, given what was seen in each.

    Parameters
    ----------
    prior, first
        Normal belief on the log rate, and what was seen in year 1.
    later
        Normal belief on the log of each later period's multiplier, and what was seen in it.

    Examples
    --------
    >>> [(mean, sd)] = posterior_by_grid((-1.94770838, 0.74999402), (5, 60 * 1.57899405), [])
    >>> round(mean, 6), round(sd, 6)
    (-2.75154, 0.355457)
    """
    x = prior[0] + prior[1] * np.linspace(-WIDTH, WIDTH, STEPS)
    log_weight = -0.5 * ((x - prior[0]) / prior[1]) ** 2 + first[0] * x - first[1] * np.exp(x)
    tables = [_table(x, belief, seen) for belief, seen in later]
    told = [table.sum(axis=1) for _, table in tables]
    weight = np.exp(log_weight - log_weight.max())
    found = [_moments(x, weight * np.prod(told, axis=0))]
    for number, (grid, table) in enumerate(tables):
        others = np.prod([t for n, t in enumerate(told) if n != number], axis=0)
        found.append(_moments(grid, (weight * others) @ table))
    return found


def _table(x: FloatArray, belief: Belief, seen: Seen) -> tuple[FloatArray, FloatArray]:
    """Likelihood times prior of a log multiplier, at each log rate (row)."""
    grid = belief[0] + belief[1] * np.linspace(-WIDTH, WIDTH, STEPS_LATER)
    both = x[:, None] + grid
    log_density = -0.5 * ((grid - belief[0]) / belief[1]) ** 2 + seen[0] * both - seen[1] * np.exp(both)
    return grid, np.exp(log_density - log_density.max())


def _moments(grid: FloatArray, weight: FloatArray) -> Belief:
    mean = float(np.average(grid, weights=weight))
    return mean, float(np.sqrt(np.average((grid - mean) ** 2, weights=weight)))


def _first_bleeds(clean: CleanRegistry, rows: pd.DataFrame, base: BaseCase) -> list[LocalValue]:
    if base.log_rate is None or base.coefficients is None or not base.case_mix:
        return []
    seen = [_seen(rows, base, *period) for period in PERIODS]
    prior = (base.log_rate[0], base.log_rate[1] / math.sqrt(base.prior_weight))
    names = [name for name, (_, years) in zip(LATER, seen[1:], strict=True) if name in base.log_multipliers and years > 0]
    later = [(base.log_multipliers[name], seen[1 + list(LATER).index(name)]) for name in names]
    (mean, sd), *multipliers = posterior_by_grid(prior, seen[0], later)
    years = float(rows["years"].clip(upper=1.0).sum())
    note = (
        f"Registry {clean.mark}: {seen[0][0]}/{len(rows)} untreated patients bled in their first year, in {years:.2f} patient-years "
        f"(weighted {seen[0][1] / years:.3f} for their mix against the reference cell). "
        f"Our evidence on a setting not yet seen counts as {_bleeds_of(prior)} bleeds; yours are {seen[0][0]}. "
        f"{_outlier_said(base.log_rate, *seen[0])}{_source_said(rows)}"
    ).strip()
    found = [LocalValue("log_rate_reference", {"family": "normal", "se": sd}, REASON, note, mean, range=_range(mean, sd))]
    for name, (belief, (bleeds, exposure)), (centre, spread) in zip(names, later, multipliers, strict=True):
        said = (
            f"Registry {clean.mark}: {bleeds} bleeds in {LATER[name]}, in {exposure:.2f} patient-years weighted by rate. "
            f"Our evidence counts as {_bleeds_of(belief)} bleeds; yours are {bleeds}."
        )
        low, high, basis = _range(centre, spread)
        span = (math.exp(low), math.exp(high), basis)
        found.append(LocalValue(name, {"family": "lognormal", "se_log": spread}, REASON, said, math.exp(centre), range=span))
    return found


REASON = "untreated patients of the site's registry"


def _bleeds_of(belief: Belief) -> str:
    return f"{belief[1] ** -2:.1f}" if belief[1] > 1 else f"{belief[1] ** -2:.0f}"


def _range(mean: float, sd: float) -> tuple[float, float, str]:
    return mean - Z * sd, mean + Z * sd, INTERVAL


def _seen(f: pd.DataFrame, base: BaseCase, start: float, stop: float) -> Seen:
    """Gastric bleeds between two years since the start, and the weighted patient-years there."""
    years = (f["years"].clip(upper=stop) - start).clip(lower=0.0)
    inside = f["years"].gt(start) & f["years"].le(stop)
    bleeds = int((inside & f["event"].eq(BLED) & f["source"].ne("other")).sum())
    return bleeds, float((years * relative_rates(f, base)).sum())


def relative_rates(f: pd.DataFrame, base: BaseCase) -> pd.Series:
    """Bleeding rate of each patient relative to the reference cell; the case mix's mean unless all groups are known."""
    b = base.coefficients
    assert b is not None
    known = f["group"].ne(NOT_RECORDED)
    if known.all() and len(f):
        columns = (f["child"].map({"A": 0.0, "B": 1.0, "C": 2.0}), f["size_step"], f["red"])
        child, size, red = (np.array(column, dtype=np.float64) for column in columns)
        return pd.Series(relative_hazard(child, size, red, b.child, b.size, b.red), index=f.index)
    steps = [("ABC".index(r["child"]), r["size_step"], r["red_spot"], r["share"]) for r in base.case_mix]
    child, size, red, weight = (np.array(column, dtype=np.float64) for column in zip(*steps, strict=True))
    return pd.Series(float(np.average(relative_hazard(child, size, red, b.child, b.size, b.red), weights=weight)), index=f.index)


def _outlier_said(predictive: Belief, bleeds: int, exposure: float) -> str:
    """Warn of a registry outside the central 95% of the counts that the cohorts predict of a setting with its patient-years."""
    from scipy.special import pdtr

    x = predictive[0] + predictive[1] * np.linspace(-WIDTH, WIDTH, STEPS)
    weight = np.exp(-0.5 * ((x - predictive[0]) / predictive[1]) ** 2)
    expected = exposure * np.exp(x)
    few, fewer = (float(np.average(pdtr(n, expected) if n >= 0 else np.zeros_like(x), weights=weight)) for n in (bleeds, bleeds - 1))
    if few >= 0.025 and 1 - fewer >= 0.025:
        return ""
    side = "below" if few < 0.025 else "above"
    return f"It lies {side} the 95% interval that the cohorts predict: check who was left untreated, and why. "


def _source_said(rows: pd.DataFrame) -> str:
    unknown = int((rows["event"].eq(BLED) & rows["source"].eq(NOT_RECORDED)).sum())
    return f"Bleeds of unrecorded source counted as gastric: {unknown}." if unknown else ""


def _other_bleed(clean: CleanRegistry, rows: pd.DataFrame, base: BaseCase) -> list[LocalValue]:
    bled = rows["event"].eq(BLED)
    if "bleed_source" not in clean.recorded or (bled & rows["source"].eq(NOT_RECORDED)).any():
        return []
    events = int((bled & rows["source"].eq("other")).sum())
    reason = "untreated patients of the site's registry, the source of each bleed recorded"
    return [rate_value(clean, "r_other_bleed", (events, len(rows), float(rows["years"].sum())), base, reason)]
