"""Page 7, What to find out: what remaining doubt costs, which inputs hold it, and which study would pay."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from econmodel.errors import EconModelError
from econmodel.interfaces.dashboard import blocks, pictures
from econmodel.interfaces.dashboard.pages.risks import DRAWS, USUAL
from econmodel.interfaces.dashboard.state import answers, session
from econmodel.interfaces.dashboard.state.answers import Answer
from econmodel.reporting import formatting as f
from econmodel.reporting.charts.research import known_chart, known_picture, research_chart, study_picture
from econmodel.reporting.tables.fetch import fetch_tables
from econmodel.reporting.tables.research import INTRODUCTION, research_section, sizes_table

if TYPE_CHECKING:
    from econmodel.reporting.charts.figures import Spec
    from econmodel.reporting.papers.content import Chart


def show(found: Answer) -> None:
    """Show the page."""
    blocks.note(INTRODUCTION)
    st.session_state.setdefault("research_draws", USUAL)
    draws = st.select_slider("Draws", DRAWS, key="research_draws", format_func=f.number)
    blocks.on_demand("research", "Work out what it is worth to know more", (found.key, draws), _worth, found, draws)


def _worth(found: Answer, draws: int) -> None:
    try:
        first, worth = answers.research(found.key, draws, found)
    except EconModelError as fault:
        session.refuse(fault)
        blocks.alert(session.take_refusal())
        return
    blocks.flow(fetch_tables(first))
    if worth is None:
        return
    _picture((found.key, draws), known_chart(worth), known_picture(worth, found.case.title))
    blocks.flow(research_section(worth).blocks)
    if not worth.trials:
        return
    trials = {trial.trial.key: trial for trial in worth.trials}
    st.subheader("One study by size", anchor=False)
    key = st.selectbox("Study", list(trials), format_func=lambda key: trials[key].trial.title, key="research_trial")
    _picture((found.key, draws, key), research_chart(trials[key]), study_picture(worth, trials[key], found.case.title))
    blocks.table(sizes_table(worth, trials[key]))


def _picture(key: tuple[object, ...], chart: Chart, spec: Spec) -> None:
    pictures.show(pictures.draw((*key, chart.name), spec), chart.caption, chart.alt)
