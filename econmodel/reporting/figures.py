"""Save every figure as SVG and PNG with the CSV of what it shows beside it."""

from __future__ import annotations

import io
import tempfile
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from econmodel.model.structure import Structure
from econmodel.reporting import series
from econmodel.reporting.files import write_bytes, write_csv
from econmodel.reporting.style import plot_settings

if TYPE_CHECKING:
    from matplotlib.figure import Figure

WIDTH = 5.0
PNG_DPI = 160
Drawer = Callable[["Figure"], object]


def save_figures(document: series.Document, structure: Structure, folder: Path) -> list[Path]:
    """Draw the figures of a case.

    Parameters
    ----------
    document
        Result document.
    structure
        States and moves of the case.
    folder
        Where the files go: ``NAME.svg``, ``NAME.png`` and ``NAME.csv`` for each figure.
    """
    from matplotlib import rc_context

    figures = _figures(document, structure)
    with rc_context(plot_settings()):
        vectors = {name: draw_svg(draw, height) for name, (_, height, draw) in figures.items()}
    return save_drawings(folder, vectors, {name: rows for name, (rows, _, _) in figures.items()})


def _figures(document: series.Document, structure: Structure) -> dict[str, tuple[list[dict[str, Any]], float, Drawer]]:
    """List the figures: the rows each one shows, its height in inches, and what draws it."""
    from econmodel.reporting import charts, diagram

    def drawer(plot: Callable[..., object], *place: float) -> Drawer:
        box = (place[0], place[1], place[2], place[3])
        return lambda figure: plot(ax=figure.add_axes(box))

    return {
        "state_diagram": (_move_rows(structure), 3.3,
                          drawer(partial(diagram.plot_state_diagram, structure), 0.0, 0.0, 1.0, 1.0)),
        "first_bleeds": (series.first_bleed_rows(document), 3.1,
                         drawer(partial(charts.plot_first_bleeds, document), 0.13, 0.14, 0.54, 0.83)),
        "cost_by_category": (series.cost_rows(document), 3.1,
                             drawer(partial(charts.plot_costs, document), 0.28, 0.14, 0.70, 0.77)),
        "nnt_by_year": (series.nnt_rows(document), 3.1, partial(_nnt_panels, document)),
        "cost_effectiveness_plane": (series.plane_rows(document), 3.1,
                                     drawer(partial(charts.plot_plane, document), 0.16, 0.14, 0.51, 0.77)),
    }


def _nnt_panels(document: series.Document, figure: Figure) -> None:
    from econmodel.reporting import charts

    comparators = list(document["comparisons"])[:2]
    width = 0.59 / len(comparators) - 0.055
    for i, versus in enumerate(comparators):
        ax = figure.add_axes((0.095 + i * (width + 0.075), 0.14, width, 0.75))
        charts.plot_nnt(document, ax=ax, versus=versus)
    figure.text(0.032, 0.5, "NNT, one first bleed averted", rotation=90, va="center", ha="right")
    charts.label_column(figure.axes[-1], document, [k for k in document["strategies"] if k != comparators[0]], gap=0.1)


def _move_rows(structure: Structure) -> list[dict[str, Any]]:
    names = {state.key: state.label for state in structure.states}
    return [{"source": m.source, "source_label": names[m.source], "target": m.target, "target_label": names[m.target],
             "move": m.kind, "move_label": m.label} for m in structure.moves]


def draw_svg(draw: Drawer, height: float, width: float = WIDTH) -> bytes:
    """Draw one figure of ``width`` x ``height`` inches as SVG; same input, same bytes."""
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width, height))
    draw(figure)
    vector = io.BytesIO()
    FigureCanvasSVG(figure).print_svg(  # type: ignore[no-untyped-call]
        vector, metadata={"Date": None, "Creator": None})
    return vector.getvalue()


def save_drawings(folder: Path, vectors: dict[str, bytes], rows: dict[str, list[dict[str, Any]]]) -> list[Path]:
    """Save drawings as SVG and PNG, with the rows each one shows as CSV."""
    written: list[Path] = []
    for name, pixels in rasterise(vectors).items():
        written += [write_bytes(folder / f"{name}.svg", vectors[name]), write_bytes(folder / f"{name}.png", pixels),
                    write_csv(folder / f"{name}.csv", rows[name])]
    return written


def rasterise(vectors: dict[str, bytes]) -> dict[str, bytes]:
    """Turn SVG drawings into PNG; the typesetter does so several times faster than drawing each figure twice."""
    import typst

    pages = "\n#pagebreak()\n".join(f'#image("{name}.svg")' for name in vectors)
    source = f"#set page(width: auto, height: auto, margin: 0pt, fill: white)\n{pages}"
    with tempfile.TemporaryDirectory() as name_of_folder:
        folder = Path(name_of_folder)
        for name, vector in vectors.items():
            (folder / f"{name}.svg").write_bytes(vector)
        (folder / "pages.typ").write_text(source, encoding="utf-8")
        made: Any = typst.compile(folder / "pages.typ", format="png", ppi=PNG_DPI, ignore_system_fonts=True)
    return dict(zip(vectors, made if isinstance(made, list) else [made], strict=True))
