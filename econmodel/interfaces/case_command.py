"""``econmodel case``: the main job, from a hospital file to results, figures and papers."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager, nullcontext
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from econmodel.errors import EconModelError
from econmodel.interfaces.common import check_output, console, load, sheet_path, staged, write_json
from econmodel.interfaces.options import FORMATS, PAPERS

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from econmodel.economics.evaluate import Evaluation
    from econmodel.parameters.loading import Case
    from econmodel.reporting.findings import Findings

SHEETS = ("workbook", "form")


def run_case(
    file: Path | None,
    overrides: Sequence[Path],
    sets: Sequence[str],
    *,
    draws: int | None,
    papers: Sequence[str],
    formats: Sequence[str],
    out: Path | None,
    json: str | None,
    seed: int | None,
    quiet: bool,
) -> None:
    """Evaluate a case, print the headline table, and write its results and the papers wanted."""
    from econmodel.reporting.terminal import headline_table

    case = load(file, overrides, sets, seed=seed, draws=draws, quiet=quiet)
    folder = check_output(out, Path("reports") / case.name, json, reads=(file, *overrides))
    screen = console(quiet=quiet or json == "-")
    wanted, left_out = ((), "") if folder is None else choose_papers(case, papers, folder)
    files = staged(folder, quiet=quiet) if folder else nullcontext()
    with files as stage, second_process(needed=bool(set(wanted) - {"brief"})) as beside:
        tables = beside.submit(report_tables, case) if beside and "report" in wanted else None
        evaluation, document, found = evaluate_case(case)
        sheets = [beside.submit(_write_sheet, kind, case, stage) for kind in SHEETS if kind in wanted] if beside and stage else []
        found, document = vary_inputs(case, found, document, quiet=quiet or folder is None)
        if json:
            write_json(document, json)
        if stage is None:
            return
        screen.print(headline_table(case, document, screen.width))
        if tables:
            found = replace(found, **tables.result())
        written = _write(case, evaluation, document, found, stage, wanted, formats or FORMATS, beside)
        written += [sheet.result() for sheet in sheets]
    screen.print(f"{len(written)} files in {folder}{left_out}", markup=False, highlight=False)


def choose_papers(case: Case, asked: Sequence[str], folder: Path) -> tuple[tuple[str, ...], str]:
    """Papers to write: those asked for, else all with draws and none without; and what is left out of all, and why.

    Raises
    ------
    EconModelError
        The workbook is asked for and cannot hold the structure of the case, or the form would replace one with answers.
    """
    wanted = tuple(asked) or (PAPERS if case.parameters.number("draws") else ())
    left_out = ""
    for kind, check, words in (("workbook", _workbook_scope, "without the live workbook"), ("form", _no_answers, "the form stays")):
        if kind not in wanted:
            continue
        try:
            check(case, folder)
        except EconModelError as fault:
            if asked:
                raise
            wanted = tuple(name for name in wanted if name != kind)
            left_out += f"; {words}: {fault.what}"
    return wanted, left_out


def _workbook_scope(case: Case, _: Path) -> None:
    from econmodel.reporting.workbook.scope import check_scope

    check_scope(case)


def _no_answers(case: Case, folder: Path) -> None:
    from econmodel.parameters.form_reading import check_unanswered

    check_unanswered(sheet_path(case, "form", folder))


def evaluate_case(case: Case) -> tuple[Evaluation, dict[str, Any], Findings]:
    """Run what can find a fault in the inputs: the deterministic results, and the programme."""
    from econmodel.economics.evaluate import evaluate
    from econmodel.economics.results import result_document
    from econmodel.programme.case import evaluate_programme
    from econmodel.reporting.findings import Findings

    draws, seed = (int(case.parameters.number(name)) for name in ("draws", "seed"))
    evaluation = evaluate(case.parameters)
    document = result_document(case, evaluation, draws=draws)
    programme = evaluate_programme(case.parameters, draws=draws, seed=seed)
    return evaluation, document | {"programme": programme.to_json()}, Findings(programme=programme)


def vary_inputs(case: Case, found: Findings, document: dict[str, Any], *, quiet: bool) -> tuple[Findings, dict[str, Any]]:
    """Add the analysis of all inputs together, unless there are no draws."""
    if not case.parameters.number("draws"):
        return found, document
    from econmodel.interfaces.progress import run_with_progress

    psa = run_with_progress(case.parameters, quiet=quiet).to_dict()
    return replace(found, psa=psa), document | {"uncertainty": psa}


def report_tables(case: Case) -> dict[str, Any]:
    """What the technical report sets beside the results: inputs one at a time, scenarios, published results."""
    from econmodel.economics.validation import run_checks
    from econmodel.reporting.findings import analysis_block
    from econmodel.uncertainty.deterministic import one_way
    from econmodel.uncertainty.questions import ask, lead_pair
    from econmodel.uncertainty.scenarios import scenario_table

    question = ask(case.parameters, *lead_pair(case.parameters))
    return {
        "one_way": analysis_block(question, one_way(question)),
        "scenarios": analysis_block(question, scenario_table(question)),
        "checks": run_checks(),
    }


def _write(
    case: Case,
    evaluation: Evaluation,
    document: dict[str, Any],
    found: Findings,
    folder: Path,
    wanted: Sequence[str],
    formats: Sequence[str],
    beside: Executor | None,
) -> list[Path]:
    papers = [name for name in wanted if name not in SHEETS]
    if not papers:
        from econmodel.reporting.results import write_results

        return write_results(case, document, folder)
    from econmodel.reporting.brief import build_reports

    return build_reports(case, evaluation, document, folder, findings=found, papers=papers, formats=formats, beside=beside)


@contextmanager
def second_process(*, needed: bool) -> Iterator[Executor | None]:
    """A second process for what needs only the case, so that both cores of a small machine work; None if not needed."""
    if not needed:
        yield None
        return
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import get_context

    with ProcessPoolExecutor(1, mp_context=get_context("spawn"), initializer=_end_with_parent) as pool:
        try:
            yield pool
        except BaseException:
            pool.shutdown(cancel_futures=True)
            raise


def _end_with_parent() -> None:
    """In the second process: end when the first one does, however it does."""
    import os
    from multiprocessing import parent_process
    from multiprocessing.connection import wait
    from threading import Thread

    parent = parent_process()
    if parent:
        Thread(target=lambda: (wait([parent.sentinel]), os._exit(1)), daemon=True).start()


def _write_sheet(kind: str, case: Case, folder: Path) -> Path:
    """Write the workbook or the form of a case; runs in the second process."""
    if kind == "form":
        from econmodel.reporting.form import build_form

        return build_form(case, sheet_path(case, "form", folder))
    from econmodel.economics.evaluate import evaluate
    from econmodel.reporting.workbook import build_workbook

    return build_workbook(case, evaluate(case.parameters), sheet_path(case, "workbook", folder))
