"""``econmodel study``: the model held against studies, and inputs fitted to them."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from econmodel.interfaces.common import FileToRead, check_output, common, console, staged, write_json
from econmodel.package import is_there

DRAWS = 2_000


class StudyToRead(FileToRead):
    """A study file; a plain name is one of the model's own studies."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Path:
        """Find the file."""
        path = super().convert(value, param, ctx)
        if path.suffix or is_there(path):
            return path
        from econmodel.evidence.study_files import shipped_study

        return shipped_study(str(value))


@click.command()
@click.argument("files", type=StudyToRead(path_type=Path), nargs=-1)
@click.option("--leave-out", is_flag=True, help="Take each study out of the tables of evidence first.")
@click.option("--fit", "fit", metavar="NAME,...", help="Fit at most five inputs to the studies given.")
@common("override", "set", "draws", "out", "json", "seed", "quiet")
def study(
    files: Sequence[Path],
    overrides: Sequence[Path],
    sets: Sequence[str],
    *,
    leave_out: bool,
    fit: str | None,
    draws: int | None,
    seed: int | None,
    out: Path | None,
    json: str | None,
    quiet: bool,
) -> None:
    """Hold the model against studies, or fit inputs to them.

    Default: all of params/studies.
    """
    from econmodel.parameters.loading import load_case
    from econmodel.reporting.tables.studies import fit_lines, save_studies, studies_document, study_lines
    from econmodel.uncertainty.studies import TOLD_BY, run_studies
    from econmodel.uncertainty.study_fit import fit_override, fit_studies

    typed = [*sets, *([] if seed is None else [f"seed={seed}"])]
    parameters = load_case(None, overrides, [TOLD_BY, *typed]).parameters
    folder = check_output(out, None, json, reads=(*files, *overrides))
    fitted = fit_studies(parameters, files, fit.split(","), leave_out=leave_out) if fit is not None else None
    override = fit_override(fitted, parameters) if fitted else ""
    results = run_studies(parameters, files, draws=draws or DRAWS, leave_out=leave_out)
    if json:
        write_json(studies_document(results, fitted), json)
    if folder:
        with staged(folder, quiet=quiet) as stage:
            save_studies(results, stage, fitted, override)
    if json != "-":
        screen = console(quiet=quiet)
        for part in (*study_lines(results), *(fit_lines(fitted) if fitted else ())):
            screen.print(part)
        if override and not folder:
            screen.print(override, markup=False, highlight=False)
