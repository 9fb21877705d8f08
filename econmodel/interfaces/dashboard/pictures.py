"""Figures for the screen: drawn by ``reporting`` as SVG, one at a time, and kept by the hash of the inputs."""

from __future__ import annotations

import base64
import io
from collections.abc import Callable
from html import escape
from threading import Lock
from typing import TYPE_CHECKING

import streamlit as st

from econmodel.interfaces.dashboard.state import answers, session
from econmodel.interfaces.dashboard.state.answers import Answer

if TYPE_CHECKING:
    from econmodel.programme.report import ProgrammeResult
    from econmodel.reporting.charts.figures import Spec

DRAWING = Lock()
LINES = ("first_bleeds", "nnt_by_year", "cost_effectiveness_plane", "programme_cash", "programme_bleeds")


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

    def spec(case: Answer) -> Spec:
        return case_figures(case.results, case_structure(case.results))[name]

    told = describe(name, found.results)
    _beside_pinned(found, name, (found.key, name), spec, told["caption"], told["alt"])


def of_programme(found: Answer, programme: ProgrammeResult, name: str) -> None:
    """Show a figure of the programme by its name."""
    from econmodel.reporting.charts.programme import programme_chart, programme_figures

    currency = found.results.settings.currency

    def spec(case: Answer) -> Spec | None:
        plan = programme if case is found else answers.plan_of(case)
        return programme_figures(plan, currency, found.case.title)[name] if plan else None

    told = programme_chart(name, programme, currency)
    kept = (found.key, name, bool(programme.downside), bool(programme.uncertainty))
    _beside_pinned(found, name, kept, spec, told.caption, told.alt)


def _beside_pinned(
    found: Answer, name: str, kept: tuple[object, ...], spec: Callable[[Answer], Spec | None], caption: str, alt: str
) -> None:
    """Show a figure; one of lines with those of the pinned case in grey, where it differs and counts in the same money."""
    from econmodel.reporting.charts.figures import ghosted

    shown, other = spec(found), session.pinned() if name in LINES else None
    if shown is None:
        return
    alike = other and other.key != found.key and other.results.settings.currency == found.results.settings.currency
    if other and alike and (ghost := spec(other)):
        shown, kept, alt = ghosted(shown, ghost), (*kept, other.key), f"{alt} Grey: the pinned case, {other.case.title}."
        caption = f"{caption}; grey: pinned"
    show(draw(kept, shown), caption, alt)
