"""The data-collection form: download it for those who know, load it back, see the differences, then use them."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import streamlit as st

from econmodel.errors import EconModelError
from econmodel.interfaces.dashboard import blocks, session
from econmodel.interfaces.dashboard.answers import Answer
from econmodel.interfaces.dashboard.case_file import uploaded
from econmodel.reporting import formatting as f
from econmodel.reporting.papers.content import table

if TYPE_CHECKING:
    from econmodel.parameters.form_reading import FilledForm

XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


def show(found: Answer) -> None:
    """Show the section."""
    st.header("Ask those who know", anchor=False)
    blocks.text(
        "The form holds one question per local value, a sheet for each department, with our value beside it. What "
        "is left blank keeps ours. Filled, it is read in memory only and nothing changes until you say so."
    )
    left, right = st.columns(2, gap="large")
    with left:
        st.download_button(
            "Download the form (XLSX)", lambda: blank_form(found), f"{found.case.name}_form.xlsx", XLSX, on_click="ignore"
        )
    with right:
        file = st.file_uploader("Load the filled form", type=["xlsx"], key="form_file")
    if file is not None:
        _read(found, file.name, file.getvalue())


def blank_form(found: Answer) -> bytes:
    """Give the form of the case."""
    from econmodel.reporting.form import build_form

    with tempfile.TemporaryDirectory() as place:
        return build_form(found.case, Path(place) / "form.xlsx").read_bytes()


def _read(found: Answer, name: str, content: bytes) -> None:
    from econmodel.parameters.form_reading import read_form

    try:
        form = read_form(uploaded(name, content).as_path)
    except EconModelError as fault:
        session.refuse(fault)
        blocks.alert(f"The form was not used. {session.take_refusal()}")
        return
    _differences(found, form)


def _differences(found: Answer, form: FilledForm) -> None:
    rows = form.rows(found.case.parameters)
    shown = [
        (str(r["name"]), _plain(r["ours"]), _plain(r["theirs"]), str(r["unit"]), f"{r['sheet']} {r['cell']}", str(r["warning"]))
        for r in rows
        if r["changed"]
    ]
    columns = (("Input", 2.4), ("Ours", 1.0, True), ("Theirs", 1.0, True), ("Unit", 1.0), ("Where", 1.4), ("Look at", 2.4))
    blocks.table(
        table(
            "Differences from the present values",
            columns,
            shown,
            small=True,
            note=f"Answers: {len(rows)}; different from ours: {len(shown)}; marked as not known: {len(form.not_known)}.",
        )
    )
    st.button("Use these answers", type="primary", on_click=_use, args=(form,), disabled=not shown)


def _plain(value: object) -> str:
    return f.plain(value) if isinstance(value, float | str) else f.NOTHING


def _use(form: FilledForm) -> None:
    if session.merge({"override": form.document.data.get("override", {})}):
        st.session_state.notice = "The form's answers are in this case."
