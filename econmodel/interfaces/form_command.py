"""``econmodel form``: write the data-collection form, or show what a filled one would change."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from econmodel.interfaces.common import console, load, write_json


def run_form(file: Path | None, overrides: Sequence[Path], sets: Sequence[str], *, out: Path | None,
             quiet: bool = False) -> Path:
    """Write ``<case>_form.xlsx``; give its path."""
    from econmodel.reporting.form import build_form

    case = load(file, overrides, sets)
    path = build_form(case, (out or Path("reports") / case.name) / f"{case.name}_form.xlsx")
    console(quiet=quiet).print(f"Wrote {path}", markup=False, highlight=False)
    return path


def show_filled(filled: Path, file: Path | None, overrides: Sequence[Path] = (), sets: Sequence[str] = (), *,
                json: str | None = None, quiet: bool = False) -> list[dict[str, Any]]:
    """Show the differences a filled form makes to a case, without applying it; give them as rows."""
    from econmodel.parameters.forms import read_form

    form = read_form(filled)
    load(file, (*overrides, filled), sets)
    rows = form.rows(load(file, overrides, sets).parameters)
    if json:
        write_json(rows, json)
    else:
        print_differences(rows, len(form.not_known), quiet=quiet)
    return rows


def print_differences(rows: list[dict[str, Any]], not_known: int, *, quiet: bool = False) -> None:
    """Print one line per answer: ours, theirs, where it stands, and what to look at."""
    from rich.markup import escape
    from rich.table import Table

    screen = console(quiet=quiet)
    table = Table(box=None, pad_edge=False)
    for heading in ("input", "ours", "theirs", "unit", "cell", "look at"):
        table.add_column(heading, overflow="fold")
    for row in rows:
        cells = (row["name"], row["ours"], row["theirs"], row["unit"], f"{row['sheet']} {row['cell']}", row["warning"])
        table.add_row(*(escape(str(cell)) for cell in cells), style="bold" if row["changed"] else "")
    screen.print(table)
    changed = sum(row["changed"] for row in rows)
    screen.print(f"{len(rows)} answers, {changed} differ from the present values, {not_known} marked as not known")
