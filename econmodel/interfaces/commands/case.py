"""``econmodel case``: the main job, from a hospital file to results, figures and papers."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path

import click

from econmodel import workflow
from econmodel.interfaces.common import check_output, common, console, load, run_with_progress, staged, write_json


@click.command()
@common("file", "draws")
@click.option(
    "--paper",
    "papers",
    multiple=True,
    type=click.Choice(workflow.PAPERS),
    metavar="NAME",
    help="brief, board (DOCX), report, workbook, budget or form; repeatable. Default all, or none with 0 draws.",
)
@click.option(
    "--as",
    "formats",
    multiple=True,
    type=click.Choice(workflow.FORMATS),
    metavar="FORMAT",
    help="Of brief and report: html, pdf or docx; repeatable. Default all.",
)
@common("override", "set", "structure", "out", "json", "seed", "quiet")
def case(
    file: Path | None,
    overrides: Sequence[Path],
    sets: Sequence[str],
    *,
    draws: int | None,
    structure: Sequence[str],
    papers: Sequence[str],
    formats: Sequence[str],
    out: Path | None,
    json: str | None,
    seed: int | None,
    quiet: bool,
) -> None:
    """Run the main job: results, figures and papers.

    FILE is a hospital file; default the fictional demo. With 0 draws: numbers alone, in a second.
    """
    from econmodel.reporting.tables.findings import result_document
    from econmodel.reporting.tables.terminal import headline_table

    case = load(file, overrides, sets, seed=seed, draws=draws, structure=structure, quiet=quiet)
    folder = check_output(out, Path("reports") / case.name, json, reads=(file, *overrides))
    screen = console(quiet=quiet or json == "-")
    wanted, left_out = ((), "") if folder is None else workflow.choose_papers(case, papers, folder)
    files = staged(folder, quiet=quiet) if folder else nullcontext()
    with files as stage, workflow.second_process(needed=bool(wanted)) as beside:
        tables = beside.submit(workflow.report_tables, case) if beside and "report" in wanted else None
        turns = {"brief", "board", "report"} & set(wanted) and not case.parameters.has_bled
        flips = beside.submit(workflow.flips_of, case) if beside and turns else None
        found, findings = workflow.evaluate_case(case)
        psa = run_with_progress(case, quiet=quiet or folder is None) if case.parameters.number("draws") else None
        findings = workflow.vary_inputs(findings, psa) if psa else findings
        if psa and tables:
            findings = replace(findings, research=workflow.research_of(case, psa))
        if json:
            write_json(result_document(found.results, findings), json)
        if stage is None:
            return
        screen.print(headline_table(case, found.results, findings, screen.width))
        if tables:
            findings = replace(findings, **tables.result())
        if flips:
            findings = replace(findings, flips=workflow.read_with_draws(flips.result(), psa))
            findings = replace(findings, fetch=workflow.to_fetch(found, psa, findings.programme)) if psa else findings
        written = workflow.write_files(found, findings, stage, papers=wanted, formats=formats or workflow.FORMATS, beside=beside)
    screen.print(f"{len(written)} files in {folder}{left_out}", markup=False, highlight=False)
