"""``econmodel form``: write the data-collection form, or show what a filled one would change."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from econmodel.interfaces.common import console, load, print_differences, write_json
from econmodel.workflow import sheet_path


def run_form(file: Path | None, overrides: Sequence[Path], sets: Sequence[str], *, out: Path | None, quiet: bool = False) -> Path:
    """Write ``<case>_form.xlsx``; give its path."""
    from econmodel.parameters.form_reading import check_unanswered
    from econmodel.reporting.form import build_form

    case = load(file, overrides, sets, quiet=quiet)
    path = sheet_path(case, "form", out)
    check_unanswered(path)
    build_form(case, path)
    console(quiet=quiet).print(f"Wrote {path}", markup=False, highlight=False)
    return path


def show_filled(
    filled: Path,
    file: Path | None,
    overrides: Sequence[Path] = (),
    sets: Sequence[str] = (),
    *,
    json: str | None = None,
    quiet: bool = False,
) -> list[dict[str, Any]]:
    """Show the differences a filled form makes to a case, without applying it; give them as rows."""
    from econmodel.parameters.form_reading import read_form
    from econmodel.parameters.loading import demo_file, load_case

    form = read_form(filled)
    load(file, (*overrides, filled), sets, quiet=True)
    rows = form.rows(load_case(file or demo_file(), overrides, sets).parameters)
    if json:
        write_json(rows, json)
    else:
        print_differences(rows, len(form.not_known), console(quiet=quiet))
    return rows
