"""Figures for the screen: drawn by ``reporting`` as SVG, one at a time, and kept by the hash of the inputs."""

from __future__ import annotations

import base64
import io
from html import escape
from threading import Lock
from typing import TYPE_CHECKING

import streamlit as st

from econmodel.interfaces.dashboard.state.answers import Answer

if TYPE_CHECKING:
    from econmodel.programme.report import ProgrammeResult
    from econmodel.reporting.charts.figures import Spec

DRAWING = Lock()


@st.cache_resource(max_entries=256, show_spinner=False)
def draw(key: tuple[object, ...], _spec: Spec) -> bytes:
    """Draw an SVG; the plotting library's settings are global, so one at a time."""
    from matplotlib import rc_context
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    from econmodel.reporting.charts.style import plot_settings

    vector = io.BytesIO()
    with DRAWING, rc_context(plot_settings()):
        figure = Figure(figsize=(_spec.width, _spec.height))
        _spec.draw(figure)
        FigureCanvasSVG(figure).print_svg(vector)  # type: ignore[no-untyped-call]
    return vector.getvalue()


def show(vector: bytes, caption: str, alt: str) -> None:
    """Show a figure with its caption, read out as ``alt``."""
    data = base64.b64encode(vector).decode()
    st.html(
        f'<figure class="picture"><figcaption>{escape(caption)}</figcaption><div tabindex="0">'
        f'<img src="data:image/svg+xml;base64,{data}" alt="{escape(alt, quote=True)}"></div></figure>'
    )


def of_case(found: Answer, name: str) -> None:
    """Show a figure of the result document by its name."""
    from econmodel.reporting.charts.figures import case_figures
    from econmodel.reporting.charts.results import describe
    from econmodel.reporting.papers.build import case_structure

    spec = case_figures(found.results, case_structure(found.results))[name]
    told = describe(name, found.results)
    show(draw((found.key, name), spec), told["caption"], told["alt"])


def of_programme(found: Answer, programme: ProgrammeResult, name: str) -> None:
    """Show a figure of the programme by its name."""
    from econmodel.reporting.charts.programme import programme_chart, programme_figures

    currency = found.results.settings.currency
    spec = programme_figures(programme, currency, found.case.title)[name]
    told = programme_chart(name, programme, currency)
    kept = (found.key, name, bool(programme.downside), bool(programme.uncertainty))
    show(draw(kept, spec), told.caption, told.alt)
