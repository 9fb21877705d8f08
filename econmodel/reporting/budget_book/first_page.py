"""The figures of the brief's first page, labelled: values from the program when the file was made."""

from __future__ import annotations

from typing import TYPE_CHECKING

from econmodel.arrays import known
from econmodel.parameters.board import ACCEPTED
from econmodel.programme.decision import LOSS_ACCEPTED
from econmodel.reporting.papers import phrases
from econmodel.reporting.papers.programme import first_year, frontier
from econmodel.reporting.tables.results import NNT_YEAR

if TYPE_CHECKING:
    from collections.abc import Iterator

    from econmodel.economics.results import Results
    from econmodel.parameters.loading import Case
    from econmodel.programme.report import ProgrammeResult
    from econmodel.reporting.budget_book.book import BudgetBook, Labelled
    from econmodel.reporting.workbook.writer import Sheet
    from econmodel.uncertainty.risk import Risk


def model_figures(case: Case, results: Results, risk: Risk | None) -> tuple[Labelled, ...]:
    """Label what the page takes from the model of one patient: each figure with its number format; None where there is none."""
    names, lead = results.labels, results.lead
    rows: list[Labelled] = [(f"First bleed within a year: {names[key]}", first_year(results, risk, key), "share") for key in names]
    for versus in results.beside:
        label = f"NNT at {NNT_YEAR} years: {names[lead]} v. {phrases.short(results, versus)}"
        found = phrases.nnt_expected(results, risk, versus, NNT_YEAR)
        rows += [
            (label, found.value if found else None, "one"),
            (f"{label}, 95% interval", phrases.nnt_interval(risk, versus, lead, NNT_YEAR), ""),
        ]
    rows += [(f"Full cost of a further QALY, lifetime: {names[row.key]}", row.icer, "money") for row in frontier(results, risk)]
    grade = case.parameters.strategies[lead].evidence_grade or "not graded"
    return (
        *rows,
        *([("Threshold: cost of a QALY", limit, "money")] if (limit := results.settings.willingness_to_pay) is not None else []),
        (f"Certainty of the evidence: {names[lead]}", grade, ""),
    )


def programme_figures(case: Case, programme: ProgrammeResult) -> Iterator[Labelled]:
    """Label what the page takes from the programme."""
    numbers, saved, volume = programme.headline, programme.savings, programme.break_even
    yield "Patients a year", numbers.patients_per_year, "one"
    yield "Bleeds averted", numbers.bleeds_averted, "two"
    yield "Deaths from bleeding averted", saved.bleeding_deaths_averted, "two"
    yield "Procedure deaths caused", saved.harms_added["deaths_procedure"], "two"
    yield "Embolisms caused", saved.harms_added["embolism"], "two"
    yield "Bleeds of glue or ulcer caused", saved.harms_added["ulcer_bleed"], "two"
    yield "Discount rate of the money", programme.basis.finance_rate, "share"
    yield "Peak cash", numbers.peak_cash, "money"
    yield "Payback, years", numbers.payback_text, ""
    yield "Patients a year that the slots allow", volume.capacity, "one"
    yield "Volumes that pay", volume.volumes, ""
    yield from _doubt(programme)
    yield from _asked(case, programme)
    yield from _paid(programme)
    yield from _drawn(programme)


def _doubt(programme: ProgrammeResult) -> Iterator[Labelled]:
    if drawn := programme.uncertainty:
        yield "Draws", drawn.draws, "whole"
        yield "Chance of a loss, inputs", drawn.probability_cash_loss, "share"
    if programme.luck:
        both = programme.luck.rows[-1].bleeds_averted
        yield "Chance of a loss, inputs and luck", programme.luck.probability_cash_loss, "share"
        yield "Bleeds averted, inputs and luck: 2.5%", both.low, "two"
        yield "Bleeds averted, inputs and luck: 97.5%", both.high, "two"


def _asked(case: Case, programme: ProgrammeResult) -> Iterator[Labelled]:
    """What the decision rests on: the chance accepted, what alone turns the cash, the programme in stages."""
    yield "Chance of a loss accepted", LOSS_ACCEPTED, "share"
    for row in programme.switching.rows if programme.switching else ():
        style = "money" if row.value >= 1000 else "two" if row.value >= 1 else "rate"
        yield f"Turns the cash, alone: {row.label}, {row.unit}", row.value, style
        yield f"now: {row.label}, {row.unit}", row.base, style
    if programme.decision and (staged := programme.decision.staged):
        yield "In stages: lowest cash of the first year", staged.outlay, "money"
        yield f"In stages: {staged.counted} at which intake stops", staged.stop_number, "whole"
        yield "In stages: chance of stopping", staged.probability_stopping, "share"
        yield "In stages: expected cash", staged.npv_staged, "money"
        yield "Going on whatever is seen: expected cash", staged.npv_full, "money"
        yield "Accepted for a bleed averted", case.parameters.board[ACCEPTED], "money"


def _paid(programme: ProgrammeResult) -> Iterator[Labelled]:
    """The same money read otherwise, and what an averted bleed does to the margin."""
    yield "Cash NPV", programme.headline.npv_cash, "money"
    yield "NPV with freed staff time counted", programme.headline.npv_with_capacity, "money"
    for view in programme.views.values():
        yield f"{view.label}: cash NPV", view.headline.npv_cash, "money"
        yield f"{view.label}: margin of a bleed averted", view.bleed_margin_per_bleed, "money"
        yield f"{view.label}: refill that makes it neutral, a bed-day", view.neutral_refill.per_refilled_day, "money"
        yield f"{view.label}: the same, were every bed refilled", view.neutral_refill.at_full_refill, "money"
        yield f"{view.label}: share of days refilled", view.refill_share, "share"
        yield f"{view.label}: contribution of a refilled bed-day", view.refill_contribution, "money"
    for place in programme.places:
        yield f"{place.name}: cash NPV", float(place.npv_cash.mean()), "money"


def _drawn(programme: ProgrammeResult) -> Iterator[Labelled]:
    """What is written into the four charts; the bars of the downside are on its own sheet."""
    if worst := programme.cumulative_cash.worst:
        yield "Cumulative cash at the end, worst three together", worst[-1], "money"
    for step in programme.reconciliation:
        yield f"From full cost to cash: {step.label}", step.change, "money"
    last = programme.bleeds[-1]
    yield "Bleeds at the end, today's mix", last.cumulative_without, "one"
    yield "Bleeds at the end, programme", last.cumulative_with, "one"


def write_first_page(book: BudgetBook, sheet: Sheet, row: int) -> None:
    """Write each figure beside its label."""
    sheet.row(row, ["The brief's first page (values from the program when the file was made)", *[""] * 6], "section")
    for label, value, style in (*programme_figures(book.case, book.plan.programme), *book.of_model):
        number = value if isinstance(value, str) else known(value)
        if number in ("", None):
            continue
        row += 1
        sheet.text(row, 1, label, "text")
        sheet.height(row, (label, 46))
        if isinstance(number, str):
            sheet.text(row, 2, number, "bold_left")
            sheet.merge(row, 2, 6)
        else:
            sheet.number(row, 2, float(number), f"plain|{style}")
