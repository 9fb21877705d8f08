"""Write the reports of a case: results, provenance, figures and the brief, each file whole or not at all."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from econmodel.model.structure import Structure, build_structure
from econmodel.reporting.brief_content import brief_paper
from econmodel.reporting.figures import save_figures
from econmodel.reporting.files import json_text, write_csv, write_text
from econmodel.reporting.html import render_html
from econmodel.reporting.provenance import provenance_rows
from econmodel.reporting.tables import result_rows

if TYPE_CHECKING:
    from econmodel.economics.evaluate import Evaluation
    from econmodel.parameters.loading import Case


def build_reports(case: Case, evaluation: Evaluation, document: dict[str, Any], folder: Path, *,
                  psa: dict[str, Any] | None = None, programme: dict[str, Any] | None = None) -> list[Path]:
    """Write every report of a case.

    Parameters
    ----------
    case, evaluation, document
        The case, its evaluation, and the result document made from both.
    folder
        Where the files go; made when missing.
    psa
        Results of the analysis with all inputs varied together; its parts are left out where None.
    programme
        Results of the programme; its parts are left out where None.

    Returns
    -------
    list of Path
        Files written.
    """
    figures = folder / "figures"
    written = [
        write_text(folder / "results.json", json_text(document)),
        write_csv(folder / "results.csv", result_rows(document)),
        write_csv(folder / "provenance.csv", provenance_rows(case.parameters)),
        *save_figures(document, case_structure(document), figures),
    ]
    paper = brief_paper(case, document)
    return [*written, write_text(folder / "brief.html", render_html(paper, figures))]


def case_structure(document: dict[str, Any]) -> Structure:
    """Structure of the case as its settings make it, split states told once."""
    return build_structure(per_protocol=document["inputs"]["effect_basis"] == "per_protocol")
