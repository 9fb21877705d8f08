"""What stands around every page: navigation, the answer now, the controls beside it, and the cautions."""

from __future__ import annotations

import re
from collections.abc import Callable
from html import escape
from pathlib import Path

import streamlit as st

from econmodel.errors import EconModelError
from econmodel.interfaces.dashboard import blocks, controls
from econmodel.interfaces.dashboard.controls import VIEWS
from econmodel.interfaces.dashboard.pages import bleeds, inputs, money, patients, registry, research, risks, summary, surveillance
from econmodel.interfaces.dashboard.state import session
from econmodel.interfaces.dashboard.state.address import is_whole
from econmodel.interfaces.dashboard.state.answers import Answer, answer
from econmodel.interfaces.dashboard.state.case_file import FIRST, load_start, read_start, uploaded
from econmodel.parameters.statements import said
from econmodel.reporting.papers import phrases
from econmodel.reporting.papers.blocks import evidence_table
from econmodel.reporting.tables.provenance import status_counts

Page = Callable[[Answer], None]
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
    from econmodel.interfaces.dashboard import pictures
    from econmodel.interfaces.dashboard.state import answers
    from econmodel.reporting.charts.figures import case_figures
    from econmodel.reporting.papers.build import case_structure

    found = answer(load_start(FIRST))
    answers.programme_of(found.key, found)
    specs = case_figures(found.results, case_structure(found.results))
    pictures.draw((found.key, "first_bleeds"), specs["first_bleeds"])


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
    _say_first(found)
    show_sidebar(found)
    page(found)
    _say_last(found)


def _say_first(found: Answer) -> None:
    """Banner, refusal, the answer in a sentence, and how sure it is."""
    blocks.banner(_banner(found))
    if st.session_state.refusal:
        blocks.alert(f"Not changed. {session.take_refusal()} The answer below is the last good one.")
    if st.session_state.notice:
        blocks.text(st.session_state.notice, "notice")
        st.session_state.notice = ""
    row = found.case.parameters.strategies[found.results.lead]
    with st.container(key="answer"):
        blocks.text(phrases.answer(found.results), "answer")
    if again := phrases.second_look_text(found.case.parameters):
        blocks.text(again, "caution")
    blocks.text(
        f"Certainty of the evidence for {phrases.lower(row.label)}: {row.evidence_grade or 'not graded'}. "
        f"Harms: {row.harms_note or 'none listed.'} {said('standing')}",
        "caution",
    )


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
    st.header("Before this is used", anchor=False)
    with st.expander("Evidence and harms of every option"):
        blocks.table(evidence_table(found.case.parameters))
    blocks.points([lead + words for lead, words in phrases.cautions(found.results.inputs["child_course"])], "note")
    st.html(f'<div class="foot">{escape(phrases.footer(found.case, found.results))}</div>')


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
        back, forth = st.columns(2)
        back.button("Undo", on_click=session.step, args=(True,), disabled=not st.session_state.past, width="stretch")
        forth.button("Redo", on_click=session.step, args=(False,), disabled=not st.session_state.ahead, width="stretch")
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
