"""What can be taken away: the brief, the results and the charts, made when asked for."""

from __future__ import annotations

import io
import json
import tempfile
import zipfile
from pathlib import Path
from typing import Any

import streamlit as st

from econmodel.errors import EconModelError
from econmodel.interfaces.dashboard import programme
from econmodel.interfaces.dashboard.answers import Answer
from econmodel.interfaces.dashboard.pictures import DRAWING

XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


def show(found: Answer) -> None:
    """Show the buttons."""
    st.header("Take away", anchor=False)
    with st.container(key="downloads", horizontal=True):
        st.download_button("Brief (web page)", lambda: report_file(found, "brief.html"), "brief.html", "text/html",
                           on_click="ignore")
        st.download_button("Everything (zip): brief, charts as SVG, PNG and CSV, results, sources",
                           lambda: report_zip(found), "reports.zip", "application/zip", on_click="ignore")
        st.download_button("Live workbook (XLSX)", lambda: workbook(found), "workbook.xlsx", XLSX, on_click="ignore")
        st.download_button("Results (JSON)", lambda: json.dumps(found.document, indent=1, ensure_ascii=False),
                           "results.json", "application/json", on_click="ignore")


def report_files(found: Answer) -> dict[str, bytes]:
    """Build every report of a case; one at a time, as drawing uses global settings."""
    from econmodel.reporting.brief import build_reports

    with DRAWING, tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        build_reports(found.case, found.evaluation, found.document, folder, programme=_programme(found))
        files = sorted(path for path in folder.rglob("*") if path.is_file())
        return {str(path.relative_to(folder)): path.read_bytes() for path in files}


def _programme(found: Answer) -> dict[str, Any] | None:
    try:
        return programme.findings(found.key, found)
    except EconModelError:
        return None


def workbook(found: Answer) -> bytes:
    """Give the live workbook of the deterministic model."""
    from econmodel.reporting.workbook.build import build_workbook

    with tempfile.TemporaryDirectory() as place:
        return build_workbook(found.case, found.evaluation, Path(place) / "workbook.xlsx").read_bytes()


def report_file(found: Answer, name: str) -> bytes:
    """Give one report."""
    return report_files(found)[name]


def report_zip(found: Answer) -> bytes:
    """Give every report in one archive."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in report_files(found).items():
            archive.writestr(name, content)
    return packed.getvalue()
