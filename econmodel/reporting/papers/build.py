"""Write the reports of a case: results, provenance, figures, brief and technical report, each file whole or not at all."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from concurrent.futures import Executor
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from econmodel.errors import AnalysisError
from econmodel.files import write_bytes, write_text
from econmodel.model.structure import Structure, build_course_structure, build_structure
from econmodel.package import stamp
from econmodel.parameters.schema import PROCESS
from econmodel.reporting.charts.figures import case_figures, save_all
from econmodel.reporting.charts.programme import programme_figures
from econmodel.reporting.charts.results import trace_rows
from econmodel.reporting.papers.brief import brief_paper
from econmodel.reporting.papers.content import Paper
from econmodel.reporting.papers.render_html import render_html
from econmodel.reporting.tables.findings import Findings, write_results

if TYPE_CHECKING:
    from econmodel.economics.evaluate import Evaluation
    from econmodel.economics.results import Results
    from econmodel.parameters.loading import Case
    from econmodel.programme.report import ProgrammeResult
    from econmodel.uncertainty.risk import Risk

FORMATS = ("html", "pdf", "docx")
PAPERS = ("brief", "board", "report")
ORDER = (".pdf", ".html", ".xlsx", ".docx")
Rendering = Callable[[], Path]


def build_reports(
    case: Case,
    evaluation: Evaluation,
    results: Results,
    folder: Path,
    *,
    psa: Risk | None = None,
    programme: ProgrammeResult | None = None,
    findings: Findings | None = None,
    papers: Collection[str] = ("brief",),
    formats: Collection[str] = ("html",),
    more: Sequence[Rendering] = (),
    beside: Executor | None = None,
) -> list[Path]:
    """Write the reports of a case: results always, figures and papers as chosen.

    Parameters
    ----------
    case, evaluation, results
        The case, its evaluation, and the results made from both.
    folder
        Where the files go; made when missing.
    psa, programme
        Short for ``findings`` with these two alone.
    findings
        Results of the other analyses; what is None is left out.
    papers
        ``brief``, ``board`` (a DOCX, of a case with a programme) and ``report`` (the technical report); without any there are no
        figures either.
    formats
        ``html``, ``pdf`` and ``docx``.
    more
        Further files to write once the figures are drawn.
    beside
        Another process, which draws the figures and takes its share of papers; None does all of them here.

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
    structure = case_structure(results)
    written = write_results(case, results, found, folder)
    if not papers:
        return written
    drawn = case_figures(results, structure)
    drawn |= programme_figures(found.programme, results.settings.currency, case.title) if found.programme else {}
    renderings: list[Rendering] = []
    if "brief" in papers:
        renderings += _brief(case, results, found, folder, formats)
    if "board" in papers and found.programme:
        from econmodel.reporting.papers.board import board_paper

        renderings.append(partial(write_paper, board_paper(case, results, found.programme, found), folder / "board_paper.docx"))
    if "report" in papers:
        from econmodel.reporting.charts.uncertainty import report_figures
        from econmodel.reporting.papers.report import report_paper

        drawn |= report_figures(results, trace_rows(evaluation), found)
        paper = report_paper(case, evaluation, results, structure, found)
        renderings += _renderings("technical_report", paper, paper, folder, formats)
    written += save_all(drawn, folder / "figures", beside)
    return written + share(sorted([*renderings, *more], key=_place), beside)


def _place(piece: Rendering) -> int:
    """Where a piece of work stands in the line: each process begins at its end, and so loads few libraries of the other."""
    path = piece.args[-1] if isinstance(piece, partial) else None
    return ORDER.index(path.suffix) if isinstance(path, Path) and path.suffix in ORDER else len(ORDER)


def case_structure(results: Results) -> Structure:
    """Structure of the case as its settings make it, split states told once."""
    basis = results.inputs["effect_basis"]
    return build_course_structure() if basis == PROCESS else build_structure()


def _check_choices(chosen: Collection[str], known: Collection[str], noun: str) -> None:
    for name in chosen:
        if name not in known:
            what = f"{noun} {name!r}: must be one of {', '.join(known)}"
            raise AnalysisError(what, fix=f"choose {' or '.join(known)}")


def _brief(case: Case, results: Results, findings: Findings, folder: Path, formats: Collection[str]) -> list[Rendering]:
    def paper(*, with_inputs: bool) -> Paper:
        found = findings
        return brief_paper(
            case,
            results,
            programme=found.programme,
            psa=found.psa,
            within_route=found.within_route,
            flips=found.flips,
            fetch=found.fetch,
            with_inputs=with_inputs,
        )

    screen = paper(with_inputs=True)
    on_paper = paper(with_inputs=False) if set(formats) - {"html"} else screen
    return _renderings("brief", screen, on_paper, folder, formats)


def _renderings(name: str, screen: Paper, on_paper: Paper, folder: Path, formats: Collection[str]) -> list[Rendering]:
    """One piece of work per format; each can be sent to another process."""
    return [
        partial(write_paper, screen if form == "html" else on_paper, folder / f"{name}.{form}") for form in FORMATS if form in formats
    ]


def write_paper(paper: Paper, path: Path) -> Path:
    """Render a paper in the format its file name ends in, with the figures of the folder beside it.

    HTML is kept from run to run, so commit and time stand in PDF and DOCX alone.
    """
    figures = path.parent / "figures"
    stamped = replace(paper, footer=f"{paper.footer} · {stamp()}")
    match path.suffix:
        case ".html":
            return write_text(path, render_html(paper, figures))
        case ".pdf":
            from econmodel.reporting.papers.render_pdf import render_pdf

            return write_bytes(path, render_pdf(stamped, figures))
        case _:
            from econmodel.reporting.papers.render_docx import render_docx

            return write_bytes(path, render_docx(stamped, figures))


Result = TypeVar("Result")


def share(pieces: Sequence[Callable[[], Result]], beside: Executor | None = None) -> list[Result]:
    """Do pieces of work, in two processes if there is another one; results in the order of the pieces.

    This process starts at the front and the other at the back, so that neither waits for the other until they meet.

    Parameters
    ----------
    pieces
        Independent of each other, and picklable where there is another process.
    beside
        The other process, free or soon to be.

    Examples
    --------
    >>> share([lambda: 1, lambda: 2])
    [1, 2]
    """
    if beside is None:
        return [piece() for piece in pieces]
    sent = [beside.submit(piece) for piece in reversed(pieces)]
    return [piece() if task.cancel() else task.result() for piece, task in zip(pieces, reversed(sent), strict=True)]
