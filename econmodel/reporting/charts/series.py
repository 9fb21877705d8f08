"""What each figure shows, as plain rows taken from the results of a case; the CSV beside a figure is these rows."""

from __future__ import annotations

from itertools import accumulate
from typing import TYPE_CHECKING, Any

from econmodel.model.structure import TWIN

if TYPE_CHECKING:
    from econmodel.economics.evaluate import Evaluation
    from econmodel.economics.results import Results

CURVE_YEARS = 10


def first_bleed_rows(results: Results, years: int = CURVE_YEARS) -> list[dict[str, Any]]:
    """Cumulative share with a first bleed by the end of each year, from year 0."""
    rows: list[dict[str, Any]] = []
    for key, found in results.strategies.items():
        yearly = [y for y in found.yearly if y.year <= years]
        risks = accumulate((y.first_bleeds for y in yearly), initial=0.0)
        rows += [
            {"strategy": key, "label": found.label, "year": year, "first_bleed_risk": risk}
            for year, risk in zip((0, *(y.year for y in yearly)), risks, strict=True)
        ]
    return rows


def cost_rows(results: Results) -> list[dict[str, Any]]:
    """Discounted cost per patient over the headline years, by category."""
    settings = results.settings
    return [
        {
            "strategy": key,
            "label": found.label,
            "category": category,
            "cost": cost,
            "currency": settings.currency,
            "price_year": settings.price_year,
            "years": results.settings.headline,
        }
        for key, found in results.strategies.items()
        for category, cost in found.headline_cost_by_category.items()
    ]


def nnt_rows(results: Results) -> list[dict[str, Any]]:
    """NNT for one first bleed by year and comparator; the time horizon itself is left out."""
    names = results.labels
    return [
        {"versus": versus, "strategy": key, "label": names[key], "year": year, "nnt": nnt.value, "kind": nnt.kind}
        for versus, block in results.comparisons.items()
        for key, compared in block.items()
        for year, nnt in compared.whole.nnt.items()
        if shows_nnt(results, year)
    ]


def shows_nnt(results: Results, year: int) -> bool:
    """Whether the NNT of a year is shown by year: that of a long horizon is not."""
    horizon = results.settings.horizon_years
    return year != horizon or horizon <= CURVE_YEARS


def plane_rows(results: Results) -> list[dict[str, Any]]:
    """Increments in cost and QALYs against the comparator over the time horizon, with frontier status."""
    names, versus = results.labels, results.settings.comparator
    status = {row.key: row.status for row in results.frontier}
    increments = {key: (c.whole.incremental_qalys, c.whole.incremental_cost) for key, c in results.comparisons[versus].items()}
    return [
        {
            "strategy": key,
            "label": names[key],
            "versus": versus,
            "incremental_qalys": increments.get(key, (0.0, 0.0))[0],
            "incremental_cost": increments.get(key, (0.0, 0.0))[1],
            "frontier": status[key],
        }
        for key in names
    ]


def trace_rows(evaluation: Evaluation) -> list[dict[str, Any]]:
    """Patient-years spent in each state in each year, per patient: the mean share of patients there over the year.

    A state that is drawn within its twin counts there.
    """
    activity = evaluation.activity
    plain = activity.weightings[0]
    drawn: dict[str, Any] = {}
    for state, years in activity.state_years.items():
        into = TWIN.get(state, state)
        drawn[into] = drawn[into] + years if into in drawn else years
    return [
        {"strategy": key, "year": year, "state": state, "share": float(years[plain, period, 0, s, 0])}
        for s, key in enumerate(evaluation.keys)
        for period, year in enumerate(activity.report_years)
        for state, years in drawn.items()
    ]


def by_strategy(rows: list[dict[str, Any]], x: str, y: str) -> dict[str, tuple[list[float], list[float]]]:
    """Group rows into one line per strategy, leaving out rows without a value."""
    found: dict[str, tuple[list[float], list[float]]] = {}
    for row in rows:
        if row[y] is not None:
            xs, ys = found.setdefault(row["strategy"], ([], []))
            xs.append(row[x])
            ys.append(row[y])
    return found
