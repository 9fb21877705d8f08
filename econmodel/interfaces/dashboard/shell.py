"""What stands around every page: navigation, the answer now, the controls beside it, and the cautions."""

from __future__ import annotations

import re
from collections.abc import Callable
from html import escape
from pathlib import Path

import streamlit as st

from econmodel.errors import EconModelError
from econmodel.interfaces.dashboard import blocks, controls, first_screen
from econmodel.interfaces.dashboard.controls import VIEWS
from econmodel.interfaces.dashboard.pages import bleeds, inputs, money, patients, registry, research, risks, summary, surveillance
from econmodel.interfaces.dashboard.pinned import show_pin
from econmodel.interfaces.dashboard.state import answers, session
from econmodel.interfaces.dashboard.state.address import is_whole
from econmodel.interfaces.dashboard.state.answers import Answer, answer
from econmodel.interfaces.dashboard.state.case_file import FIRST, load_start, read_start, uploaded
from econmodel.reporting.papers import phrases
from econmodel.reporting.papers.blocks import evidence_table
from econmodel.reporting.tables.provenance import status_counts

Page = Callable[[Answer], first_screen.Later | None]
HERE = Path(__file__).parent
PAGES: dict[str, tuple[str, Page]] = {
    "summary": ("Summary", summary.show),
    "patients": ("Patients", patients.show),
    "bleeds": ("Bleeds prevented", bleeds.show),
    "money": ("Money", money.show),
    "risks": ("What could go wrong", risks.show),
    "surveillance": ("Surveillance", surveillance.show),
    "research": ("What to find out", research.show),
    "registry": ("My registry", registry.show),
    "inputs": ("Inputs and sources", inputs.show),
}


def run() -> None:
    """Run the dashboard: one page, chosen from the bar above."""
    st.set_page_config(
        page_title="Gastric varices: prophylaxis planned and priced",
        layout="wide",
        page_icon=str(HERE / "icon.png"),
        menu_items={"About": phrases.NOT_ADVICE[1]},
    )
    listed = [
        st.Page(_framed(key), title=title, url_path="" if key == "summary" else key, default=key == "summary")
        for key, (title, _) in PAGES.items()
    ]
    chosen = st.navigation(listed, position="hidden")
    st.html(f"<style>{(HERE / 'look.css').read_text(encoding='utf-8')}</style>")
    with st.container(key="pages", horizontal=True):
        for page in listed:
            st.page_link(page)
    chosen.run()


def warm_up() -> None:
    """Work out the first page's answer and load what draws it, before the first visitor comes."""
    found = answer(load_start(FIRST))
    first_screen.cash(found, answers.plan_of(found))
    answers.turns_of(found.key, found)


def _framed(key: str) -> Callable[[], None]:
    def page() -> None:
        show_page(key)

    page.__name__ = key
    return page


def show_page(key: str) -> None:
    """Show one page inside the frame."""
    title, page = PAGES[key]
    session.open_session()
    found = session.current()
    session.write_address()
    st.title(title, anchor=False)
    meeting = bool(st.session_state.get("meeting"))
    with st.container(key="to_meeting"):
        st.button("Leave the meeting view" if meeting else "Meeting view", on_click=_meet, args=(not meeting,), type="tertiary")
    _say_first(found)
    if meeting:
        st.html(f"<style>{(HERE / 'meeting.css').read_text(encoding='utf-8')}</style>")
        first_screen.show_meeting(found)
        _foot(found)
        return
    if key != "summary":
        first_screen.say(found, answers.plan_of(found), large=False)
    later = page(found)
    if key != "summary":
        first_screen.warn(found)
    _say_last(found)
    show_sidebar(found)
    if later:
        later()


def _meet(on: bool) -> None:
    st.session_state.update(meeting=on, stage=0)


def _say_first(found: Answer) -> None:
    """Banner and refusal; what was done is said where the eye is."""
    blocks.banner(_banner(found))
    if st.session_state.refusal:
        blocks.alert(f"Not changed. {session.take_refusal()} The answer below is the last good one.")
    if st.session_state.notice:
        blocks.text(st.session_state.notice, "notice")
        st.session_state.notice = ""


def _banner(found: Answer) -> str:
    if read_start(st.session_state.start).invented:
        return phrases.banner(found.case)
    invented = status_counts(found.case.parameters).get("demo", 0)
    return (
        (f"Invented data. {invented} inputs of this case are made up. The page Inputs and sources lists them as invented.")
        if invented
        else ""
    )


def _say_last(found: Answer) -> None:
    with st.expander("Evidence and harms of every option; not advice for a patient: what this does not say"):
        blocks.table(evidence_table(found.case.parameters))
        blocks.points([lead + words for lead, words in phrases.cautions(found.results)], "note")
    _foot(found)


def _foot(found: Answer) -> None:
    st.html(f'<div class="foot">{escape(phrases.footer(found.case, found.results))}</div>')


def show_sidebar(found: Answer) -> None:
    """Show the controls."""
    with st.sidebar:
        with st.container(key="answer_aside"):
            blocks.text(first_screen.sentence(found, answers.plan_of(found)), "short")
        _view(found)
        st.header("What decides most", anchor=False)
        for name in controls.deciding_inputs(found):
            controls.slider(found.case.parameters, name, "aside")
        st.header("This case", anchor=False)
        changes = len(st.session_state.edits.get("override", {})) + len(st.session_state.edits.get("strategy", {}))
        st.caption(f"{changes} change{'s' if changes > 1 else ''} made." if changes else "Nothing changed yet.")
        back, forth = st.columns(2)
        back.button("Undo", on_click=session.step, args=(True,), disabled=not st.session_state.past, width="stretch")
        forth.button("Redo", on_click=session.step, args=(False,), disabled=not st.session_state.ahead, width="stretch")
        st.button("Undo all changes", on_click=_undo, disabled=not changes, width="stretch")
        _save(found)
        show_pin()
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
    session.set_input("perspective", str(st.session_state["aside_view"]))


def _save(found: Answer) -> None:
    title = st.session_state.title or found.case.title
    st.session_state.aside_title = title
    st.text_input("Name of the case", max_chars=80, key="aside_title", on_change=_named)
    name = re.sub(r"[^a-z0-9]+", "_", title.lower()).strip("_")[:40] or "my_case"
    st.download_button(
        "Save the case file", session.saved(title), f"{name}.toml", "application/toml", width="stretch", on_click="ignore"
    )
    if not is_whole(st.session_state.start, st.session_state.edits):
        st.caption("This case has more changes than a link can carry: save the case file instead of copying the address.")


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
