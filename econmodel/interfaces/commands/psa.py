"""``econmodel psa``: all inputs varied together."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import click

from econmodel.interfaces.common import check_output, common, console, load, run_with_progress, staged, write_json


@click.command()
@common("file", "draws")
@click.option("--sobol", is_flag=True, help="Scrambled Sobol points; draws a power of two.")
@common("override", "set", "out", "json", "seed", "quiet")
def psa(
    file: Path | None,
    overrides: Sequence[Path],
    sets: Sequence[str],
    *,
    draws: int | None,
    sobol: bool,
    seed: int | None,
    out: Path | None,
    json: str | None,
    quiet: bool,
) -> None:
    """Vary all inputs together: how sure is the answer."""
    from econmodel.reporting.papers.analyses import save_psa
    from econmodel.reporting.tables.terminal import psa_table
    from econmodel.uncertainty.risk import risk_of

    case = load(file, overrides, sets, seed=seed, draws=draws, quiet=quiet)
    folder = check_output(out, Path("reports") / case.name / "psa", json, reads=(file, *overrides))
    psa = run_with_progress(case, sobol=sobol, quiet=quiet)
    risk = risk_of(psa)
    if json:
        write_json({"case": case.name, "uncertainty": risk.to_json()}, json)
    if folder is None:
        return
    with staged(folder, quiet=quiet) as stage:
        save_psa(psa, risk, stage)
    if json != "-":
        screen = console(quiet=quiet)
        screen.print(psa_table(case, psa, risk))
        screen.print(f"Pictures, draws and JSON in {folder}", markup=False, highlight=False)
