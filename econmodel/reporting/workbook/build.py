"""Build the live workbook: the deterministic model as an XLSX file whose every figure is worked out in the file."""

from __future__ import annotations

from pathlib import Path

from econmodel.economics.evaluate import Evaluation
from econmodel.files import check_file
from econmodel.parameters.loading import Case
from econmodel.reporting.workbook import (
    checks_sheet,
    comparisons_sheet,
    frontier_sheet,
    hazards_sheet,
    inputs_sheet,
    months_sheet,
    outcomes_sheet,
    patients_sheet,
    prices_sheet,
    solved_sheet,
    sources_sheet,
    strategies_sheet,
    summary_sheet,
    totals_sheet,
    trace_sheet,
    year_table_sheet,
    years_sheet,
)
from econmodel.reporting.workbook.book import Book
from econmodel.reporting.workbook.layout import plan_layout
from econmodel.reporting.workbook.scope import check_scope
from econmodel.reporting.workbook.styles import Styles
from econmodel.reporting.workbook.writer import save_workbook

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


def build_workbook(case: Case, evaluation: Evaluation, path: Path) -> Path:
    """Write the live workbook of a case.

    Parameters
    ----------
    case
        What was evaluated; its inputs become named cells.
    evaluation
        Its deterministic results, by year and group, kept in the file as plain numbers to check against.
    path
        The file to write, whole or not at all.

    Returns
    -------
    Path
        ``path``.

    Raises
    ------
    AnalysisError
        The case's structure is not the base structure, or the file cannot be written.
    """
    from openpyxl import Workbook

    check_scope(case)
    check_file(path)
    workbook = Workbook()
    workbook.remove(workbook.worksheets[0])
    workbook.calculation.fullCalcOnLoad = True
    workbook.properties.title, workbook.properties.creator = "Live workbook of the deterministic model", "econmodel"
    book = Book(case, evaluation, plan_layout(case, evaluation), workbook, Styles(workbook))
    book.add_sheet(summary_sheet.NAME, tab="14506B")
    _write_model(book)
    _write_results(book)
    _arrange(book)
    return save_workbook(workbook, path, book.sheets.values())


def _write_model(book: Book) -> None:
    inputs_sheet.build_inputs(book)
    patients_sheet.build_patients(book)
    solved_sheet.build_solved(book)
    patients_sheet.finish_patients(book)
    hazards_sheet.build_life_tables(book)
    hazards_sheet.build_hazards(book)
    strategies_sheet.build_strategies(book)
    months_sheet.build_months(book)
    prices_sheet.build_prices(book)
    for plan in book.layout.strategies:
        years_sheet.build_chances(book, plan)
        trace_sheet.build_trace(book, plan)
        years_sheet.build_sums(book, plan)


def _write_results(book: Book) -> None:
    totals_sheet.build_totals(book)
    prices_sheet.finish_prices(book)
    outcomes_sheet.build_outcomes(book)
    comparisons_sheet.build_comparisons(book)
    frontier_sheet.build_frontier(book)
    year_table_sheet.build_groups(book)
    year_table_sheet.build_year_table(book)
    checks_sheet.build_engine_values(book)
    checks_sheet.build_checks(book)
    sources_sheet.build_sources(book)
    summary_sheet.build_summary(book)
    inputs_sheet.mark_used(book)


def _arrange(book: Book) -> None:
    """Put results first and workings last."""
    pages = {page.title: page for page in book.workbook.worksheets}
    first = [name for name in ORDER if name in pages]
    for position, name in enumerate([*first, *(name for name in pages if name not in first)]):
        book.workbook.move_sheet(pages[name], position - book.workbook.index(pages[name]))
    book.workbook.active = 0
