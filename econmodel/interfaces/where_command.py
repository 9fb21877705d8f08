"""``econmodel where``: from a name to its value, file and line, source and status."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from econmodel.interfaces.common import console, load, write_json


def run_where(name: str | None, file: Path | None, overrides: Sequence[Path], sets: Sequence[str], *,
              json: str | None) -> None:
    """Show one input, or list them all."""
    from econmodel.reporting.provenance import provenance_rows

    parameters = load(file, overrides, sets).parameters
    wanted = None if name is None else parameters[name].name
    rows = [row for row in provenance_rows(parameters) if wanted is None or row["name"] == wanted]
    if json:
        write_json(rows if name is None else rows[0], json)
        return
    from rich.markup import escape
    from rich.table import Table

    table = Table(show_header=name is None, box=None, pad_edge=False)
    if name is None:
        for heading in ("name", "value", "unit", "status", "where"):
            table.add_column(heading, overflow="fold")
            table.columns[-1].no_wrap = heading == "name"
        for row in rows:
            table.add_row(*(escape(str(row[key])) for key in ("name", "value", "unit", "status", "where")))
    else:
        for key, text in rows[0].items():
            if text not in ("", None):
                table.add_row(f"[bold]{key.replace('_', ' ')}[/bold]", escape(str(text)))
    console().print(table)
