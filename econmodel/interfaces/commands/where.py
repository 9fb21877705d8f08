"""``econmodel where``: from a name to its value, file and line, source and status."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from econmodel.interfaces.common import READ, common, console, load, write_json

if TYPE_CHECKING:
    from econmodel.parameters.parameter_set import ParameterSet


@click.command()
@click.argument("name", required=False)
@click.option("--file", type=READ, metavar="FILE", help="Hospital file; default the demo.")
@common("override", "set", "json")
def where(name: str | None, file: Path | None, overrides: Sequence[Path], sets: Sequence[str], *, json: str | None) -> None:
    """Show an input: place, value, source, status."""
    from econmodel.reporting.tables.provenance import derivation_row, provenance_rows, strategy_row

    parameters = load(file, overrides, sets).parameters
    if name in parameters.strategies:
        rows = [strategy_row(parameters.strategies[name])]
    else:
        wanted = None if name is None else parameters[name].name
        rows = [row for row in provenance_rows(parameters) if wanted is None or row["name"] == wanted]
        rows = rows if wanted is None else [row | derivation_row(parameters[wanted], parameters) for row in rows]
    if json:
        write_json(rows if name is None else rows[0], json)
        return
    if name is None:
        for line in listing(parameters):
            sys.stdout.write(f"{line}\n")
        return
    from rich.markup import escape
    from rich.table import Table

    table = Table(show_header=False, box=None, pad_edge=False)
    for key, text in rows[0].items():
        if text not in ("", None):
            table.add_row(f"[bold]{key.replace('_', ' ')}[/bold]", escape(str(text)))
    console().print(table)


def listing(parameters: ParameterSet) -> list[str]:
    """Give one line per input, never wrapped, so that it can be searched: name, value, unit, status, file and line."""
    from econmodel.reporting.formatting import plain

    rows = [
        (
            p.name,
            f"{len(p.table)} rows" if p.table is not None else plain(p.value),
            p.unit,
            p.status,
            f"{p.where.file}:{p.where.line}" if p.where.line else p.where.file,
        )
        for p in parameters.parameters.values()
    ]
    widths = [max(len(row[column]) for row in rows) for column in range(4)]
    return ["  ".join((*(text.ljust(width) for text, width in zip(row, widths, strict=False)), row[4])) for row in rows]
