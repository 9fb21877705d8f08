"""``econmodel prices``: what a hospital's own published charges say of its payments."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

import click

from econmodel.errors import AnalysisError
from econmodel.interfaces.common import PATH, READ, common, console, number, write_json


@click.command()
@click.argument("file", type=READ)
@click.option("--payer", "named", multiple=True, metavar="NAME=CLASS", help="medicare_advantage, medicaid or commercial; repeatable.")
@click.option("--cost-to-charge", metavar="R", help="The hospital's ratio, above 0 and at most 1: charges of devices become costs.")
@click.option("--out", type=PATH, metavar="FILE", help="Override to write; default prices.toml.")
@common("json", "quiet")
def prices(file: Path, named: Sequence[str], cost_to_charge: str | None, *, out: Path | None, json: str | None, quiet: bool) -> None:
    """Read a US hospital's file of standard charges.

    CSV (tall or wide) or JSON of the public templates 2 and 3, .gz and .zip too; writes an override with its payments.
    """
    from econmodel.evidence.price_files import price_override, read_price_file
    from econmodel.files import check_file, write_text

    ratio = None if cost_to_charge is None else number(cost_to_charge)
    if ratio is not None and not 0 < ratio <= 1:
        what = f"--cost-to-charge {cost_to_charge}: must be above 0 and at most 1"
        raise AnalysisError(what, where="--cost-to-charge", fix="give cost over charge, such as 0.28")
    target = out or Path("prices.toml")
    if target.resolve() == file.resolve():
        what = f"{target} is read as an input and would be overwritten"
        raise AnalysisError(what, where=str(target), fix="write to another file with --out")
    if json != "-":
        check_file(target, "--out")
    with console(quiet=quiet or json == "-", error=True).status(f"Reading {file.name}"):
        found = read_price_file(file, dict(text.rpartition("=")[::2] for text in named))
    screen = console(quiet=quiet or json == "-")
    screen.print(f"{found.hospital}, {found.updated}: {found.shape}, template {found.version}", markup=False, highlight=False)
    screen.print(", ".join(f"{count:,} {what}" for what, count in found.counts.items()), markup=False, highlight=False)
    for p in found.paid:
        line = f"{p.system} {p.code} {p.payer_class}: {p.value:,.2f} ({p.plans} plans, {p.low:,.2f} to {p.high:,.2f})"
        screen.print(line, markup=False, highlight=False)
    for (chosen, group), ratio in found.ratios.items():
        screen.print(f"{chosen} over medicare_advantage, {group}: {ratio:g}", markup=False, highlight=False)
    for device in found.charged:
        costs = "no cost without --cost-to-charge" if ratio is None else f"its cost {ratio:g} of that"
        line = f"{device.words}: gross charge {device.charge:,.2f} (from {device.low:,.2f} to {device.high:,.2f}), {costs}"
        screen.print(line, markup=False, highlight=False)
    if found.unknown_payers:
        unknown = "; ".join(found.unknown_payers[:20])
        screen.print(f"Payers not known, unused until --payer 'NAME=class': {unknown}", markup=False, highlight=False)
    if json:
        document = asdict(found) | {"ratios": [[*key, ratio] for key, ratio in found.ratios.items()]}
        write_json(document, json)
    if json != "-":
        write_text(target, price_override(found, ratio))
        screen.print(f"{target} written. Next: econmodel case --override {target}", markup=False, highlight=False)
