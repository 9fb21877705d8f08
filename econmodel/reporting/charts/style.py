"""How every figure looks: one colour, marker and dash per strategy, one colour per cost category.

The palette was chosen so that any two strategies stay apart under the three common colour-vision deficiencies
(smallest CIE76 distance 23); marker and dash tell them apart in black and white.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from econmodel.parameters.schema import WATCH
from econmodel.records import record

INK = "#20272e"
MUTED = "#5c6670"
GRID = "#e1e5e8"
ACCENT = "#14506b"
WARM = "#b4472f"


@record
class StrategyStyle:
    """Colour, marker and dash of one strategy in every figure."""

    colour: str
    marker: str
    dash: str | tuple[int, tuple[int, ...]] = "-"


STRATEGY_STYLES = {
    WATCH: StrategyStyle("#20272e", "o"),
    "beta_blocker": StrategyStyle("#d97a0c", "s", (0, (5, 2))),
    "glue": StrategyStyle("#a78ceb", "^"),
    "eus_glue": StrategyStyle("#4636c4", "v", (0, (4, 1))),
    "coil": StrategyStyle("#e596bf", "D"),
    "coil_and_glue": StrategyStyle("#0b8659", "P"),
    "transvenous": StrategyStyle("#8a1a72", "X", (0, (2, 1))),
}
SPARE_STYLES = (
    StrategyStyle("#6f7f1c", "<", (0, (6, 1))),
    StrategyStyle("#1d8aa6", ">", (0, (3, 2))),
    StrategyStyle("#7a4a22", "p", (0, (1, 1))),
    StrategyStyle("#98a1a9", "h", (0, (7, 2))),
    StrategyStyle("#c23b6b", "*", (0, (2, 2))),
)
CATEGORY_COLOURS = {"prophylaxis": "#14506b", "bleeds": "#c8573d", "aftercare": "#f0c97a", "background": "#c5cbd0"}


def strategy_styles(keys: Sequence[str]) -> dict[str, StrategyStyle]:
    """Style of each strategy; one the site added takes the next spare style, in order.

    Examples
    --------
    >>> strategy_styles(["watch", "our_own"])["our_own"].marker
    '<'
    """
    added = [key for key in keys if key not in STRATEGY_STYLES]
    spare = {key: SPARE_STYLES[i % len(SPARE_STYLES)] for i, key in enumerate(added)}
    return {key: STRATEGY_STYLES.get(key) or spare[key] for key in keys}


def plot_settings() -> dict[Any, Any]:
    """Give the plotting library its settings: bundled font, quiet axes, SVG that is the same on every run."""
    return {
        "font.family": "DejaVu Sans",
        "font.size": 7.6,
        "axes.labelsize": 7.6,
        "axes.titlesize": 8.0,
        "xtick.labelsize": 7.2,
        "ytick.labelsize": 7.2,
        "axes.edgecolor": MUTED,
        "axes.labelcolor": INK,
        "xtick.color": MUTED,
        "ytick.color": MUTED,
        "text.color": INK,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "axes.linewidth": 0.7,
        "lines.linewidth": 1.6,
        "lines.markersize": 4.5,
        "axes.grid": True,
        "axes.grid.axis": "y",
        "grid.color": GRID,
        "grid.linewidth": 0.7,
        "axes.axisbelow": True,
        "text.parse_math": False,
        "text.hinting": "none",
        "svg.hashsalt": "econmodel",
        "svg.fonttype": "path",
    }
