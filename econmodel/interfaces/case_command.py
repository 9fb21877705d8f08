"""``econmodel case``: the main job, from a hospital file to results, figures and papers."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from econmodel.interfaces.common import check_folder, console, load, write_json

if TYPE_CHECKING:
    from econmodel.parameters.loading import Case
    from econmodel.reporting.findings import Findings


def run_case(file: Path | None, overrides: Sequence[Path], sets: Sequence[str], *, draws: int | None, papers: Sequence[str],
             formats: Sequence[str], out: Path | None, json: str | None, seed: int | None, quiet: bool) -> None:
    """Evaluate a case, write its reports and print the headline table."""
    from econmodel.economics.evaluate import evaluate
    from econmodel.economics.results import result_document

    case = load(file, overrides, sets, seed=seed, draws=draws)
    folder = check_folder(out or Path("reports") / case.name)
    evaluation = evaluate(case.parameters)
    only_json = json == "-" and out is None
    found = gather_findings(case, quiet=quiet or json == "-", report="report" in papers and not only_json)
    document = result_document(case, evaluation, draws=int(case.parameters.number("draws")))
    document |= {"uncertainty": found.psa} if found.psa else {}
    document |= {"programme": found.programme} if found.programme else {}
    if json:
        write_json(document, json)
    if only_json:
        return
    from econmodel.reporting.brief import build_reports
    from econmodel.reporting.terminal import headline_table

    written = build_reports(case, evaluation, document, folder, findings=found, papers=papers, formats=formats)
    if json != "-":
        screen = console(quiet=quiet)
        screen.print(headline_table(case, document, screen.width))
        screen.print(f"{len(written)} files in {folder}", markup=False, highlight=False)


def gather_findings(case: Case, *, quiet: bool, report: bool) -> Findings:
    """Run what stands beside the deterministic results.

    All inputs together (unless 0 draws), the programme (where its mixes name strategies of the case) and, for the
    technical report, one-way, scenario and validation tables.
    """
    from econmodel.programme.case import evaluate_programme, has_programme
    from econmodel.reporting.findings import Findings
    from econmodel.reporting.programme_data import programme_document

    draws, seed = int(case.parameters.number("draws")), int(case.parameters.number("seed"))
    psa = programme = None
    if draws:
        from econmodel.interfaces.progress import run_with_progress

        psa = run_with_progress(case.parameters, quiet=quiet).to_dict()
    if has_programme(case.parameters):
        programme = programme_document(evaluate_programme(case.parameters, draws=draws, seed=seed))
    if not report:
        return Findings(psa=psa, programme=programme)
    return _with_report_tables(case, psa, programme)


def _with_report_tables(case: Case, psa: dict[str, object] | None, programme: dict[str, object] | None) -> Findings:
    from econmodel.economics.validation import run_checks
    from econmodel.reporting.findings import Findings, analysis_block
    from econmodel.uncertainty.deterministic import one_way
    from econmodel.uncertainty.questions import ask, lead_pair
    from econmodel.uncertainty.scenarios import scenario_table

    question = ask(case.parameters, *lead_pair(case.parameters))
    return Findings(psa=psa, programme=programme, one_way=analysis_block(question, one_way(question)),
                    scenarios=analysis_block(question, scenario_table(question)), checks=run_checks())
