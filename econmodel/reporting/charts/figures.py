"""Save every figure as SVG and PNG with the CSV of what it shows beside it."""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import replace
from functools import partial
from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING, Any

from econmodel.files import write_bytes, write_csv, write_text
from econmodel.model.structure import Structure
from econmodel.records import record
from econmodel.reporting.charts.style import plot_settings

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from econmodel.economics.results import Results

WIDTH = 3.7
HEIGHT = 2.5
PNG_DPI = 200
METADATA = re.compile(r"\s*<metadata>.*?</metadata>", re.DOTALL)
HASHED = re.compile(r'(?<= id=")[a-zA-Z]+_?[0-9a-f]{10,}\b')
PLACED = re.compile(r' (?:d|x|y|width|height)="[^"]*"|translate\([^)]*\)')
LONG = re.compile(r"-?\d+\.\d+(?:e-?\d+)?")
OUTLINE = re.compile(r'(?<= d=)"[^"]*"')
SPACES = re.compile(r'\s*([A-Za-z])\s*|\s+(?=")|(?<=\d)\s+(?=-)')
TITLE_SIZE = 7.0
GHOST = "#b3bac0"
TITLE_LINE, TITLE_CHARACTERS = 0.125, 18.6  # inches a line, characters an inch
Drawer = Callable[["Figure"], object]


@record
class Spec:
    """A figure to be made: the rows it shows, its size in inches (as printed, two in a row), and what draws it."""

    rows: list[dict[str, Any]]
    height: float
    draw: Drawer
    width: float = WIDTH


def save_all(figures: Mapping[str, Spec], folder: Path, beside: Executor | None = None) -> list[Path]:
    """Draw each figure once and save it as SVG, as PNG, and the rows it shows as CSV; same input, same bytes.

    Parameters
    ----------
    figures
        Figures by file name.
    folder
        Where the files go.
    beside
        Another process that draws them, so that only one loads the plotting library; None draws them here.
    """
    drawn = beside.submit(save_drawings, figures, folder).result() if beside else save_drawings(figures, folder)
    return drawn + save_dots(list(figures), folder)


def save_drawings(figures: Mapping[str, Spec], folder: Path) -> list[Path]:
    """Draw figures and save each as SVG, with its rows as CSV."""
    return [path for name, spec in figures.items() for path in save_figure(spec, folder, name)]


def save_figure(spec: Spec, folder: Path, name: str) -> list[Path]:
    """Draw one figure and save it as SVG, with its rows as CSV."""
    return [write_text(folder / f"{name}.svg", draw_figure(spec)), write_csv(folder / f"{name}.csv", spec.rows)]


def draw_figure(spec: Spec) -> str:
    """Draw one figure as SVG."""
    from matplotlib import rc_context
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    with rc_context(plot_settings()):
        figure = Figure(figsize=(spec.width, spec.height))
        spec.draw(figure)
        vector = io.BytesIO()
        FigureCanvasSVG(figure).print_svg(  # type: ignore[no-untyped-call]
            vector, metadata={"Date": None, "Creator": None}
        )
    return tidy_svg(vector.getvalue().decode("utf-8"))


def save_dots(names: Sequence[str], folder: Path) -> list[Path]:
    """Save as PNG the drawings that stand in a folder as SVG."""
    import typst

    if not names:
        return []
    pages = "\n#pagebreak()\n".join(f'#image("{name}.svg")' for name in names)
    sheet = write_text(folder / ".dots.typ", f"#set page(width: auto, height: auto, margin: 0pt)\n{pages}\n")
    try:
        made: Any = typst.compile(sheet, format="png", ppi=float(PNG_DPI), ignore_system_fonts=True)
    finally:
        sheet.unlink()
    dots = [made] if isinstance(made, bytes) else made
    return [write_bytes(folder / f"{name}.png", content) for name, content in zip(names, dots, strict=True)]


def tidy_svg(drawing: str) -> str:
    r"""Make a drawing the same on any processor: coordinates at two decimals, identifiers counted, no metadata.

    Examples
    --------
    >>> tidy_svg('<path id="m280eb6d30f" d="M 1.23456 0 \nL -2.50001 3 \n"/><use xlink:href="#m280eb6d30f" x="0.1249"/>')
    '<path id="i1" d="M1.23 0L-2.5 3"/><use xlink:href="#i1" x="0.12"/>'
    """
    drawing = METADATA.sub("", drawing)
    for count, name in enumerate(dict.fromkeys(HASHED.findall(drawing)), start=1):
        drawing = drawing.replace(name, f"i{count}")
    rounded = PLACED.sub(lambda found: LONG.sub(_two_decimals, found[0]), drawing)
    return OUTLINE.sub(lambda found: SPACES.sub(r"\1", found[0]), rounded)


def _two_decimals(number: re.Match[str]) -> str:
    return f"{round(float(number[0]), 2) + 0.0:.2f}".rstrip("0").rstrip(".")


def drawer(plot: Callable[..., object], left: float, bottom: float, width: float, height: float) -> Drawer:
    """Make a drawer of one axis, placed in shares of the figure."""
    return partial(_on_axis, plot, (left, bottom, width, height))


def _on_axis(plot: Callable[..., object], place: tuple[float, float, float, float], figure: Figure) -> object:
    return plot(ax=figure.add_axes(place))


def ghosted(spec: Spec, other: Spec) -> Spec:
    """Draw the lines of another case's figure in grey behind those of this one, on axes that hold both."""
    return replace(spec, draw=partial(_with_ghost, spec.draw, other.draw))


def _with_ghost(draw: Drawer, earlier: Drawer, figure: Figure) -> None:
    draw(figure)
    ghost = type(figure)()
    earlier(ghost)
    for ax, old in zip(figure.axes, ghost.axes, strict=False):
        ends = [[*now, *then] for now, then in ((ax.get_xlim(), old.get_xlim()), (ax.get_ylim(), old.get_ylim()))]
        for line in old.get_lines():
            if line.get_transform() == old.transData:
                (drawn,) = ax.plot(line.get_xdata(), line.get_ydata(), color=GHOST, linewidth=1.0, zorder=1)
                drawn.set(linestyle=line.get_linestyle(), marker=line.get_marker(), markersize=line.get_markersize())
        ax.set(xlim=(min(ends[0]), max(ends[0])), ylim=(min(ends[1]), max(ends[1])))


def titled(spec: Spec, title: str) -> Spec:
    """Put a figure under a title of its own, above what it draws, so that it still tells all when it stands alone."""
    text = fill(title, int(TITLE_CHARACTERS * spec.width))
    head = TITLE_LINE * (text.count("\n") + 1.5)
    return replace(spec, height=spec.height + head, draw=partial(_below_title, spec.draw, text, head / (spec.height + head)))


def _below_title(draw: Callable[[Any], object], text: str, share: float, figure: Figure) -> None:
    panels: Any = figure.subfigures(2, 1, height_ratios=(share, 1.0 - share), hspace=0.0)
    above, below = panels
    above.text(0.015, 0.8, text, va="top", fontsize=TITLE_SIZE, linespacing=1.1)
    draw(below)


def headed(figures: Mapping[str, Spec], caption: Callable[[str], str], more: str) -> dict[str, Spec]:
    """Put each figure under its caption and what holds for all of them."""
    return {name: titled(spec, f"{caption(name)}. {more}") for name, spec in figures.items()}


def case_figures(results: Results, structure: Structure) -> dict[str, Spec]:
    """List the figures: the rows each one shows, its height in inches, and what draws it."""
    from econmodel.reporting.charts import diagram
    from econmodel.reporting.charts import results as charts

    figures = {
        "state_diagram": Spec(
            _move_rows(structure), 3.3, drawer(partial(diagram.plot_state_diagram, structure), 0.0, 0.0, 1.0, 1.0), width=5.0
        ),
        "first_bleeds": Spec(
            charts.first_bleed_rows(results), HEIGHT, drawer(partial(charts.plot_first_bleeds, results), 0.15, 0.17, 0.50, 0.80)
        ),
        "cost_by_category": Spec(
            charts.cost_rows(results), HEIGHT, drawer(partial(charts.plot_costs, results), 0.34, 0.17, 0.64, 0.74)
        ),
        "nnt_by_year": Spec(charts.nnt_rows(results), HEIGHT, partial(_nnt_panels, results)),
        "cost_effectiveness_plane": Spec(
            charts.plane_rows(results), HEIGHT, drawer(partial(charts.plot_plane, results), 0.18, 0.17, 0.47, 0.74)
        ),
    }
    return headed(figures, lambda name: charts.describe(name, results)["caption"], charts.of_what(results))


def _nnt_panels(results: Results, figure: Figure) -> None:
    from econmodel.reporting.charts import results as charts

    comparators = list(results.comparisons)[:2]
    width = 0.57 / len(comparators) - 0.06
    for i, versus in enumerate(comparators):
        ax = figure.add_axes((0.105 + i * (width + 0.085), 0.17, width, 0.70))
        charts.plot_nnt(results, ax=ax, versus=versus)
    figure.text(0.035, 0.5, "NNT, one first bleed averted", rotation=90, va="center", ha="right")
    charts.label_column(figure.axes[-1], results.labels, [k for k in results.strategies if k != comparators[0]], gap=0.16)


def _move_rows(structure: Structure) -> list[dict[str, Any]]:
    names = {state.key: state.label for state in structure.states}
    return [
        {
            "source": m.source,
            "source_label": names[m.source],
            "target": m.target,
            "target_label": names[m.target],
            "move": m.kind,
            "move_label": m.label,
        }
        for m in structure.moves
    ]
