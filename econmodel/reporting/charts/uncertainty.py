"""Charts of uncertainty: one, two or all inputs varied, scenarios, Sobol indices, acceptability, running means; and the cohort trace.

Each takes finished results and an ``ax``, draws, computes nothing, and returns what it drew.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from math import isfinite
from textwrap import fill
from typing import TYPE_CHECKING, Any

import numpy as np

from econmodel.model.structure import ALL_LABELS
from econmodel.reporting import formatting as f
from econmodel.reporting.charts.figures import Spec, drawer, headed
from econmodel.reporting.charts.research import research_figures
from econmodel.reporting.charts.results import label_column, of_what, strategy_lines
from econmodel.reporting.charts.style import ACCENT, GRID, INK, MUTED, WARM, strategy_styles
from econmodel.reporting.charts.surveillance import surveillance_figures
from econmodel.reporting.papers.content import Chart
from econmodel.reporting.papers.phrases import lower
from econmodel.reporting.tables.findings import Analysis, Findings
from econmodel.uncertainty.deterministic import plain_rows
from econmodel.uncertainty.risk import Ellipse, ellipse

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.lines import Line2D
    from matplotlib.patches import Rectangle

    from econmodel.economics.results import Results
    from econmodel.evidence.untreated import RiskRow
    from econmodel.programme.money_question import MoneyScenario
    from econmodel.uncertainty.deterministic import Asked, TornadoRow
    from econmodel.uncertainty.global_sensitivity import SobolRow
    from econmodel.uncertainty.probabilistic import Psa
    from econmodel.uncertainty.risk import Acceptability, Convergence
    from econmodel.uncertainty.scenarios import ScenarioRow
    from econmodel.uncertainty.two_way import Grid

BARS = 12
STATE_COLOURS = {
    "at_risk": "#9db8c4",
    "in_course": "#4f8aa3",
    "protected": "#14506b",
    "patent": "#6f9f8f",
    "bleeding": "#8f3420",
    "post_bleed": "#e0a184",
    "rebleeding": "#c8573d",
    "transplanted": "#a78ceb",
}
MONEY_OUTCOMES = ("cost", "nmb", "npv_cash", "npv_with_capacity", "peak_cash", "net_contribution_year_3")
MOST_POINTS = 2000
LABEL_WIDTH = 46
ELLIPSE_95 = 5.991  # 95% quantile of chi-squared with 2 degrees of freedom


def plot_tornado(found: Analysis[TornadoRow], *, ax: Axes) -> dict[str, tuple[Rectangle, Rectangle]]:
    """Outcome at each input's low and high value, widest first.

    Returns
    -------
    dict
        Bars at the low and at the high value of each input drawn.
    """
    rows = [row for row in found.rows if isfinite(row.outcome_at_low) and isfinite(row.outcome_at_high)][:BARS]
    base, bars = rows[0].base, {}
    for i, row in enumerate(rows):
        low, high = (
            ax.barh(-i, outcome - base, left=base, height=0.66, color=colour)[0]
            for outcome, colour in ((row.outcome_at_low, "#7fb0c4"), (row.outcome_at_high, ACCENT))
        )
        bars[row.name] = (low, high)
    ax.axvline(base, color=INK, linewidth=0.9)
    ax.set_yticks([-i for i in range(len(rows))], [_two_lines(row.label) for row in rows], fontsize=7.4, linespacing=1.0)
    ax.tick_params(axis="y", length=0)
    ax.grid(visible=True, axis="x")
    ax.grid(visible=False, axis="y")
    money = found.outcome in MONEY_OUTCOMES
    if money:
        ax.xaxis.set_major_formatter(lambda value, _: f.money_short(value, found.currency))
        ax.axvline(0, color=WARM, linewidth=0.8, linestyle=(0, (4, 2)))
    ax.set_xlabel(found.label + (f" ({found.currency})" if money else ""))
    ax.text(
        -0.6,
        1.01,
        "Light: input at its low; dark: at its high. Line: this case" + ("; dashes: zero" if money else ""),
        transform=ax.transAxes,
        fontsize=7.0,
        color=MUTED,
    )
    return bars


def _two_lines(label: str) -> str:
    """The label on two lines; one that needs more loses what stands in brackets, which the table beside it keeps."""
    text = fill(label, 46)
    return text if text.count("\n") < 2 else fill(label.split(" (", maxsplit=1)[0], 46)


def plot_forest(rows: Sequence[RiskRow], *, ax: Axes) -> list[Line2D]:
    """Year-1 risk of the reference mix in each cohort, their mean, and a setting not yet seen, with 95% intervals."""
    marks = []
    for i, row in enumerate(rows):
        pooled = row.weight is None
        ax.plot([100 * row.low, 100 * row.high], [-i, -i], color=WARM if pooled else ACCENT, linewidth=2.2 if pooled else 1.2)
        marks += ax.plot(100 * row.risk, -i, marker="D" if pooled else "s", color=WARM if pooled else ACCENT, markersize=5)
    ax.set_yticks([-i for i in range(len(rows))], [fill(row.label, 34) for row in rows], fontsize=7.4, linespacing=1.0)
    ax.set(xlim=(0, 100), xlabel="First gastric bleed within a year, untreated, reference mix (%)")
    ax.grid(axis="y", visible=False)
    return marks


def plot_acceptability(
    curves: Acceptability, names: Mapping[str, str], currency: str, price_note: str, *, ax: Axes
) -> dict[str, Line2D]:
    """Probability that each strategy has the highest net benefit, by willingness to pay; the dashes are this case's."""
    lines = strategy_lines(names, {key: (curves.thresholds, values) for key, values in curves.probability.items()}, ax, markers=False)
    ax.axvline(curves.own, color=MUTED, linewidth=0.8, linestyle=(0, (4, 3)))
    ax.set(
        xlim=(0, curves.thresholds[-1]),
        ylim=(0, 1),
        ylabel="Probability of highest net benefit",
        xlabel=f"Willingness to pay per QALY ({price_note})",
    )
    ax.yaxis.set_major_formatter(lambda value, _: f.percent(value))
    ax.xaxis.set_major_formatter(lambda value, _: f.money_short(value, currency))
    ax.locator_params(axis="x", nbins=4)
    label_column(ax, names, list(names), markers=False)
    return lines


def plot_trace(rows: Sequence[Mapping[str, Any]], key: str, *, ax: Axes) -> list[Any]:
    """Share of patients in each state over time, stacked; the white above is those who have died."""
    mine = [row for row in rows if row["strategy"] == key]
    years = sorted({row["year"] for row in mine})
    states = [state for state in STATE_COLOURS if any(row["state"] == state for row in mine)]
    stacked = [[row["share"] for row in mine if row["state"] == state] for state in states]
    drawn = ax.stackplot(years, stacked, colors=[STATE_COLOURS[s] for s in states], linewidth=0)
    ax.set(xlim=(years[0], max(years[-1], years[0] + 1)), ylim=(0, 1), xlabel="Year since start")
    ax.yaxis.set_major_formatter(lambda value, _: f.percent(value))
    return list(drawn)


def draw_traces(figure: Figure, rows: Sequence[Mapping[str, Any]], keys: Sequence[str], names: Mapping[str, str]) -> None:
    """Draw the traces of some strategies side by side, with one key below."""
    width = 0.98 / len(keys)
    for i, key in enumerate(keys):
        ax = figure.add_axes((0.09 + width * i, 0.3, width - 0.08, 0.56))
        plot_trace(rows, key, ax=ax)
        ax.text(0, 1.03, fill(names[key], 72 // len(keys)), transform=ax.transAxes, color=MUTED, linespacing=1.0)
    there = {row["state"] for row in rows}
    for i, (state, colour) in enumerate((state, colour) for state, colour in STATE_COLOURS.items() if state in there):
        x, y = 0.05 + 0.325 * (i % 3), 0.13 - 0.05 * (i // 3)
        figure.text(x, y, "■", color=colour, va="center")
        figure.text(x + 0.028, y, ALL_LABELS[state], va="center", fontsize=7.6)


def report_figures(results: Results, trace: Sequence[Mapping[str, Any]], findings: Findings) -> dict[str, Spec]:
    """List the figures that only the technical report shows."""
    names, keys = results.labels, results.subjects
    shown = [dict(row) for row in trace if row["strategy"] in keys]
    figures = {"cohort_trace": Spec(shown, 3.2, partial(draw_traces, rows=shown, keys=keys, names=names), width=5.4)}
    if findings.untreated:
        rows = findings.untreated[0]
        figures["untreated_risk"] = Spec(
            [{**vars(row)} for row in rows], 2.9, drawer(partial(plot_forest, rows), 0.36, 0.16, 0.60, 0.80), width=5.8
        )
    for found in findings.tornadoes:
        figures[tornado_name(found)] = Spec(
            plain_rows(found.rows), 3.9, drawer(partial(plot_tornado, found), 0.46, 0.12, 0.52, 0.83), width=5.8
        )
    if findings.psa and (curves := findings.psa.acceptability):
        currency, note = results.settings.currency, f.price_note(results.settings)
        figures["acceptability"] = Spec(
            _acceptability_rows(curves),
            3.1,
            drawer(partial(plot_acceptability, curves, names, currency, note), 0.13, 0.14, 0.56, 0.83),
            width=5.4,
        )
    own = headed(figures, lambda name: report_chart(name, findings, names).caption, of_what(results))
    followed, worth = findings.surveillance, findings.research
    own |= {} if isinstance(worth, str) else research_figures(worth, results.case.title)
    return own | (surveillance_figures(*followed) if followed and not isinstance(followed, str) else {})


def _acceptability_rows(curves: Acceptability) -> list[dict[str, Any]]:
    return [
        {"strategy": key, "willingness_to_pay": threshold, "probability": value}
        for key, values in curves.probability.items()
        for threshold, value in zip(curves.thresholds, values, strict=True)
    ]


def tornado_name(found: Analysis[TornadoRow]) -> str:
    """Name of a tornado of the technical report."""
    return f"one_way_{found.versus or 'money'}"


def report_chart(name: str, findings: Findings, names: Mapping[str, str]) -> Chart:
    """Caption and alternative text of a figure of the technical report."""
    for found in findings.tornadoes:
        if name != tornado_name(found):
            continue
        of = (
            f"{lower(names[found.strategy])} against {lower(names[found.versus])}"
            if found.versus
            else "the programme against today's mix"
        )
        return Chart(
            name,
            f"{found.label}: {of}, one input at a time",
            "Tornado of the inputs that move the outcome most, each at its low and high value.",
        )
    known = {
        "untreated_risk": (
            "Risk of a first bleed in year 1 without prophylaxis, each cohort put on the reference mix",
            "Forest plot: year-1 risk with 95% interval for each cohort, their mean, and a setting not yet seen.",
        ),
        "cohort_trace": (
            "Cohort trace; the white above is those who have died",
            "Stacked areas of the share of patients in each health state by year, one panel per strategy.",
        ),
        "acceptability": (
            "Probability that each strategy is the best buy against all others, by willingness to pay",
            "Cost-effectiveness acceptability curves, one line per strategy.",
        ),
    }
    return Chart(name, *known[name])


def axis_label(question: Asked) -> str:
    """Outcome with its currency and price year."""
    p = question.parameters
    money = f", {p.text('currency')} {p.text('price_year')}" if question.outcome in MONEY_OUTCOMES else ""
    return f"{question.label}{money}"


def plot_two_way(grid: Grid, question: Asked, *, ax: Axes) -> Any:
    """Draw the map, with the line where the outcome is 0 and a mark at this case."""
    from matplotlib.colors import LinearSegmentedColormap, TwoSlopeNorm

    low, high = min(float(grid.values.min()), -1e-9), max(float(grid.values.max()), 1e-9)
    ends = [ACCENT, "#f7f7f5", WARM] if question.outcome == "cost" else [WARM, "#f7f7f5", ACCENT]
    mesh = ax.pcolormesh(
        grid.x_values,
        grid.y_values,
        grid.values,
        shading="gouraud",
        rasterized=True,
        cmap=LinearSegmentedColormap.from_list("two_way", ends),
        norm=TwoSlopeNorm(0.0, low, high),
    )
    if grid.values.min() < 0 < grid.values.max():
        line = ax.contour(grid.x_values, grid.y_values, grid.values, levels=[0.0], colors=[INK], linewidths=1.6)
        ax.clabel(line, fmt={0.0: "breaks even"}, fontsize=7.5)
        if question.outcome == "cost":
            _name_sides(grid, ax)
    ax.plot([grid.base[0]], [grid.base[1]], "o", color="white", markeredgecolor=INK, markersize=7)
    ax.annotate("this case", grid.base, xytext=(7, 5), textcoords="offset points", fontsize=7.5)
    ax.set_xlabel(fill(grid.x_label, 70))
    ax.set_ylabel(_two_lines(grid.y_label))
    ax.grid(visible=False)
    bar = ax.figure.colorbar(mesh, ax=ax, pad=0.02)
    bar.set_label(axis_label(question), fontsize=7.5)
    bar.outline.set_edgecolor(GRID)
    return mesh


def _name_sides(grid: Grid, ax: Axes) -> None:
    """Write what each side of the break-even line means, in the corner furthest into it."""
    corners = [(j, i) for j in (2, -3) for i in (3, -4)]
    for word, pick, colour in (("saves", min, "white"), ("costs more", max, "white")):
        j, i = pick(corners, key=lambda c: grid.values[c])
        ax.text(grid.x_values[i], grid.y_values[j], word, color=colour, ha="center", va="center", fontsize=10, fontweight="bold")


def plot_draws(psa: Psa, key: str, versus: str, *, ax: Axes) -> dict[str, Any]:
    """Draw the cost-effectiveness plane of one comparison: draws, mean, 95% ellipse and the line of the threshold, if any."""
    found = psa.compare(key, versus)
    effect, cost = found.incremental_qalys, found.incremental_cost
    points = ax.plot(
        effect[:MOST_POINTS],
        cost[:MOST_POINTS],
        ".",
        markersize=2.2,
        alpha=0.35,
        rasterized=True,
        color=strategy_styles(psa.keys)[key].colour,
    )
    block = ellipse(effect, cost)
    ring = ax.plot(*_outline(block), color=INK, linewidth=1.1)
    ax.plot([block.centre[0]], [block.centre[1]], "o", color=INK, markersize=5)
    for axis in (ax.axhline, ax.axvline):
        axis(0.0, color=MUTED, linewidth=0.8)
    span = np.array(ax.get_xlim())
    p, line = psa.parameters, ""
    if psa.threshold is not None:
        ax.plot(span, psa.threshold * span, color=MUTED, linestyle=(0, (4, 2)), linewidth=1.0, scalex=False, scaley=False)
        line = f",\ndashed line {f.money(psa.threshold, p.text('currency'))} per QALY"
    ax.set_xlabel(f"QALYs gained per patient against {p.strategies[versus].label.lower()}")
    ax.set_ylabel(f"Extra cost per patient, {p.text('currency')} {p.text('price_year')}")
    ax.yaxis.set_major_formatter(lambda value, _: f.money_short(value, p.text("currency")))
    ax.set_title(f"{p.strategies[key].label}: dots are draws, the ring holds 95%{line}", loc="left", fontsize=7.6, color=MUTED)
    return {"points": points, "ring": ring}


def _outline(block: Ellipse) -> Any:
    angle = np.linspace(0, 2 * np.pi, 200)
    factor = np.linalg.cholesky(block.covariance + 1e-18 * np.eye(2))
    return np.array(block.centre)[:, None] + np.sqrt(ELLIPSE_95) * factor @ np.array([np.cos(angle), np.sin(angle)])


def plot_convergence(block: Convergence, currency: str, *, ax: Axes) -> Line2D:
    """Draw the running mean of net benefit, of net cost without a threshold, with its Monte Carlo error at the end."""
    name = "net_monetary_benefit" if "net_monetary_benefit" in block.running else "incremental_cost"
    running = np.array(block.running[name], dtype=float)
    error = block.se[name] or 0.0
    line: Line2D = ax.plot(block.at, running, color=ACCENT)[0]
    ax.errorbar([block.at[-1]], running[-1:], yerr=[1.96 * error], color=WARM, capsize=3)
    ax.set_xlabel("Draws")
    ax.set_ylabel(f"Running mean net {'cost' if name == 'incremental_cost' else 'benefit'}")
    ax.yaxis.set_major_formatter(lambda value, _: f.money_short(value, currency))
    ax.set_title(block.sentence, loc="left", fontsize=7.6, color=MUTED)
    return line


def plot_scenarios(
    rows: Sequence[ScenarioRow] | Sequence[MoneyScenario], question: Asked, outcome: str, label: str, *, ax: Axes
) -> list[Any]:
    """Draw an outcome under every scenario that has an answer; the dashed line is this case."""
    found = {row.title: float(getattr(row, outcome)) for row in rows}
    first, *rest = found
    ordered = [first, *sorted((title for title in rest if isfinite(found[title])), key=found.__getitem__)]
    good = -1 if outcome == "cost" else 1
    bars = list(
        ax.barh(
            range(len(ordered)),
            [found[title] for title in ordered],
            height=0.6,
            color=[INK if title == first else ACCENT if good * found[title] > 0 else WARM for title in ordered],
        )
    )
    ax.axvline(found[first], color=INK, linestyle=(0, (3, 2)), linewidth=0.9)
    ax.axvline(0.0, color=INK, linewidth=0.8)
    _name_bars(ax, ordered)
    ax.xaxis.set_major_formatter(lambda value, _: f.money_short(value, question.parameters.text("currency")))
    ax.set_xlabel(label)
    return bars


def plot_sobol(rows: Sequence[SobolRow], outcome: str, *, ax: Axes) -> list[Any]:
    """Draw the share of variance owed to each input: alone (solid) and with its interactions (pale)."""
    places = range(len(rows))
    bars = [
        *ax.barh(places, [r.total for r in rows], color=ACCENT, alpha=0.35, height=0.62, label="with interactions"),
        *ax.barh(places, [r.first_order for r in rows], color=ACCENT, height=0.3, label="alone"),
    ]
    _name_bars(ax, [r.label for r in rows])
    ax.set_xlabel(f"Share of the variance of {outcome}")
    ax.legend(frameon=False, loc="lower right")
    return bars


def _name_bars(ax: Axes, names: Sequence[str]) -> None:
    ax.set_yticks(range(len(names)), [fill(name, LABEL_WIDTH) for name in names])
    ax.tick_params(axis="y", labelsize=6.8, length=0)
    ax.set_ylim(len(names) - 0.4, -0.6)
    ax.grid(visible=False, axis="y")
    ax.grid(visible=True, axis="x")
