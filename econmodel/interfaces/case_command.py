"""``econmodel case``: the main job, from a hospital file to results, figures and brief."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from econmodel.interfaces.common import check_folder, console, load, write_json


def run_case(file: Path | None, overrides: Sequence[Path], sets: Sequence[str], *, out: Path | None, json: str | None,
             seed: int | None, quiet: bool) -> None:
    """Evaluate a case, write its reports and print the headline table."""
    from econmodel.economics.evaluate import evaluate
    from econmodel.economics.results import result_document

    case = load(file, overrides, sets, seed=seed)
    folder = check_folder(out or Path("reports") / case.name)
    evaluation = evaluate(case.parameters)
    document = result_document(case, evaluation)
    if json:
        write_json(document, json)
    if json == "-" and out is None:
        return
    from econmodel.reporting.brief import build_reports
    from econmodel.reporting.terminal import headline_table

    written = build_reports(case, evaluation, document, folder)
    if json != "-":
        screen = console(quiet=quiet)
        screen.print(headline_table(case, document))
        screen.print(f"{len(written)} files in {folder}")
