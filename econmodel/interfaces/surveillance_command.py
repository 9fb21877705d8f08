"""``econmodel surveillance``: follow-up protocols compared on cost and bleeds."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from econmodel.interfaces.common import check_output, console, load, write_json


def run_surveillance(
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
    """Compare the protocols, write JSON, and print the table, where it turns, and what it rests on."""
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
