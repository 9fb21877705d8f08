"""The controls beside every page: whose money, what decides most, and saving or loading the case."""

from __future__ import annotations

import re

import streamlit as st

from econmodel.errors import EconModelError
from econmodel.interfaces.dashboard import blocks, controls, session
from econmodel.interfaces.dashboard.answers import Answer
from econmodel.interfaces.dashboard.case_file import BASELINES, uploaded
from econmodel.reporting.papers import phrases

VIEWS = {
    "hospital": "The hospital: full cost of care",
    "hospital_margin": "The hospital: payments less variable cost",
    "payer": "The payer: what it pays",
    "societal": "Society: care, patients and carers",
}


def show_sidebar(found: Answer) -> None:
    """Show the controls."""
    with st.sidebar:
        with st.container(key="answer_aside"):
            blocks.text(phrases.answer(found.results), "short")
        _view(found)
        st.header("What decides most", anchor=False)
        for name in controls.deciding_inputs(found):
            controls.slider(found.case.parameters, name, "aside")
        st.header("This case", anchor=False)
        changes = len(st.session_state.edits.get("override", {})) + len(st.session_state.edits.get("strategy", {}))
        st.caption(f"{changes} change{'s' if changes > 1 else ''} made." if changes else "Nothing changed yet.")
        st.button("Undo all changes", on_click=_undo, disabled=not changes, width="stretch")
        _save(found)
        _load()


def _undo() -> None:
    session.reset()


def _view(found: Answer) -> None:
    st.session_state["aside_view"] = found.case.parameters.text("perspective")
    st.selectbox(
        "Whose money is counted",
        list(VIEWS),
        format_func=VIEWS.__getitem__,
        key="aside_view",
        on_change=_set_view,
        help="Perspective of the analysis. The four views come from one run.",
    )


def _set_view() -> None:
    session.set_input("perspective", str(st.session_state["aside_view"]), "View chosen on the dashboard.")


def _save(found: Answer) -> None:
    title = st.session_state.title or found.case.title
    st.session_state.aside_title = title
    st.text_input("Name of the case", max_chars=80, key="aside_title", on_change=_named)
    name = re.sub(r"[^a-z0-9]+", "_", title.lower()).strip("_")[:40] or "my_case"
    st.download_button(
        "Save the case file", session.saved(title), f"{name}.toml", "application/toml", width="stretch", on_click="ignore"
    )
    beside = (
        ""
        if BASELINES[st.session_state.start] == "base_case"
        else (f"params/hospitals/{BASELINES[st.session_state.start]}.toml --override ")
    )
    st.caption("Also runs on the command line:")
    st.code(f"econmodel case {beside}{name}.toml", language=None, wrap_lines=True)


def _named() -> None:
    st.session_state.title = str(st.session_state.aside_title).strip()


def _load() -> None:
    file = st.file_uploader("Load a case file", type=["toml"], key="aside_file")
    if file is None or st.session_state.get("loaded") == file.file_id:
        return
    st.session_state.loaded = file.file_id
    try:
        session.load(uploaded(file.name, file.getvalue()))
    except EconModelError as fault:
        session.refuse(fault)
    st.rerun()
