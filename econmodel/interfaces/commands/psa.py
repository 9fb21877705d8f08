"""``econmodel psa``: all inputs varied together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import click

from econmodel.interfaces.common import check_output, common, console, load, run_with_progress, staged, write_json


@click.command()
@common("file", "draws")
@click.option("--sobol", is_flag=True, help="Scrambled Sobol points; draws a power of two.")
@click.option("--vary", metavar="NAME,NAME", help="Only these inputs vary; all others stay at their values.")
@click.option("--strategy", metavar="KEY", help="Strategy drawn and followed; default the lead.")
@click.option("--against", metavar="KEY", help="Comparator; default usual care, then no prophylaxis.")
@common("override", "set", "structure", "out", "json", "seed", "quiet")
def psa(
    file: Path | None,
    overrides: Sequence[Path],
    sets: Sequence[str],
    *,
    draws: int | None,
    sobol: bool,
    vary: str | None,
    strategy: str | None,
    against: str | None,
    structure: Sequence[str],
    seed: int | None,
    out: Path | None,
    json: str | None,
    quiet: bool,
) -> None:
    """Vary all inputs together: how sure is the answer."""
    from econmodel.parameters.structures import vary_only
    from econmodel.reporting.papers.analyses import psa_document, save_psa
    from econmodel.reporting.tables.terminal import psa_table
    from econmodel.uncertainty.deterministic import pairs_of
    from econmodel.uncertainty.risk import risk_of
    from econmodel.workflow import answer, run_structures

    case = load(file, overrides, sets, seed=seed, draws=draws, structure=structure, quiet=quiet)
    if vary is not None:
        case = replace(case, parameters=vary_only(case.parameters, [name.strip() for name in vary.split(",")]))
    folder = check_output(out, Path("reports") / case.name / "psa", json, reads=(file, *overrides))
    pairs = pairs_of(case.parameters, strategy, against)
    psa = run_with_progress(case, sobol=sobol, quiet=quiet)
    lead = pairs[0][0]
    psa = replace(psa, comparators=tuple(dict.fromkeys((*(versus for _, versus in pairs), *psa.comparators))))
    pairs = pairs if against else tuple((lead, versus) for versus in psa.comparators if versus != lead)
    risk, structures = risk_of(psa), run_structures(case)
    document = psa_document(case, risk, structures)
    if json:
        write_json(document, json)
    if folder is None:
        return
    with staged(folder, quiet=quiet) as stage:
        save_psa(case.title, psa, risk, pairs, document, stage)
    if json != "-":
        screen = console(quiet=quiet)
        screen.print(psa_table(case, answer(case).results, psa, risk, pairs, structures))
        screen.print(f"Pictures, draws and JSON in {folder}", markup=False, highlight=False)
