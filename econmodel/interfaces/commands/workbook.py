"""``econmodel workbook``: the live spreadsheet of the deterministic model."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import click

from econmodel.interfaces.common import common, console, load, staged
from econmodel.workflow import sheet_path


@click.command()
@common("file")
@click.option("--strategy", "strategies", multiple=True, metavar="KEY", help="Strategy beside lead, usual care, none; repeatable.")
@common("override", "set", "out", "quiet")
def workbook(
    file: Path | None, overrides: Sequence[Path], sets: Sequence[str], *, strategies: Sequence[str], out: Path | None, quiet: bool
) -> None:
    """Write the model as a spreadsheet with live formulas."""
    from econmodel.economics.evaluate import evaluate
    from econmodel.reporting.workbook import build_workbook

    case = load(file, overrides, sets, quiet=quiet)
    path = sheet_path(case, "workbook", out)
    with staged(path.parent, quiet=quiet, adds=True) as stage:
        build_workbook(case, evaluate(case.parameters), stage / path.name, strategies)
    console(quiet=quiet).print(f"Wrote {path}", markup=False, highlight=False)
