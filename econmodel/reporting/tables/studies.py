"""Studies beside the model: what they saw, what the model would see, the verdict; on a terminal, as a chart and its data."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from econmodel.files import json_text, write_text
from econmodel.reporting import formatting as f
from econmodel.reporting.charts.style import ACCENT, MUTED, WARM

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from econmodel.uncertainty.studies import StudyResult, StudyRow
    from econmodel.uncertainty.study_fit import Fitted

COLOURS = {"agrees": ACCENT, "fails": WARM, "cannot tell": MUTED, "used, no verdict": "#b9c0c6"}
MARKERS = {"agrees": "o", "fails": "X", "cannot tell": "D", "used, no verdict": "."}
READING = (
    "Model: mean, and in brackets 95% of what such a study would see, inputs and its own sampling drawn; an observation outside "
    "fails. Cannot tell: the inputs alone leave more than twice the observed interval open. Used: an input rests on it."
)
VERDICTS = tuple(COLOURS)
LINE = 0.16  # inches of a row of the chart


def studies_document(results: Sequence[StudyResult], fitted: Fitted | None = None) -> dict[str, Any]:
    """Studies, and what was fitted to them, as plain data."""
    return {"studies": [result.to_json() for result in results], **({"fit": fitted.to_json()} if fitted else {})}


def what(row: StudyRow) -> str:
    """Arm, event and time in words."""
    return f"{row.arm}: {row.event}, {row.months:g} months"


def observed_cell(row: StudyRow) -> str:
    """Observed risk with its interval."""
    return f"{f.percent(row.observed, 1)} ({100 * row.observed_low:.0f}-{100 * row.observed_high:.0f})"


def model_cell(row: StudyRow) -> str:
    """Predicted risk with the interval outside which an observation fails."""
    return f"{f.percent(row.predicted, 1)} ({100 * row.low:.0f}-{100 * row.high:.0f})"


def p_text(p: float) -> str:
    """P value in words."""
    return "p < 0.01" if p < 0.01 else f"p = {p:.2f}"


def joint_sentence(result: StudyResult) -> str:
    """Say how a study as a whole was judged, and what would have failed."""
    if result.deviance is None or result.deviance_fails_above is None or result.p is None:
        return "An input rests on all of it."
    return f"Joint deviance {result.deviance:.1f}, fails above {result.deviance_fails_above:.1f} ({p_text(result.p)})."


def study_lines(results: Sequence[StudyResult]) -> Iterator[Any]:
    """Build the terminal table, one part a study, and how it is read."""
    from rich import box
    from rich.markup import escape
    from rich.table import Table
    from rich.text import Text

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0), title="Studies beside the model", title_justify="left")
    table.add_column("Study, arm, event and time", ratio=1)
    for heading in ("Observed", "Model", "p", "Verdict"):
        table.add_column(heading, justify="left" if heading == "Verdict" else "right", no_wrap=True)
    for result in results:
        note = f" {result.note}" if result.note else ""
        table.add_row(f"[bold]{escape(result.title)}[/] [dim]{escape(joint_sentence(result) + note)}[/]", "", "", "", result.verdict)
        for row in result.rows:
            style = "bold" if row.verdict == "fails" else ""
            rests = f" [dim](behind {', '.join(row.used_in)})[/]" if row.verdict.startswith("used") else ""
            shown = p_text(row.p)[2:].removeprefix("= ")
            cells = (observed_cell(row), model_cell(row), shown, "used" if rests else row.verdict)
            table.add_row(f"  {escape(what(row))}{rests}", *cells, style=style)
    yield table
    yield Text(READING, style="dim")


def fit_lines(found: Fitted) -> Iterator[Any]:
    """Build the terminal table of what was fitted."""
    from rich import box
    from rich.markup import escape
    from rich.table import Table
    from rich.text import Text

    title = f"Fitted to {', '.join(found.studies)}: {found.pieces} observations, {found.effective:,.0f} effective draws"
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0), title=escape(title), title_justify="left")
    for heading in ("Input", "Prior (SD)", "Posterior (SD)", "95%", "SD ratio", ""):
        table.add_column(heading, justify="left" if heading in ("Input", "") else "right")
    for x in found.inputs:
        table.add_row(
            escape(x.name),
            f"{x.prior_mean:.3g} ({x.prior_sd:.2g})",
            f"{x.mean:.3g} ({x.sd:.2g})",
            f"{x.low:.3g} to {x.high:.3g}",
            f"{x.ratio:.2f}",
            "" if x.informed else "not informed",
        )
    yield table
    yield Text("SD ratio: posterior over prior, on the sampling scale; above 0.9 the studies say nothing of the input.", style="dim")


def plot_studies(results: Sequence[StudyResult], *, ax: Axes) -> list[Any]:
    """Draw each observation (bar with interval) under what the model would see (line and mark), one line a point."""
    rows = [(result, row) for result in results for row in result.rows]
    artists: list[Any] = []
    for y, (_, row) in enumerate(rows):
        colour = COLOURS[row.verdict]
        artists += ax.plot(
            [100 * row.observed_low, 100 * row.observed_high], [y, y], color=MUTED, linewidth=4.5, alpha=0.3, solid_capstyle="butt"
        )
        artists += ax.plot([100 * row.observed], [y], "|", color=MUTED, markersize=8, markeredgewidth=1.8)
        artists += ax.plot([100 * row.low, 100 * row.high], [y, y], color=colour, linewidth=0.9)
        artists += ax.plot([100 * row.predicted], [y], MARKERS[row.verdict], color=colour, markersize=4.2)
    ax.set_yticks(range(len(rows)), [f"{result.key}, {what(row)}" for result, row in rows], fontsize=6.2)
    ax.set_ylim(len(rows) - 0.4, -0.6)
    ax.set_xlim(0, 100)
    ax.set_xlabel("Risk by the time given, %\n(bar: observed, 95%; line and mark: model, 95% of such studies)")
    ax.grid(visible=True, axis="x")
    _verdict_key(ax)
    return artists


def _verdict_key(ax: Axes) -> None:
    from matplotlib.lines import Line2D

    marks = [Line2D([], [], linestyle="", marker=MARKERS[v], color=COLOURS[v], label=v) for v in MARKERS]
    ax.legend(handles=marks, loc="lower center", bbox_to_anchor=(0.2, 1.0), ncols=4, frameon=False)


def save_studies(results: Sequence[StudyResult], folder: Path, fitted: Fitted | None = None, override: str = "") -> list[Path]:
    """Write studies.json, the chart with its data, and the override of what was fitted."""
    from econmodel.reporting.charts.figures import Spec, save_all, titled

    flat = [{"study": r.key, **vars(row), "used_in": " ".join(row.used_in)} for r in results for row in r.rows]
    height = 0.85 + LINE * len(flat)
    place = (0.52, 0.55 / height, 0.45, 1 - 0.85 / height)
    chart = Spec(flat, height, lambda figure: plot_studies(results, ax=figure.add_axes(place)), 7.4)
    title = f"{len(results)} studies beside the model: risk observed and predicted"
    written = [
        *save_all({"studies": titled(chart, title)}, folder),
        write_text(folder / "studies.json", json_text(studies_document(results, fitted))),
    ]
    return [*written, write_text(folder / "fitted.toml", override)] if override else written
