"""``econmodel form``: write the data-collection form, or show what a filled one would change."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import click

from econmodel.errors import AnalysisError
from econmodel.interfaces.common import READ, common, console, load, print_differences, write_json
from econmodel.workflow import first_asked, sheet_path


@click.command()
@common("file")
@click.option("--draws", type=int, metavar="N", help="Draws that find what to ask first; default 1,000, 0 leaves it out.")
@click.option("--show", type=READ, metavar="FILLED", help="Show what a filled form changes.")
@common("override", "set", "out", "json", "quiet")
def form(
    file: Path | None,
    overrides: Sequence[Path],
    sets: Sequence[str],
    *,
    draws: int | None,
    show: Path | None,
    out: Path | None,
    json: str | None,
    quiet: bool,
) -> None:
    """Write the form for finance; filled, it is an override."""
    from econmodel.parameters.form_reading import check_unanswered
    from econmodel.parameters.sampling import check_draws
    from econmodel.reporting.form import build_form

    if show:
        show_filled(show, file, overrides, sets, json=json, quiet=quiet)
        return
    if json:
        what = "--json goes with --show: a blank form is a spreadsheet"
        raise AnalysisError(what, where="--json", fix="leave it out, or add --show FILLED")
    if draws:
        check_draws(draws)
    case = load(file, overrides, sets, quiet=quiet)
    path = sheet_path(case, "form", out)
    check_unanswered(path)
    build_form(case, path, first_asked(case, draws))
    console(quiet=quiet).print(f"Wrote {path}", markup=False, highlight=False)


def show_filled(
    filled: Path, file: Path | None, overrides: Sequence[Path], sets: Sequence[str], *, json: str | None, quiet: bool
) -> None:
    """Show the differences a filled form makes to a case, without applying it."""
    from econmodel.parameters.form_reading import read_form
    from econmodel.parameters.loading import demo_file, load_case

    form = read_form(filled)
    load(file, (*overrides, filled), sets, quiet=True)  # tells what is held
    rows = form.rows(load_case(file or demo_file(), overrides, sets).parameters)
    if json:
        write_json(rows, json)
    else:
        print_differences(rows, len(form.not_known), console(quiet=quiet))
