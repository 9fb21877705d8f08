"""``econmodel research``: what more evidence would be worth, and which study to run."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import click

from econmodel.interfaces.common import check_output, common, console, load, run_with_progress, write_json


@click.command()
@common("file", "draws")
@click.option(
    "--trial", "trials", multiple=True, metavar="KEY|FILE", help="Study of params/trials, or a file; repeatable. Default all."
)
@click.option("--size", "sizes", multiple=True, type=int, metavar="N", help="Patients an arm; repeatable. Default the study's own.")
@click.option("--strategy", metavar="KEY", help="With --against: the choice is between these two alone.")
@click.option("--against", metavar="KEY", help="The other of the two.")
@common("override", "set", "json", "seed", "quiet")
def research(
    file: Path | None,
    overrides: Sequence[Path],
    sets: Sequence[str],
    *,
    draws: int | None,
    trials: Sequence[str],
    sizes: Sequence[int],
    strategy: str | None,
    against: str | None,
    seed: int | None,
    json: str | None,
    quiet: bool,
) -> None:
    """Say what doubt costs, and what a study would be worth."""
    from econmodel.reporting.tables.research import research_lines
    from econmodel.workflow import plan_research, run_research

    case = load(file, overrides, sets, seed=seed, draws=draws, quiet=quiet)
    check_output(None, None, json, reads=(file, *overrides))
    plan = plan_research(case, trials, sizes, [key for key in (strategy, against) if key])
    found = run_research(plan, run_with_progress(case, quiet=quiet))
    if json:
        write_json(found.to_json() | {"case": case.name}, json)
    if json != "-":
        screen = console(quiet=quiet)
        for part in research_lines(case, found, by_size=bool(trials)):
            screen.print(part)
