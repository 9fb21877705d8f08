"""``econmodel budget``: the programme's money over its years."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import click

from econmodel.interfaces.common import check_output, common, console, load, staged, write_json

DEFAULT_DRAWS = 500


@click.command()
@common("file", "draws", "override", "set", "out", "json", "seed", "quiet")
def budget(
    file: Path | None,
    overrides: Sequence[Path],
    sets: Sequence[str],
    *,
    draws: int | None,
    seed: int | None,
    out: Path | None,
    json: str | None,
    quiet: bool,
) -> None:
    """Run the programme: cash, break-even, beds, downside.

    Writes the rows and the live budget workbook beside what it prints.
    """
    from econmodel.programme.report import evaluate_programme
    from econmodel.reporting.papers.analyses import save_programme
    from econmodel.reporting.tables.terminal import budget_tables
    from econmodel.workflow import BUDGET, no_budget_workbook, sheet_path, write_budget

    case = load(file, overrides, sets, seed=seed, quiet=quiet)
    folder = check_output(out, Path("reports") / case.name / "budget", json, reads=(file, *overrides))
    wanted = DEFAULT_DRAWS if draws is None else draws
    programme = evaluate_programme(case.parameters, draws=wanted, seed=int(case.parameters.number("seed")))
    if json:
        write_json(programme.contract(), json)
    if folder is None:
        return
    with staged(folder, quiet=quiet) as stage:
        save_programme(case.title, programme, case.parameters.text("currency"), stage)
        if not (left_out := no_budget_workbook(case)):
            write_budget(case, programme, sheet_path(case, BUDGET, stage))
    if json != "-":
        screen = console(quiet=quiet)
        for part in budget_tables(case, programme):
            screen.print(part)
        screen.print(f"Budget workbook, year table, charts and JSON in {folder}{left_out}", markup=False, highlight=False)
