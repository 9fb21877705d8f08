"""Page 7, What to find out: what remaining doubt costs, which inputs hold it, and which study would pay."""

from __future__ import annotations

import streamlit as st

from econmodel.errors import EconModelError
from econmodel.interfaces.dashboard import blocks
from econmodel.interfaces.dashboard.pages.risks import DRAWS, USUAL
from econmodel.interfaces.dashboard.state import answers, session
from econmodel.interfaces.dashboard.state.answers import Answer
from econmodel.reporting import formatting as f
from econmodel.reporting.tables.research import INTRODUCTION, research_section, sizes_table


def show(found: Answer) -> None:
    """Show the page."""
    blocks.note(INTRODUCTION)
    st.session_state.setdefault("research_draws", USUAL)
    draws = st.select_slider("Draws", DRAWS, key="research_draws", format_func=f.number)
    asked = st.button("Work out what it is worth to know more", type="primary")
    if not asked and st.session_state.get("research_of") != (found.key, draws):
        return
    st.session_state.research_of = (found.key, draws)
    try:
        worth = answers.research(found.key, draws, found)
    except EconModelError as fault:
        session.refuse(fault)
        blocks.alert(session.take_refusal())
        return
    blocks.flow(research_section(worth).blocks)
    if not worth.trials:
        return
    titles = {trial.trial.key: trial.trial.title for trial in worth.trials}
    st.subheader("One study by size", anchor=False)
    key = st.selectbox("Study", list(titles), format_func=titles.__getitem__, key="research_trial")
    blocks.table(next(sizes_table(worth, trial) for trial in worth.trials if trial.trial.key == key))
