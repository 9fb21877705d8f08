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
@click.option("--against", metavar="KEY", help="Protocol they are held against; default none.")
@common("override", "set", "draws", "json", "seed", "quiet")
def surveillance(
    file: Path | None,
    overrides: Sequence[Path],
    sets: Sequence[str],
    *,
    strategy: str | None,
    protocols: Sequence[str],
    against: str | None,
    draws: int | None,
    seed: int | None,
    json: str | None,
    quiet: bool,
) -> None:
    """Compare follow-up protocols on cost and bleeds."""
    from econmodel.reporting.tables.surveillance import surveillance_lines
    from econmodel.uncertainty.surveillance import compare_protocols, lay_protocols
    from econmodel.uncertainty.surveillance_worth import weigh_protocols

    case = load(file, overrides, sets, seed=seed, draws=draws, quiet=quiet)
    check_output(None, None, json, reads=(file, *overrides))
    plans = lay_protocols(case.parameters, strategy, protocols, against)
    found = compare_protocols(plans, case.title, draws=draws or 0)
    worth = weigh_protocols(plans, found)
    if json:
        write_json(found.to_json() | (worth.to_json() if worth else {}) | {"case": case.name}, json)
    if json != "-":
        screen = console(quiet=quiet)
        for part in surveillance_lines(case, found, worth):
            screen.print(part)
