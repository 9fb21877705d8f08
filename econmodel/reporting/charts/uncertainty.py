"""Charts of uncertainty: tornado, acceptability curves, running means; and the cohort trace."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from textwrap import fill
from typing import TYPE_CHECKING, Any

from econmodel.model.structure import ALL_LABELS
from econmodel.reporting import formatting as f
from econmodel.reporting.charts.figures import Spec, drawer
from econmodel.reporting.charts.results import label_column, strategy_lines
from econmodel.reporting.charts.style import ACCENT, INK, MUTED, WARM
from econmodel.reporting.papers.content import Chart
from econmodel.reporting.papers.findings import Analysis, Findings
from econmodel.reporting.papers.phrases import lower
from econmodel.uncertainty.deterministic import plain_rows

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.lines import Line2D
    from matplotlib.patches import Rectangle

    from econmodel.economics.results import Results
    from econmodel.evidence.untreated import RiskRow
    from econmodel.uncertainty.deterministic import TornadoRow
    from econmodel.uncertainty.risk import Acceptability, Risk

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
MONEY_OUTCOMES = ("cost", "nmb")


def plot_tornado(found: Analysis[TornadoRow], *, ax: Axes) -> dict[str, tuple[Rectangle, Rectangle]]:
    """Outcome at each input's low and high value, widest first.

    Returns
    -------
    dict
        Bars at the low and at the high value of each input drawn.
    """
    rows = found.rows[:BARS]
    base, bars = rows[0].base, {}
    for i, row in enumerate(rows):
        low, high = (
            ax.barh(-i, outcome - base, left=base, height=0.66, color=colour)[0]
            for outcome, colour in ((row.outcome_at_low, "#7fb0c4"), (row.outcome_at_high, ACCENT))
        )
        bars[row.name] = (low, high)
    ax.axvline(base, color=INK, linewidth=0.9)
    ax.set_yticks([-i for i in range(len(rows))], [fill(row.label, 46) for row in rows], fontsize=7.4, linespacing=1.0)
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
    curves: Acceptability, names: Mapping[str, str], threshold: float, currency: str, price_note: str, *, ax: Axes
) -> dict[str, Line2D]:
    """Probability that each strategy has the highest net benefit, by willingness to pay; the dashes are this case's."""
    lines = strategy_lines(names, {key: (curves.thresholds, values) for key, values in curves.probability.items()}, ax, markers=False)
    ax.axvline(threshold, color=MUTED, linewidth=0.8, linestyle=(0, (4, 3)))
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
    """Draw the traces of two strategies side by side, with one key below."""
    for i, key in enumerate(keys):
        ax = figure.add_axes((0.09 + 0.49 * i, 0.3, 0.41, 0.6))
        plot_trace(rows, key, ax=ax)
        ax.text(0, 1.03, names[key], transform=ax.transAxes, color=MUTED)
    there = {row["state"] for row in rows}
    for i, (state, colour) in enumerate((state, colour) for state, colour in STATE_COLOURS.items() if state in there):
        x, y = 0.05 + 0.325 * (i % 3), 0.13 - 0.05 * (i // 3)
        figure.text(x, y, "■", color=colour, va="center")
        figure.text(x + 0.028, y, ALL_LABELS[state], va="center", fontsize=7.6)


def report_figures(results: Results, trace: Sequence[Mapping[str, Any]], keys: Sequence[str], findings: Findings) -> dict[str, Spec]:
    """List the figures that only the technical report shows."""
    names = results.labels
    shown = [dict(row) for row in trace if row["strategy"] in keys]
    figures = {"cohort_trace": Spec(shown, 3.2, partial(draw_traces, rows=shown, keys=keys, names=names), width=5.4)}
    if findings.untreated:
        rows = findings.untreated[0]
        figures["untreated_risk"] = Spec(
            [{**vars(row)} for row in rows], 2.9, drawer(partial(plot_forest, rows), 0.36, 0.16, 0.60, 0.80), width=5.8
        )
    if findings.one_way:
        figures["one_way"] = Spec(
            plain_rows(findings.one_way.rows), 3.9, drawer(partial(plot_tornado, findings.one_way), 0.46, 0.12, 0.52, 0.83), width=5.8
        )
    if findings.psa:
        figures["acceptability"] = Spec(
            _acceptability_rows(findings.psa),
            3.1,
            drawer(partial(plot_acceptability, findings.psa.acceptability, *curve_labels(results)), 0.13, 0.14, 0.56, 0.83),
            width=5.4,
        )
    return figures


def curve_labels(results: Results) -> tuple[dict[str, str], float, str, str]:
    """What :func:`plot_acceptability` writes: labels, the case's threshold, currency and price note."""
    s = results.settings
    return results.labels, s.willingness_to_pay, s.currency, f.price_note(s)


def _acceptability_rows(risk: Risk) -> list[dict[str, Any]]:
    return [
        {"strategy": key, "willingness_to_pay": threshold, "probability": value}
        for key, values in risk.acceptability.probability.items()
        for threshold, value in zip(risk.acceptability.thresholds, values, strict=True)
    ]


def report_chart(name: str, findings: Findings, names: Mapping[str, str]) -> Chart:
    """Caption and alternative text of a figure of the technical report."""
    if name == "one_way" and findings.one_way:
        found = findings.one_way
        of = f"{lower(names[found.strategy])} against {lower(names[found.versus])}"
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
            "Stacked areas of the share of patients in each health state by year, for two strategies.",
        ),
        "acceptability": (
            "Probability that each strategy is the best buy, by willingness to pay",
            "Cost-effectiveness acceptability curves, one line per strategy.",
        ),
    }
    return Chart(name, *known[name])
