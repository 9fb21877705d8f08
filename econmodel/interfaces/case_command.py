"""``econmodel case``: the main job, from a hospital file to results, figures and papers."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from econmodel.interfaces.common import check_folder, console, load, write_json

if TYPE_CHECKING:
    from econmodel.parameters.loading import Case


def run_case(file: Path | None, overrides: Sequence[Path], sets: Sequence[str], *, draws: int | None, out: Path | None,
             json: str | None, seed: int | None, quiet: bool) -> None:
    """Evaluate a case, write its reports and print the headline table."""
    from econmodel.economics.evaluate import evaluate
    from econmodel.economics.results import result_document

    case = load(file, overrides, sets, seed=seed, draws=draws)
    folder = check_folder(out or Path("reports") / case.name)
    evaluation = evaluate(case.parameters)
    psa, programme = uncertainty_and_programme(case, quiet=quiet or json == "-")
    document = result_document(case, evaluation, draws=int(case.parameters.number("draws")))
    document |= {"uncertainty": psa} if psa else {}
    document |= {"programme": programme} if programme else {}
    if json:
        write_json(document, json)
    if json == "-" and out is None:
        return
    from econmodel.reporting.brief import build_reports
    from econmodel.reporting.terminal import headline_table

    written = build_reports(case, evaluation, document, folder, psa=psa, programme=programme)
    if json != "-":
        screen = console(quiet=quiet)
        screen.print(headline_table(case, document, screen.width))
        screen.print(f"{len(written)} files in {folder}", markup=False, highlight=False)


def uncertainty_and_programme(case: Case, *, quiet: bool) -> tuple[dict[str, Any] | None, dict[str, Any] | None]:
    """Run all inputs together (unless 0 draws) and the programme (where its mixes name strategies of the case)."""
    from econmodel.programme.case import evaluate_programme, has_programme
    from econmodel.reporting.programme_data import programme_document

    draws, seed = int(case.parameters.number("draws")), int(case.parameters.number("seed"))
    psa = None
    if draws:
        from econmodel.interfaces.progress import run_with_progress

        psa = run_with_progress(case.parameters, quiet=quiet).to_dict()
    if not has_programme(case.parameters):
        return psa, None
    return psa, programme_document(evaluate_programme(case.parameters, draws=draws, seed=seed))
