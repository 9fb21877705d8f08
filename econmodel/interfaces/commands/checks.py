"""``econmodel checks``: tests of the model, and every study beside it."""

from __future__ import annotations

from pathlib import Path

import click

from econmodel.interfaces.common import check_output, common, console, staged, write_json


@click.command()
@common("out", "json", "quiet")
def checks(*, out: Path | None, json: str | None, quiet: bool) -> None:
    """Test the model, and hold it against every study."""
    from econmodel.economics.validation import run_checks
    from econmodel.reporting.tables.checks import checks_document, save_checks
    from econmodel.uncertainty.studies import shipped_results

    folder = check_output(out, None, json)
    rows, studies = run_checks(), shipped_results()
    if json:
        write_json(checks_document(rows, studies), json)
    if folder:
        with staged(folder, quiet=quiet) as stage:
            save_checks(rows, studies, stage)
    if json != "-":
        from econmodel.reporting.tables.studies import study_lines
        from econmodel.reporting.tables.terminal import checks_table

        for part in (checks_table(rows), *study_lines(studies)):
            console(quiet=quiet).print(part)
