"""Build the live workbook: the deterministic model as an XLSX file whose every figure is worked out in the file."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from econmodel.economics.evaluate import Evaluation
from econmodel.economics.lead import find_subjects
from econmodel.errors import AnalysisError
from econmodel.files import check_file
from econmodel.parameters.loading import Case
from econmodel.parameters.schema import WATCH
from econmodel.reporting.workbook import checks, comparisons, hazards, inputs, outcomes, patients, summary, totals
from econmodel.reporting.workbook.book import Book, plan_layout
from econmodel.reporting.workbook.pages import new_workbook
from econmodel.reporting.workbook.styles import Styles
from econmodel.reporting.workbook.years import Cohort, write_cohort
from econmodel.wording import nearest

ORDER = (
    "Summary",
    "Inputs",
    "Patients",
    "Strategies",
    "Outcomes",
    "Comparisons",
    "Frontier",
    "Groups",
    "Year_table",
    "Checks",
    "Solved",
    "Prices",
    "Hazards",
    "Months",
    "Life_tables",
    "Totals",
    "Engine_values",
    "Sources",
)


def build_workbook(case: Case, evaluation: Evaluation, path: Path, strategies: Sequence[str] = ()) -> Path:
    """Write the live workbook of a case.

    Parameters
    ----------
    case
        What was evaluated; its inputs become named cells.
    evaluation
        Its deterministic results, by year and group, kept in the file as plain numbers to check against.
    path
        The file to write, whole or not at all.
    strategies
        Keys of strategies beside the lead, usual care, no prophylaxis and the comparator.

    Returns
    -------
    Path
        ``path``.

    Raises
    ------
    AnalysisError
        A strategy is not in the case, there are more groups or strategies than a formula can hold, or the file cannot be
        written.
    """
    check_file(path)
    layout = plan_layout(case, evaluation, chosen_strategies(case, evaluation, strategies))
    workbook = new_workbook("Live workbook of the deterministic model")
    book = Book(case=case, evaluation=evaluation, layout=layout, workbook=workbook, styles=Styles(workbook["styles"]))
    book.add_sheet(summary.NAME, tab="14506B")
    _write_results(book, _write_model(book))
    return book.save(path, ORDER)


def chosen_strategies(case: Case, evaluation: Evaluation, more: Sequence[str] = ()) -> list[str]:
    """Keys of the strategies a workbook holds: the lead, usual care, no prophylaxis, the comparator, and those asked for.

    Raises
    ------
    AnalysisError
        A strategy asked for is not in the case.
    """
    known, subjects = case.parameters.strategies, find_subjects(case.parameters, evaluation)
    for key in more:
        if key not in known:
            what = f"strategy {key!r}: must be one of {', '.join(known)}"
            raise AnalysisError(what, where="--strategy", fix=nearest(key, known, "choose one of them"))
    wanted = {subjects.lead, subjects.usual_care, WATCH, case.parameters.text("comparator"), *more}
    return [key for key in known if key in wanted]


def _write_model(book: Book) -> list[Cohort]:
    inputs.build_inputs(book)
    patients.build_patients(book)
    patients.build_solved(book)
    patients.finish_patients(book)
    hazards.build_life_tables(book)
    hazards.build_hazards(book)
    hazards.build_strategies(book)
    hazards.build_months(book)
    totals.build_prices(book)
    cohorts = [write_cohort(book, plan) for plan in book.plans]
    totals.finish_prices(book)
    return cohorts


def _write_results(book: Book, cohorts: list[Cohort]) -> None:
    totals.build_totals(book)
    outcomes.build_outcomes(book)
    comparisons.build_comparisons(book)
    comparisons.build_frontier(book)
    outcomes.build_groups(book)
    outcomes.build_year_table(book)
    checks.build_engine_values(book)
    checks.build_checks(book, cohorts)
    inputs.build_sources(book)
    summary.build_summary(book)
    inputs.mark_used(book)
