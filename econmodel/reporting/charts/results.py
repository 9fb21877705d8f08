"""Charts of a case's results, and the rows each shows."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from itertools import accumulate
from textwrap import fill
from typing import TYPE_CHECKING, Any

from econmodel.model.structure import TWIN
from econmodel.parameters.catalogue import CATEGORIES
from econmodel.parameters.schema import WATCH
from econmodel.reporting import formatting as f
from econmodel.reporting.charts.style import CATEGORY_COLOURS, INK, MUTED, strategy_styles
from econmodel.reporting.papers.phrases import lower, named

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.lines import Line2D
    from matplotlib.patches import Rectangle

    from econmodel.economics.evaluate import Evaluation
    from econmodel.economics.results import Results

CURVE_YEARS = 10
OBSERVED_YEARS = 5


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
    """Increments in cost and QALYs against the first comparator over the time horizon, with frontier status."""
    names, versus = results.labels, next(iter(results.comparisons))
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


def plot_first_bleeds(results: Results, *, ax: Axes) -> dict[str, Line2D]:
    """Share of patients with a first bleed, by years since start."""
    lines = strategy_lines(results.labels, by_strategy(first_bleed_rows(results), "year", "first_bleed_risk"), ax)
    ax.set(xlim=(0, None), ylim=(0, None))
    _axis_names(ax, "Years since start", "Patients with a first bleed")
    ax.yaxis.set_major_formatter(lambda value, _: f.percent(value))
    last = ax.get_xlim()[1]
    if last > OBSERVED_YEARS:
        ax.axvspan(OBSERVED_YEARS, last, color="#f3f5f6", zorder=0)
        ax.text(
            OBSERVED_YEARS + 0.1,
            0.015,
            "beyond observed\nuntreated risk",
            fontsize=6.6,
            color=MUTED,
            va="bottom",
            transform=ax.get_xaxis_transform(),
        )
    label_column(ax, results.labels, sorted(lines, key=lambda key: -float(lines[key].get_ydata()[-1])))  # type: ignore[index,arg-type]
    return lines


def plot_costs(results: Results, *, ax: Axes) -> dict[tuple[str, str], Rectangle]:
    """Cost per patient over the headline years, stacked by category."""
    settings, names = results.settings, results.labels
    places = {key: -i for i, key in enumerate(names)}
    left, bars = dict.fromkeys(names, 0.0), {}
    for row in cost_rows(results):
        key, category = row["strategy"], row["category"]
        bars[key, category] = ax.barh(
            places[key], row["cost"], left=left[key], height=0.62, color=CATEGORY_COLOURS[category], edgecolor="white", linewidth=0.5
        )[0]
        left[key] += row["cost"]
    for key, place in places.items():
        total = results.strategies[key].headline_cost
        ax.text(total, place, " " + f.money_short(total, settings.currency), va="center", color=INK)
    ax.set_yticks(list(places.values()), [fill(name, 22) for name in names.values()], fontsize=6.8, linespacing=0.95)
    ax.set_xlim(0, 1.2 * max(left.values()))
    _axis_names(ax, f"Over {f.duration(results.settings.headline)}, discounted ({f.price_note(settings)})")
    ax.grid(visible=True, axis="x")
    ax.grid(visible=False, axis="y")
    ax.xaxis.set_major_formatter(lambda value, _: f.money_short(value, settings.currency))
    ax.tick_params(axis="y", length=0)
    _category_key(ax, {category for (_, category), bar in bars.items() if bar.get_width()})
    return bars


def _category_key(ax: Axes, used: set[str]) -> None:
    x = 0.0
    for category, colour in CATEGORY_COLOURS.items():
        if category in used:
            ax.plot(x, 1.05, "s", color=colour, markersize=5, transform=ax.transAxes, clip_on=False)
            ax.text(x + 0.025, 1.05, CATEGORIES[category], transform=ax.transAxes, va="center", fontsize=6.8)
            x += 0.06 + 0.026 * len(CATEGORIES[category])


def plot_nnt(results: Results, *, ax: Axes, versus: str) -> dict[str, Line2D]:
    """Draw the NNT for one first bleed by year against one comparator; an NNT for harm is left out."""
    rows = [r for r in nnt_rows(results) if r["versus"] == versus and r["kind"] == "NNTB"]
    lines = strategy_lines(results.labels, by_strategy(rows, "year", "nnt"), ax)
    against = "no prophylaxis" if versus == WATCH else results.labels[versus].lower()
    ax.set(ylim=(0, None), xticks=sorted({r["year"] for r in rows}))
    _axis_names(ax, "Years since start")
    _note_above(ax, fill(f"v. {against}", 20))
    return lines


def plot_plane(results: Results, *, ax: Axes) -> dict[str, Line2D]:
    """Cost-effectiveness plane: increments against the comparator, the frontier and the threshold, if any."""
    settings, styles = results.settings, strategy_styles(list(results.labels))
    rows = {row["strategy"]: row for row in plane_rows(results)}
    points = {
        key: ax.plot(
            row["incremental_qalys"],
            row["incremental_cost"],
            styles[key].marker,
            markersize=7,
            color=styles[key].colour,
            markeredgecolor="white",
            markeredgewidth=0.6,
            zorder=3,
        )[0]
        for key, row in rows.items()
    }
    edge = [rows[row.key] for row in results.frontier if row.status in ("reference", "on_frontier")]
    ax.plot(
        [r["incremental_qalys"] for r in edge], [r["incremental_cost"] for r in edge], color=MUTED, linewidth=1.0, label="frontier"
    )
    ax.axhline(0, color=MUTED, linewidth=0.6)
    ax.axvline(0, color=MUTED, linewidth=0.6)
    limits = ax.get_xlim(), ax.get_ylim()
    if (limit := settings.willingness_to_pay) is not None:
        ax.axline((0, 0), slope=limit, color=MUTED, linewidth=0.9, linestyle=(0, (4, 3)))
    ax.set(xlim=limits[0], ylim=limits[1])
    _axis_names(
        ax,
        f"QALYs gained per patient v. {lower(results.labels[next(iter(results.comparisons))])}",
        f"Extra cost per patient ({f.price_note(settings)})",
    )
    ax.yaxis.set_major_formatter(lambda value, _: f.money_short(value, settings.currency))
    _note_above(ax, "Solid: frontier." + ("" if limit is None else f" Dashed: {f.money(limit, settings.currency)} a QALY"))
    label_column(ax, results.labels, [row.key for row in reversed(results.frontier)])
    return points


def _axis_names(ax: Axes, x: str, y: str = "") -> None:
    """Name the axes at fixed places, which saves laying the ticks out again."""
    from matplotlib.transforms import blended_transform_factory

    ax.set_xlabel(x)
    ax.xaxis.set_label_coords(0.5, -0.13)
    if y:
        ax.set_ylabel(y)
        ax.yaxis.set_label_coords(0.035, 0.5, transform=blended_transform_factory(ax.figure.transFigure, ax.transAxes))


def _note_above(ax: Axes, text: str) -> None:
    ax.text(0.0, 1.02, text, transform=ax.transAxes, va="bottom", color=MUTED, fontsize=7.0, linespacing=1.0)


def strategy_lines(
    keys: Iterable[str], series: Mapping[str, tuple[Sequence[float], Sequence[float]]], ax: Axes, *, markers: bool = True
) -> dict[str, Line2D]:
    """Draw one line per strategy in its own colour, marker and dash, as its place among all of the case's."""
    styles = strategy_styles(list(keys))
    return {
        key: ax.plot(
            x,
            y,
            color=styles[key].colour,
            marker=styles[key].marker if markers else "",
            linestyle=styles[key].dash,
            markeredgecolor="white",
            markeredgewidth=0.4,
        )[0]
        for key, (x, y) in series.items()
    }


def label_column(ax: Axes, names: Mapping[str, str], order: Iterable[str], *, gap: float = 0.07, markers: bool = True) -> None:
    """Name the strategies in a column right of the axis, in the order given (top first); ``names`` are all of the case's."""
    styles = strategy_styles(list(names))
    keys = list(order)
    for i, key in enumerate(keys):
        y = 1.0 - (i + 0.5) / max(len(keys), 1)
        ax.plot(
            [1.0 + 0.5 * gap, 1.0 + 2.0 * gap],
            [y, y],
            color=styles[key].colour,
            linestyle=styles[key].dash,
            transform=ax.transAxes,
            clip_on=False,
        )
        ax.plot(
            [1.0 + 1.25 * gap],
            [y],
            color=styles[key].colour,
            marker=styles[key].marker if markers else "",
            transform=ax.transAxes,
            clip_on=False,
            markersize=4.5,
        )
        ax.text(1.0 + 2.6 * gap, y, fill(names[key], 17), transform=ax.transAxes, va="center", linespacing=1.0, fontsize=7.0)


def of_what(results: Results) -> str:
    """What every picture of a case says of itself: horizon, money and hospital."""
    settings = results.settings
    return f"Horizon {f.duration(settings.horizon_years)}; {f.price_note(settings)}. {results.case.title}"


def describe(name: str, results: Results) -> dict[str, Any]:
    """Caption and alternative text of a figure of the results."""
    years, versus = results.settings.headline, lower(results.labels[next(iter(results.comparisons))])
    beside = " and against ".join(named(results, v) for v in results.beside)
    known = {
        "state_diagram": (
            "Health states and moves",
            "Diagram of the health states and the moves between them; death is possible from every state.",
        ),
        "first_bleeds": (
            "First bleeds by strategy, any source, with death competing",
            "Curves of the share of patients with a first bleed over ten years, one per strategy.",
        ),
        "cost_by_category": (
            f"Cost per patient over {f.duration(years)} by category",
            "Bars of cost per patient, stacked by prophylaxis, bleeds and care after a bleed, one bar per strategy.",
        ),
        "nnt_by_year": (
            f"Patients needed to treat to avert one first bleed, by year, against {beside}",
            f"Number needed to treat by year, against {beside}, one line per strategy.",
        ),
        "cost_effectiveness_plane": (
            f"Cost-effectiveness plane against {versus}, over the time horizon",
            "Extra cost against QALYs gained, one point per strategy, with the efficiency frontier"
            f"{'' if results.settings.willingness_to_pay is None else ' and the threshold'}.",
        ),
    }
    caption, alt = known[name]
    return {"name": name, "caption": caption, "alt": alt}
