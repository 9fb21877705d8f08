"""``econmodel case``: the main job, from a hospital file to results, figures and papers."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path

from econmodel.interfaces.common import check_output, console, load, staged, write_json


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
    from econmodel import workflow
    from econmodel.interfaces.progress import run_with_progress
    from econmodel.reporting.tables.findings import result_document
    from econmodel.reporting.tables.terminal import headline_table

    case = load(file, overrides, sets, seed=seed, draws=draws, quiet=quiet)
    folder = check_output(out, Path("reports") / case.name, json, reads=(file, *overrides))
    screen = console(quiet=quiet or json == "-")
    wanted, left_out = ((), "") if folder is None else workflow.choose_papers(case, papers, folder)
    files = staged(folder, quiet=quiet) if folder else nullcontext()
    with files as stage, workflow.second_process(needed=bool(set(wanted) - {"brief"})) as beside:
        tables = beside.submit(workflow.report_tables, case) if beside and "report" in wanted else None
        found, findings = workflow.evaluate_case(case)
        if case.parameters.number("draws"):
            findings = workflow.vary_inputs(findings, run_with_progress(case, quiet=quiet or folder is None))
        if json:
            write_json(result_document(found.results, findings), json)
        if stage is None:
            return
        screen.print(headline_table(case, found.results, screen.width, findings.programme))
        if tables:
            findings = replace(findings, **tables.result())
        written = workflow.write_files(found, findings, stage, papers=wanted, formats=formats or workflow.FORMATS, beside=beside)
    screen.print(f"{len(written)} files in {folder}{left_out}", markup=False, highlight=False)
