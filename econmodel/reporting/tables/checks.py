"""Published results beside the model's: chart, CSV and JSON."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from econmodel.files import json_text, write_text
from econmodel.reporting.charts.style import ACCENT, MUTED, WARM

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from econmodel.economics.validation import CheckRow

KINDS = ("verification", "calibration", "reproduction", "input source", "independent")
COLOURS = {"passes": ACCENT, "fails": WARM, "reported": MUTED}
MARKERS = {"passes": "o", "fails": "X", "reported": "D"}


def value_text(value: float) -> str:
    """Risks as percentages, other figures as numbers."""
    return f"{100 * value:.1f}%" if value <= 1 else f"{value:,.4g}"


def observed_text(row: CheckRow) -> str:
    """Observed figure with its interval."""
    if row.interval is None:
        return value_text(row.observed)
    return f"{value_text(row.observed)} ({100 * row.interval[0]:.0f}-{100 * row.interval[1]:.0f})"


def plot_checks(rows: Sequence[CheckRow], *, ax: Axes) -> list[Any]:
    """Draw predicted risk (filled) beside observed (bar with interval), one line a target; risks only."""
    shown = [r for r in sorted(rows, key=lambda r: KINDS.index(r.kind)) if r.observed <= 1]
    artists: list[Any] = []
    for y, row in enumerate(shown):
        low, high = row.interval or (row.observed, row.observed)
        artists += ax.plot([100 * low, 100 * high], [y, y], color=MUTED, linewidth=3, alpha=0.45, solid_capstyle="butt")
        artists += ax.plot([100 * row.observed], [y], "|", color=MUTED, markersize=11, markeredgewidth=2)
        artists += ax.plot([100 * row.predicted], [y], MARKERS[row.verdict], color=COLOURS[row.verdict], markersize=5.5)
    ax.set_yticks(range(len(shown)), [row.target for row in shown], fontsize=7.2)
    ax.set_ylim(len(shown) - 0.4, -0.6)
    ax.set_xlim(0, 100)
    ax.set_xlabel("Risk or survival, %   (bar: observed with interval; mark: model)")
    ax.grid(visible=True, axis="x")
    _key(ax)
    return artists


def _key(ax: Axes) -> None:
    from matplotlib.lines import Line2D

    marks = [Line2D([], [], linestyle="", marker=MARKERS[v], color=COLOURS[v], label=f"model {v}") for v in MARKERS]
    ax.legend(handles=marks, loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=3, frameon=False)


def save_checks(rows: Sequence[CheckRow], folder: Path) -> list[Path]:
    """Write checks.csv, checks.json and the chart."""
    from econmodel.economics.validation import checks_document
    from econmodel.reporting.charts.figures import Spec, save_all

    flat = [asdict(row) | {"interval": interval_text(row)} for row in rows]
    chart = Spec(flat, 5.2, lambda figure: plot_checks(rows, ax=figure.add_axes((0.5, 0.09, 0.47, 0.84))), 7.4)
    return [*save_all({"checks": chart}, folder), write_text(folder / "checks.json", json_text(checks_document(list(rows))))]


def interval_text(row: CheckRow) -> str:
    """Interval of the observed figure, empty where there is none."""
    return "" if row.interval is None else f"{row.interval[0]:.4f} to {row.interval[1]:.4f}"
