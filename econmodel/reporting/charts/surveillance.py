"""Pictures of follow-up protocols: cost against bleeds averted with their frontier, and two maps of net benefit.

Each takes finished results and an ``ax``, draws, computes nothing, and returns what it drew. A picture's own title names
strategy, comparator, outcome, time, money and hospital, so that it still tells all when it stands alone.
"""

from __future__ import annotations

from functools import partial
from textwrap import fill
from typing import TYPE_CHECKING, Any

import numpy as np

from econmodel.economics.comparison import ON_FRONTIER, REFERENCE
from econmodel.reporting import formatting as f
from econmodel.reporting.charts.figures import Spec, drawer
from econmodel.reporting.charts.style import ACCENT, INK, MUTED, WARM
from econmodel.reporting.papers.content import Chart
from econmodel.uncertainty.surveillance_worth import price_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.lines import Line2D

    from econmodel.uncertainty.surveillance import Protocols
    from econmodel.uncertainty.surveillance_worth import Worth
    from econmodel.uncertainty.two_way import Grid

TITLE = 7.2
STRONG = 0.68  # of the deepest colour: from there on a figure in a cell is white
MAP_PLACE = (0.15, 0.15, 0.82, 0.70)


def plot_protocols(found: Protocols, *, ax: Axes) -> dict[str, Line2D]:
    """Extra cost against bleeds averted over the headline years, one numbered point per protocol, the frontier a line."""
    points = {row.key: (row.now.bleeds_averted_per_100, row.now.incremental_cost) for row in found.rows}
    edge = [points[row.key] for row in found.rows if row.edge in (REFERENCE, ON_FRONTIER)]
    ax.plot(*zip(*sorted(edge), strict=True), color=ACCENT, linewidth=1.2, zorder=2)
    marks, there = {}, dict[tuple[float, float], list[str]]()
    for i, row in enumerate(found.rows, start=1):
        colour = WARM if row.key == found.asked else ACCENT if row.edge in (REFERENCE, ON_FRONTIER) else MUTED
        marks[row.key] = ax.plot(
            *points[row.key], "o", color=colour, markersize=6.5, markeredgecolor="white", zorder=4 if row.key == found.asked else 3
        )[0]
        there.setdefault(tuple(round(v, 6) for v in points[row.key]), []).append(str(i))  # type: ignore[arg-type]
        ax.text(
            1.04, 1 - (i - 0.5) / len(found.rows), fill(f"{i}  {row.label}", 25), transform=ax.transAxes, va="center", color=colour
        )
    for place, numbers in there.items():
        ax.annotate(", ".join(numbers), place, xytext=(-5, 6), textcoords="offset points", ha="right", fontsize=8)
    time = f.duration(found.years)
    ax.set_xlabel(f"Bleeds averted per 100 patients over {time}")
    ax.set_ylabel(f"Extra cost per patient over {time}\n({found.money_of})")
    ax.yaxis.set_major_formatter(lambda value, _: f.money_short(value, found.currency))
    ax.margins(0.1)
    _head(ax, f"{found.label}: follow-up against {found.named(found.against)}", f"{found.place}. Line: frontier")
    return marks


def _head(ax: Axes, whose: str, more: str) -> None:
    ax.set_title(f"{fill(whose, 92)}\n{fill(more, 92)}", loc="left", fontsize=TITLE, color=MUTED)


def plot_map(grid: Grid, found: Protocols, versus: str, labels: tuple[str, str], *, ax: Axes) -> Any:
    """Net benefit against a protocol in cells over two values, with the line where it is nil and a ring at this case."""
    from matplotlib.colors import LinearSegmentedColormap, TwoSlopeNorm

    low, high = min(float(grid.values.min()), -1e-9), max(float(grid.values.max()), 1e-9)
    norm, xs, ys = TwoSlopeNorm(0.0, low, high), np.arange(len(grid.x_values)), np.arange(len(grid.y_values))
    colours = LinearSegmentedColormap.from_list("worth", [WARM, "#f7f7f5", ACCENT])
    mesh = ax.pcolormesh(xs, ys, grid.values, shading="nearest", cmap=colours, norm=norm, edgecolor="white", linewidth=0.4)
    for (j, i), value in np.ndenumerate(grid.values):
        strong = abs(float(norm(value)) - 0.5) > STRONG / 2
        ax.text(i, j, f.money_short(value, found.currency), ha="center", va="center", fontsize=6.4, color="white" if strong else INK)
    turns = grid.values.min() < 0 < grid.values.max()
    if turns:
        ax.contour(xs, ys, grid.values, levels=[0.0], colors=[INK], linewidths=1.6)
    place = np.interp(grid.base[0], grid.x_values, xs), np.interp(grid.base[1], grid.y_values, ys)
    ax.plot(*place, "o", markersize=13, markerfacecolor="none", markeredgecolor=INK, markeredgewidth=1.4)
    ax.set_xticks(xs, [f.plain(float(v)) for v in grid.x_values])
    ax.set_yticks(ys, [f.plain(float(v)) for v in grid.y_values])
    ax.set(xlabel=labels[0], ylabel=labels[1])
    ax.tick_params(length=0)
    ax.grid(visible=False)
    money = f"Net benefit per patient over {f.duration(found.horizon)} ({found.money_of}), {found.place}. Ring: this case."
    _head(ax, f"{found.label}: {_whose(found, versus)}", money + (" Line: nil." if turns else ""))
    return mesh


def _whose(found: Protocols, versus: str) -> str:
    return f"{found.named(found.asked)}, against {found.named(versus)}"


def surveillance_figures(found: Protocols, worth: Worth | None = None) -> dict[str, Spec]:
    """List the pictures: protocols with their frontier; with their worth, recurrence by price and interval by price."""
    seen = [{key: value for key, value in row.to_json().items() if not isinstance(value, dict)} for row in found.rows]
    frontier = Spec(seen, 3.1, drawer(partial(plot_protocols, found), 0.14, 0.15, 0.50, 0.69), width=5.2)
    if worth is None:
        return {"surveillance": frontier}
    rate = f"{worth.by_recurrence.x_label} (a year)"
    price, months = f"{price_words(worth.by_recurrence.y)} ({found.money_of})", worth.by_interval.y_label
    maps = {
        "surveillance_recurrence": (worth.by_recurrence, worth.rival, (rate, price)),
        "surveillance_interval": (worth.by_interval, found.against, (price, months)),
    }
    return {"surveillance": frontier} | {
        name: Spec(grid.rows(), 3.7, drawer(partial(plot_map, grid, found, versus, labels), *MAP_PLACE), width=6.2)
        for name, (grid, versus, labels) in maps.items()
    }


def surveillance_charts(found: Protocols, worth: Worth | None = None) -> dict[str, Chart]:
    """Captions and alternative texts, with values, of the pictures of :func:`surveillance_figures`."""
    time, versus = f.duration(found.years), found.named(found.against)
    ends = "; ".join(
        f"{row.label}: {f.number(row.now.bleeds_averted_per_100, 1)} for {f.money_change(row.now.incremental_cost, found.currency)}"
        for row in found.rows
    )
    told = {
        "surveillance": (
            f"Follow-up protocols: extra cost and bleeds averted over {time}, against {versus}",
            f"Bleeds averted per 100 patients for extra cost per patient. {ends}.",
        )
    }
    if worth:
        told |= {
            "surveillance_recurrence": (
                f"Net benefit of {_whose(found, worth.rival)}, by recurrence and the price of an examination",
                f"Map over the rate of opening again and the price of an examination: {_span(worth.by_recurrence, found)}.",
            ),
            "surveillance_interval": (
                f"Net benefit of {_whose(found, found.against)}, by the months between examinations and their price",
                f"Map over the price of an examination and the months between them: {_span(worth.by_interval, found)}.",
            ),
        }
    return {name: Chart(name, *words) for name, words in told.items()}


def _span(grid: Grid, found: Protocols) -> str:
    low, high = (f.money(float(value), found.currency) for value in (grid.values.min(), grid.values.max()))
    return f"{low} to {high} per patient"
