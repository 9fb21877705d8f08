"""Explain this number: the arithmetic of a headline tile, its inputs and what moves it, worked out once it is asked for."""

from __future__ import annotations

import streamlit as st

from econmodel.interfaces.dashboard import blocks
from econmodel.interfaces.dashboard.state import answers
from econmodel.interfaces.dashboard.state.answers import Answer
from econmodel.programme.explained import explain
from econmodel.programme.report import ProgrammeResult
from econmodel.reporting.papers.content import KeyNumbers
from econmodel.reporting.tables.explained import explanation_tables
from econmodel.reporting.tables.results import NNT_YEAR


def show_explained(found: Answer, plan: ProgrammeResult, tiles: KeyNumbers) -> None:
    """Offer every tile; the one that is chosen stays open while inputs move."""
    labels = [f"{number.label}: {number.value}" for number in tiles.numbers]
    at = st.selectbox(
        "Explain this number",
        range(len(labels)),
        index=None,
        format_func=labels.__getitem__,
        key="explained",
        placeholder="Explain a number: how it comes about, on what it rests, what moves it",
        label_visibility="collapsed",
    )
    if at is None:
        return
    chosen = explain(found.case.parameters, found.results, plan, NNT_YEAR)[at]
    asked = chosen.moved_by
    moved = answers.tornado((found.key, asked.subject, asked.outcome), asked)["one_way"] if asked else ()
    with st.container(key="explanation"):
        blocks.flow(explanation_tables(found.case.parameters, chosen, moved))
