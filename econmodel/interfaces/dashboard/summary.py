"""Page 1, Summary: pick a start, read the answer, see the numbers, the harms, and what is not yet local."""

from __future__ import annotations

import streamlit as st

from econmodel.errors import EconModelError
from econmodel.interfaces.dashboard import blocks, downloads, pictures, programme, session
from econmodel.interfaces.dashboard.answers import Answer
from econmodel.interfaces.dashboard.starts import DEMO, NATIONAL, STARTS, UNITED_KINGDOM, UNITED_STATES, find_start
from econmodel.reporting.papers import phrases
from econmodel.reporting.papers.blocks import headline_table, key_numbers
from econmodel.reporting.tables.provenance import status_counts


def show(found: Answer) -> None:
    """Show the page."""
    _pick()
    blocks.numbers(key_numbers(found.results))
    _chart(found)
    st.header("Benefits, costs and harms side by side", anchor=False)
    blocks.table(headline_table(found.results))
    st.header("What is still not this hospital's own", anchor=False)
    local = status_counts(found.case.parameters).get("local", 0)
    blocks.text(
        f"Values of this hospital's own so far: {local}. {phrases.status_sentence(found.case.parameters)} The "
        "page Inputs and sources lists and changes them."
    )
    downloads.show(found)


def _chart(found: Answer) -> None:
    """Show cash over the years where the programme can be worked out, else cost per patient."""
    try:
        pictures.of_programme(found, programme.findings(found.key, found), "programme_cash")
    except EconModelError:
        pictures.of_case(found, "cost_by_category")


def _pick() -> None:
    start = STARTS[st.session_state.start]
    st.session_state.update(pick_country=start.country, pick_data=start.data)
    with st.container(key="pick"):
        left, right = st.columns(2)
        left.radio("Country", [UNITED_STATES, UNITED_KINGDOM], horizontal=True, key="pick_country", on_change=_picked)
        right.radio(
            "Start from",
            [DEMO, NATIONAL],
            horizontal=True,
            key="pick_data",
            on_change=_picked,
            help="The fictional hospital holds invented values. My hospital starts from published figures and "
            "assumptions; put in your own with the sliders, the registry or the inputs page.",
        )


def _picked() -> None:
    session.begin(find_start(str(st.session_state.pick_country), str(st.session_state.pick_data)))
