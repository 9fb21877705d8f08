"""Write the reports of a case: results, provenance, figures, brief and technical report, each file whole or not at all."""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path
from typing import TYPE_CHECKING, Any

from econmodel.errors import AnalysisError
from econmodel.model.structure import Structure, build_structure
from econmodel.reporting.brief_content import brief_paper
from econmodel.reporting.content import Paper
from econmodel.reporting.figures import case_figures, save_all
from econmodel.reporting.files import json_text, write_bytes, write_csv, write_text
from econmodel.reporting.findings import Findings
from econmodel.reporting.html import render_html
from econmodel.reporting.programme_charts import programme_figures
from econmodel.reporting.provenance import provenance_rows
from econmodel.reporting.series import trace_rows
from econmodel.reporting.tables import focus_strategy, result_rows

if TYPE_CHECKING:
    from econmodel.economics.evaluate import Evaluation
    from econmodel.parameters.loading import Case

FORMATS = ("html", "pdf", "docx")
PAPERS = ("brief", "report")


def build_reports(case: Case, evaluation: Evaluation, document: dict[str, Any], folder: Path, *,
                  psa: dict[str, Any] | None = None, programme: dict[str, Any] | None = None,
                  findings: Findings | None = None, papers: Collection[str] = ("brief",),
                  formats: Collection[str] = ("html",)) -> list[Path]:
    """Write every report of a case.

    Parameters
    ----------
    case, evaluation, document
        The case, its evaluation, and the result document made from both.
    folder
        Where the files go; made when missing.
    psa, programme
        Short for ``findings`` with these two alone.
    findings
        Results of the other analyses; what is None is left out.
    papers
        ``brief`` and ``report`` (the technical report).
    formats
        ``html``, ``pdf`` and ``docx``.

    Returns
    -------
    list of Path
        Files written.

    Raises
    ------
    AnalysisError
        A paper or format is unknown.
    """
    _check_choices(papers, PAPERS, "paper")
    _check_choices(formats, FORMATS, "format")
    found = findings or Findings(psa=psa, programme=programme)
    structure = case_structure(document)
    figures = save_all(case_figures(document, structure), folder / "figures")
    if found.programme:
        figures += save_all(programme_figures(found.programme, document["settings"]["currency"]), folder / "figures")
    written = [write_text(folder / "results.json", json_text(document)),
               write_csv(folder / "results.csv", result_rows(document)),
               write_csv(folder / "provenance.csv", provenance_rows(case.parameters)), *figures]
    if "brief" in papers:
        written += _write_brief(case, document, found, folder, formats)
    if "report" in papers:
        written += _write_report(case, evaluation, document, structure, found, folder, formats)
    return written


def case_structure(document: dict[str, Any]) -> Structure:
    """Structure of the case as its settings make it, split states told once."""
    return build_structure(per_protocol=document["inputs"]["effect_basis"] == "per_protocol")


def _check_choices(chosen: Collection[str], known: Collection[str], noun: str) -> None:
    for name in chosen:
        if name not in known:
            what = f"{noun} {name!r}: must be one of {', '.join(known)}"
            raise AnalysisError(what, fix=f"choose {' or '.join(known)}")


def _write_brief(case: Case, document: dict[str, Any], findings: Findings, folder: Path, formats: Collection[str]) -> list[Path]:
    def paper(*, with_inputs: bool) -> Paper:
        return brief_paper(case, document, programme=findings.programme, psa=findings.psa, with_inputs=with_inputs)

    screen = paper(with_inputs=True)
    on_paper = paper(with_inputs=False) if set(formats) - {"html"} else screen
    return _write_paper("brief", screen, on_paper, folder, formats)


def _write_report(case: Case, evaluation: Evaluation, document: dict[str, Any], structure: Structure, findings: Findings,
                  folder: Path, formats: Collection[str]) -> list[Path]:
    from econmodel.reporting.report_content import report_paper
    from econmodel.reporting.uncertainty_charts import report_figures

    keys = list(dict.fromkeys((document["settings"]["comparator"], focus_strategy(document))))
    drawn = save_all(report_figures(document, trace_rows(evaluation), keys, findings), folder / "figures")
    paper = report_paper(case, evaluation, document, structure, findings)
    return [*drawn, *_write_paper("technical_report", paper, paper, folder, formats)]


def _write_paper(name: str, screen: Paper, on_paper: Paper, folder: Path, formats: Collection[str]) -> list[Path]:
    figures, written = folder / "figures", []
    if "html" in formats:
        written.append(write_text(folder / f"{name}.html", render_html(screen, figures)))
    if "pdf" in formats:
        from econmodel.reporting.pdf import render_pdf

        written.append(write_bytes(folder / f"{name}.pdf", render_pdf(on_paper, figures)))
    if "docx" in formats:
        from econmodel.reporting.docx import render_docx

        written.append(write_bytes(folder / f"{name}.docx", render_docx(on_paper, figures)))
    return written
