"""What each figure shows, as plain rows taken from a result document; the CSV beside a figure is these rows."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import accumulate
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from econmodel.economics.evaluate import Evaluation

Document = Mapping[str, Any]
CURVE_YEARS = 10


def labels(document: Document) -> dict[str, str]:
    """Label of each strategy, in display order."""
    return {key: block["label"] for key, block in document["strategies"].items()}


def headline_years(document: Document) -> int:
    """Years of the headline figures: those of the settings, or the time horizon where it is shorter."""
    return int(min(document["settings"]["headline_years"], document["settings"]["horizon_years"]))


def latest_year(block: Mapping[str, Any], years: int) -> int:
    """Latest year up to ``years`` at which a risk or NNT is reported.

    Examples
    --------
    >>> latest_year({"1": 0.1, "3": 0.2, "5": 0.3}, 4)
    3
    """
    return max(int(year) for year in block if int(year) <= years)


def first_bleed_rows(document: Document, years: int = CURVE_YEARS) -> list[dict[str, Any]]:
    """Cumulative share with a first bleed by the end of each year, from year 0."""
    rows: list[dict[str, Any]] = []
    for key, block in document["strategies"].items():
        yearly = [y for y in block["yearly"] if y["year"] <= years]
        risks = accumulate((y["first_bleeds"] for y in yearly), initial=0.0)
        rows += [
            {"strategy": key, "label": block["label"], "year": year, "first_bleed_risk": risk}
            for year, risk in zip((0, *(y["year"] for y in yearly)), risks, strict=True)
        ]
    return rows


def cost_rows(document: Document) -> list[dict[str, Any]]:
    """Discounted cost per patient over the headline years, by category."""
    settings = document["settings"]
    return [
        {
            "strategy": key,
            "label": block["label"],
            "category": category,
            "cost": cost,
            "currency": settings["currency"],
            "price_year": settings["price_year"],
            "years": headline_years(document),
        }
        for key, block in document["strategies"].items()
        for category, cost in block["cost_five_years"]["by_category"].items()
    ]


def nnt_rows(document: Document) -> list[dict[str, Any]]:
    """NNT for one first bleed by year and comparator; the time horizon itself is left out."""
    names, horizon = labels(document), document["settings"]["horizon_years"]
    return [
        {"versus": versus, "strategy": key, "label": names[key], "year": int(year), "nnt": value["value"], "kind": value["kind"]}
        for versus, block in document["comparisons"].items()
        for key, comparison in block.items()
        for year, value in comparison["nnt"].items()
        if int(year) != horizon or horizon <= CURVE_YEARS
    ]


def plane_rows(document: Document) -> list[dict[str, Any]]:
    """Increments in cost and QALYs against the comparator over the time horizon, with frontier status."""
    names, versus = labels(document), document["settings"]["comparator"]
    status = {row["key"]: row["status"] for row in document["frontier"]}
    increments = {key: (c["incremental_qalys"], c["incremental_cost"]) for key, c in document["comparisons"][versus].items()}
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
    """Patient-years spent in each state in each year, per patient: the mean share of patients there over the year."""
    activity = evaluation.activity
    plain = activity.weightings[0]
    return [
        {"strategy": key, "year": year, "state": state, "share": float(years[plain, period, 0, s, 0])}
        for s, key in enumerate(evaluation.keys)
        for period, year in enumerate(activity.report_years)
        for state, years in activity.state_years.items()
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
