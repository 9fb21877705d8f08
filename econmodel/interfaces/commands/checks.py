"""``econmodel checks``: the model against published results, predicted beside observed."""

from __future__ import annotations

from pathlib import Path

import click

from econmodel.interfaces.common import check_output, common, console, staged, write_json


@click.command()
@common("out", "json", "quiet")
def checks(*, out: Path | None, json: str | None, quiet: bool) -> None:
    """Hold the model against published results."""
    from econmodel.economics.validation import checks_document, run_checks

    folder = check_output(out, None, json)
    rows = run_checks()
    if json:
        write_json(checks_document(rows), json)
    if folder:
        from econmodel.reporting.tables.checks import save_checks

        with staged(folder, quiet=quiet) as stage:
            save_checks(rows, stage)
    if json != "-":
        from econmodel.reporting.tables.terminal import checks_table

        console(quiet=quiet).print(checks_table(rows))
