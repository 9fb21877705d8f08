"""``econmodel checks``: tests of the model, every study beside it, and what a case holds certain that decides."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import click

from econmodel.interfaces.common import check_output, common, console, load, staged, write_json


@click.command()
@common("file", "override", "set", "out", "json", "quiet")
def checks(
    file: Path | None, overrides: Sequence[Path], sets: Sequence[str], *, out: Path | None, json: str | None, quiet: bool
) -> None:
    """Test the model, and hold it against every study.

    With a case, list what it holds certain that decides.
    """
    from econmodel.economics.validation import run_checks
    from econmodel.reporting.tables.checks import checks_document, save_checks
    from econmodel.uncertainty.studies import shipped_results
    from econmodel.workflow import find_held

    folder = check_output(out, None, json, reads=(file, *overrides))
    held = find_held(load(file, overrides, sets, quiet=quiet)) if file or overrides or sets else ()
    rows, studies = run_checks(), shipped_results()
    if json:
        write_json(checks_document(rows, studies, held), json)
    if folder:
        with staged(folder, quiet=quiet) as stage:
            save_checks(rows, studies, held, stage)
    if json != "-":
        from econmodel.reporting.tables.studies import study_lines
        from econmodel.reporting.tables.terminal import checks_table, held_lines

        for part in (checks_table(rows), *study_lines(studies), *held_lines(held)):
            console(quiet=quiet).print(part)
