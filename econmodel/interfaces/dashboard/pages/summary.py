"""Page 1, Summary: pick a start, read the answer, see the numbers, the harms, and what is not yet local."""

from __future__ import annotations

import io
import tempfile
import zipfile
from collections.abc import Collection
from functools import partial
from pathlib import Path

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from econmodel.errors import EconModelError
from econmodel.files import json_text
from econmodel.interfaces.dashboard import blocks, first_screen
from econmodel.interfaces.dashboard.begin import show_begin
from econmodel.interfaces.dashboard.pictures import DRAWING
from econmodel.interfaces.dashboard.pinned import compared_table
from econmodel.interfaces.dashboard.state import answers, session
from econmodel.interfaces.dashboard.state.answers import Answer
from econmodel.interfaces.dashboard.state.case_file import FICTIONAL, country_name, fictional_in, fictional_name, read_start
from econmodel.programme.report import ProgrammeResult
from econmodel.reporting.papers import phrases
from econmodel.reporting.papers.blocks import headline_table
from econmodel.reporting.tables.provenance import status_counts
from econmodel.workflow import write_files

WORD = "application/vnd.openxmlformats-officedocument.wordprocessingml.document"
XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
NATIONAL = "My hospital"
PAPERS = (
    ("Brief (PDF)", "brief", "pdf", "application/pdf"),
    ("Brief (Word)", "brief", "docx", WORD),
    ("Brief (web page)", "brief", "html", "text/html"),
    ("Technical report (PDF)", "report", "pdf", "application/pdf"),
)


def show(found: Answer) -> first_screen.Later:
    """Show the first screen and what stands below it."""
    later, waiting = first_screen.show(found), list[DeltaGenerator]()
    _pick()
    show_begin()
    blocks.sections(
        "summary_part",
        {
            "Benefits, costs and harms side by side": lambda: waiting.append(_side_by_side(found)),
            "What is still not this hospital's own": lambda: _not_own(found),
            "Take away": lambda: show_downloads(found),
        },
    )

    def rest() -> None:
        later()
        for place in waiting:
            with place.container():
                blocks.note(answers.route_of(found.key, found).sentence)

    return rest


def _side_by_side(found: Answer) -> DeltaGenerator:
    """Show the table, and give the place for what takes longer."""
    compared_table(found, lambda case: headline_table(case.results))
    return st.empty()


def _not_own(found: Answer) -> None:
    local = status_counts(found.case.parameters).get("local", 0)
    blocks.text(
        f"Values of this hospital's own so far: {local}. {phrases.status_sentence(found.case.parameters)} The "
        "page Inputs and sources lists and changes them."
    )


def _pick() -> None:
    start = read_start(st.session_state.start)
    st.session_state.update(pick_country=start.code, pick_data=start.key if start.invented else NATIONAL)
    countries = list(dict.fromkeys((*FICTIONAL.values(), start.code)))
    with st.container(key="pick"):
        left, right = st.columns((1, 2))
        left.radio("Country", countries, horizontal=True, key="pick_country", format_func=country_name, on_change=_picked)
        right.radio(
            "Start from",
            [*fictional_in(start.code), NATIONAL],
            horizontal=True,
            key="pick_data",
            format_func=lambda key: fictional_name(key) if key in FICTIONAL else key,
            on_change=_picked,
            help="The fictional hospitals hold invented values. My hospital starts from published figures and "
            "assumptions; put in your own with the sliders, the registry or the inputs page.",
        )


def _picked() -> None:
    code, picked = str(st.session_state.pick_country), str(st.session_state.pick_data)
    fictional = [] if picked == NATIONAL else fictional_in(code)
    session.begin(picked if picked in fictional else next(iter(fictional), code))


def show_downloads(found: Answer) -> None:
    """Show the buttons."""
    with st.container(key="downloads", horizontal=True):
        for label, paper, form, mime in PAPERS:
            st.download_button(label, partial(one_paper, found, paper, form), f"{paper}.{form}", mime, on_click="ignore")
        st.download_button(
            "Charts, data and papers (ZIP)",
            lambda: everything(found),
            "reports.zip",
            "application/zip",
            on_click="ignore",
            help="Every chart as SVG, PNG and its CSV; results and sources as CSV and JSON; the brief.",
        )
        st.download_button("Live workbook (XLSX)", lambda: workbook(found), "workbook.xlsx", XLSX, on_click="ignore")
        st.download_button(
            "Results (JSON)", lambda: json_text(found.results.to_json()), "results.json", "application/json", on_click="ignore"
        )


def report_files(found: Answer, papers: Collection[str], formats: Collection[str]) -> dict[str, bytes]:
    """Build the reports of a case; one at a time, as drawing uses global settings."""
    from econmodel.reporting.tables.findings import Findings

    findings = Findings(programme=_programme(found), within_route=answers.route_of(found.key, found))
    with DRAWING, tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        write_files(found, findings, folder, papers=papers, formats=formats)
        files = sorted(path for path in folder.rglob("*") if path.is_file())
        return {str(path.relative_to(folder)): path.read_bytes() for path in files}


def _programme(found: Answer) -> ProgrammeResult | None:
    try:
        return answers.programme_of(found.key, found)
    except EconModelError:
        return None


def one_paper(found: Answer, paper: str, form: str) -> bytes:
    """Give one paper in one format."""
    files = report_files(found, (paper,), (form,))
    return next(content for name, content in files.items() if name.endswith(f"{paper}.{form}"))


def everything(found: Answer) -> bytes:
    """Give charts, data and the brief in one archive."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in report_files(found, ("brief",), ("html", "pdf", "docx")).items():
            archive.writestr(name, content)
    return packed.getvalue()


def workbook(found: Answer) -> bytes:
    """Give the live workbook of the deterministic model."""
    from econmodel.reporting.workbook.build import build_workbook

    with tempfile.TemporaryDirectory() as place:
        return build_workbook(found.case, found.evaluation, Path(place) / "workbook.xlsx").read_bytes()
