"""``econmodel surveillance``: follow-up protocols compared on cost and bleeds."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import click

from econmodel.interfaces.common import check_output, common, console, load, write_json


@click.command()
@common("file")
@click.option("--strategy", metavar="KEY", help="Who is followed up; default the lead.")
@click.option("--protocol", "protocols", multiple=True, metavar="KEY", help="Protocol beside none; repeatable. Default all.")
@common("override", "set", "draws", "json", "seed", "quiet")
def surveillance(
    file: Path | None,
    overrides: Sequence[Path],
    sets: Sequence[str],
    *,
    strategy: str | None,
    protocols: Sequence[str],
    draws: int | None,
    seed: int | None,
    json: str | None,
    quiet: bool,
) -> None:
    """Compare follow-up protocols on cost and bleeds."""
    from econmodel.reporting.tables.surveillance import surveillance_lines
    from econmodel.uncertainty.surveillance import compare_protocols

    case = load(file, overrides, sets, seed=seed, quiet=quiet)
    check_output(None, None, json, reads=(file, *overrides))
    found = compare_protocols(case.parameters, strategy, protocols, draws=draws or 0)
    if json:
        write_json(found.to_json() | {"case": case.name}, json)
    if json != "-":
        screen = console(quiet=quiet)
        for part in surveillance_lines(case, found):
            screen.print(part)
