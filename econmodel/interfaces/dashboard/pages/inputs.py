"""Page 9, Inputs and sources: every value with its grade and source; search, edit, reset."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import streamlit as st

from econmodel.errors import EconModelError
from econmodel.interfaces.dashboard import blocks, controls
from econmodel.interfaces.dashboard.state import answers, session
from econmodel.interfaces.dashboard.state.answers import Answer
from econmodel.interfaces.dashboard.state.case_file import uploaded
from econmodel.parameters.schema import Parameter
from econmodel.reporting import formatting as f
from econmodel.reporting.papers import phrases
from econmodel.reporting.papers.blocks import source_text
from econmodel.reporting.papers.content import table
from econmodel.reporting.tables.provenance import STATUS_WORDS, provenance_rows, status_counts

if TYPE_CHECKING:
    from econmodel.parameters.form_reading import FilledForm

FIXED_HERE = ("price_list", "currency", "price_year")
PAGE_OF = {"case_mix": "Patients"}
MOST = 8
XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


def show(found: Answer) -> None:
    """Show the page."""
    blocks.sections(
        "inputs_part",
        {
            "Find and change": lambda: _inputs(found, change=True),
            "List": lambda: _inputs(found, change=False),
            "Ask those who know": lambda: show_form(found),
        },
    )


def _inputs(found: Answer, *, change: bool) -> None:
    """Search, then change one of what is found, or list it."""
    parameters = found.case.parameters
    blocks.text(phrases.status_sentence(parameters))
    left, right = st.columns(2)
    words = left.text_input("Search by name, words or source", key="inputs_search", placeholder="coil, embolism")
    counts = status_counts(parameters)
    status = right.selectbox(
        "Grade of the value", ["any", "changed here", *counts], key="inputs_status", format_func=lambda s: STATUS_WORDS.get(s, s)
    )
    rows = matching(provenance_rows(parameters), words, status)
    if not rows:
        blocks.text("No input matches.")
        return
    if change:
        _edit(found, rows)
    else:
        _table(rows)


def matching(rows: Sequence[dict[str, Any]], words: str, status: str) -> list[dict[str, Any]]:
    """Keep the rows that hold every word, and have the status."""
    changed = st.session_state.edits.get("override", {})
    kept = [r for r in rows if status in ("any", r["status"]) or (status == "changed here" and r["name"] in changed)]
    wanted = words.lower().split()
    return [r for r in kept if all(w in " ".join(map(str, r.values())).lower() for w in wanted)]


def _edit(found: Answer, rows: Sequence[dict[str, Any]]) -> None:
    parameters = found.case.parameters
    names = [r["name"] for r in rows if r["name"] not in FIXED_HERE]
    if not names:
        return
    with st.container(key="edit"):
        name = st.selectbox(
            "Input to read or change",
            names,
            format_func=lambda n: f"{parameters[n].label} ({n})",
            key=f"edit_name_{len(names)}_{names[0]}",
        )
        left, right = st.columns(2, gap="large")
        with left:
            _facts(parameters[name], next(r for r in rows if r["name"] == name))
        with right:
            _change(parameters[name])


def _facts(p: Parameter, row: dict[str, Any]) -> None:
    value = row["value"] if p.table is not None else f.plain(p.value)
    doubt = f"{f.plain(p.range.low)} to {f.plain(p.range.high)}: {p.range.basis}." if p.range else "No range declared."
    facts = (
        ("Value", f"{value} ({controls.unit_words(p)})"),
        ("Grade", STATUS_WORDS[p.status]),
        ("Range", doubt),
        ("Distribution", row["distribution"]),
        ("Source", source_text(row)),
        ("As published", row["as_published"]),
        ("Derivation", row["derivation"]),
        ("Computed as", p.derive.text if p.derive else ""),
        ("Note", row["note"]),
        ("Typed in", row["where"]),
    )
    blocks.table(table(p.label, (("", 1.0), ("", 4.0)), [fact for fact in facts if fact[1]]))


def _change(p: Parameter) -> None:
    if p.table is not None:
        blocks.note(
            f"A table: change it on the page {PAGE_OF[p.name]}." if p.name in PAGE_OF else "A table: change it in a case file."
        )
    else:
        controls.exact(p, f"inputs_{p.name}")
    if p.name in st.session_state.edits.get("override", {}):
        st.button(f"Reset {p.name} to {f.plain(p.base_value)}", on_click=_reset, args=(p.name,))


def _table(rows: Sequence[dict[str, Any]]) -> None:
    listed = [(r["label"], r["name"], _short(r), r["unit"], STATUS_WORDS[r["status"]], source_text(r)) for r in rows[:MOST]]
    rest = f"The first {MOST} of {len(rows)}: search to narrow." if len(rows) > MOST else ""
    blocks.table(
        table(
            "Inputs",
            (("Input", 2.2), ("Name", 1.5), ("Value", 0.8, True), ("Unit", 0.9), ("Grade", 1.3), ("Source and reasoning", 6.0)),
            listed,
            note=rest,
            small=True,
        )
    )


def _short(row: dict[str, Any]) -> str:
    return "table" if isinstance(row["value"], str) and "; " in row["value"] else f.plain(row["value"])


def _reset(name: str) -> None:
    session.reset(name)


def show_form(found: Answer) -> None:
    """Show the section."""
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
    """Give the form of the case, its first sheet what to find out first."""
    from econmodel.reporting.form import build_form

    with tempfile.TemporaryDirectory() as place:
        return build_form(found.case, Path(place) / "form.xlsx", answers.asked_first(found.key, found)).read_bytes()


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
    for fault in form.held:
        blocks.alert(f"Held, ours stays: {fault.what}. {fault.fix}. ({fault.where})")
    for words in form.noted:
        blocks.note(f"Noted, changes nothing: {words}")
    st.button("Use these answers", type="primary", on_click=_use, args=(form,), disabled=not shown)


def _plain(value: object) -> str:
    return f.plain(value) if isinstance(value, float | str) else f.NOTHING


def _use(form: FilledForm) -> None:
    if session.merge({"override": form.document.data.get("override", {})}):
        st.session_state.notice = "The form's answers are in this case."
