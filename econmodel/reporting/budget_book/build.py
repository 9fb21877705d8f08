"""Build the budget workbook: what is chosen, then inputs, activity, money, years, and what is read first."""

from __future__ import annotations

from pathlib import Path

from econmodel.errors import AnalysisError
from econmodel.files import check_file
from econmodel.parameters.loading import Case
from econmodel.programme.report import ProgrammeResult
from econmodel.reporting.budget_book import (
    activity,
    budget,
    capital,
    choices,
    ending,
    financing,
    front,
    funnel,
    inputs,
    months,
    prices,
)
from econmodel.reporting.budget_book.book import MONTHS, BudgetBook, Labelled
from econmodel.reporting.budget_book.plan import check_held, plan_budget
from econmodel.reporting.workbook.pages import new_workbook
from econmodel.reporting.workbook.styles import Styles

ACCENT, YELLOW, GREEN, RED = "14506B", "E0B400", "0B8659", "9B2226"
DIGITS = 13
SHEETS = {
    front.READ_ME: ACCENT,
    front.DECISION: ACCENT,
    inputs.NAME: YELLOW,
    funnel.FUNNEL: "",
    activity.PROFILES: "",
    activity.RATES: "",
    prices.PAYERS: YELLOW,
    prices.LEVELS: "",
    capital.CAPITAL: YELLOW,
    budget.BUDGET: GREEN,
    choices.OPTIONS: GREEN,
    choices.DOWNSIDE: GREEN,
    front.CHARTS: GREEN,
    front.CHECKS: RED,
    activity.ACTIVITY: "",
    MONTHS: "",
}


def build_budget_book(case: Case, programme: ProgrammeResult, path: Path, of_model: tuple[Labelled, ...] = ()) -> Path:
    """Write the budget workbook of a case.

    Parameters
    ----------
    case, programme
        What was evaluated, and its budget with options and downside.
    path
        The file to write, whole or not at all.
    of_model
        What the brief's first page takes from the model of one patient.

    Raises
    ------
    AnalysisError
        The budget has no options beside it, the sheets cannot hold the case, or the file cannot be written.
    """
    check_file(path)
    check_held(case.parameters)
    if programme.options is None:
        what = "the budget workbook needs the options of a case"
        raise AnalysisError(what, fix="evaluate the programme of a whole case")
    workbook = new_workbook("Budget of the programme")
    plan = plan_budget(case.parameters, programme)
    styles, rows = Styles(workbook["styles"]), programme.options.rows
    book = BudgetBook(case=case, workbook=workbook, styles=styles, plan=plan, of_model=of_model, options=rows)
    for name, tab in SHEETS.items():
        sheet = book.add_sheet(name, tab)
        sheet.digits, sheet.compact = DIGITS, True
    _write(book)
    return book.save(path, tuple(SHEETS))


def _write(book: BudgetBook) -> None:
    choices.place_choices(book)
    front.open_decision(book)
    inputs.build_inputs(book)
    choices.build_downside(book)
    choices.build_options(book)
    activity.build_profiles(book)
    activity.build_rates(book)
    prices.build_levels(book)
    prices.build_payers(book)
    activity.build_per_start(book)
    capital.build_capital(book)
    financing.write_loans(book, book.at("fixed_rows")[1] + 3)
    funnel.build_funnel(book)
    activity.build_activity(book)
    if book.plan.inputs.closes:
        ending.write_duty(book)
    budget.open_budget(book)
    months.build_months(book)
    months.build_operating(book)
    budget.write_tax(book)
    months.build_cash(book)
    budget.write_rows(book)
    front.build_checks(book)
    front.state(book, book.sheets[budget.BUDGET], budget.last_row() + 1, 2)
    front.build_decision(book)
    front.build_charts(book)
    front.build_read_me(book)
