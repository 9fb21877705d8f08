"""Page 4, Money: cost per patient, the programme year by year, both ways of being paid, and capacity."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import streamlit as st

from econmodel.economics.evaluate import Evaluation
from econmodel.errors import EconModelError
from econmodel.interfaces.dashboard import blocks, controls, pictures
from econmodel.interfaces.dashboard.controls import VIEWS
from econmodel.interfaces.dashboard.pinned import compared_table
from econmodel.interfaces.dashboard.state import answers, session
from econmodel.interfaces.dashboard.state.answers import Answer
from econmodel.programme.capacity import SAVINGS_NOTE
from econmodel.programme.money.rows import Row
from econmodel.programme.report import ProgrammeResult
from econmodel.reporting import formatting as f
from econmodel.reporting.papers.content import KeyNumber, KeyNumbers, Table, table
from econmodel.reporting.papers.phrases import lower
from econmodel.reporting.tables.programme import options_table

VOLUME = (
    "n_endoscoped",
    "share_fundal_varices",
    "share_suitable",
    "share_accepting",
    "n_session_slots",
    "share_bed_refill",
    "c_coordinator",
    "payment_session_eus",
)
CAPACITY = {
    "bed_days_released": "Bed-days released",
    "beds_released": "Beds released",
    "intensive_care_days_released": "Intensive-care days released",
    "treatment_sessions": "Treatment sessions",
    "surveillance_examinations": "Surveillance examinations",
    "session_slots": "Endoscopy slots used",
    "step_fixed_blocks": "Extra blocks of sessions bought",
    "posts": "Whole-time posts added",
    "waiting_at_year_end": "Waiting at the year's end",
    "bleeds_while_waiting": "Bleeds while waiting",
}


def show(found: Answer) -> None:
    """Show the page."""
    blocks.sections(
        "money_part",
        {
            "The programme": lambda: _of_plan(found, _programme),
            "Options, and how it is paid": lambda: _of_plan(found, _appraisal),
            "Year by year": lambda: _of_plan(found, _years),
            "Capacity": lambda: _of_plan(found, _capacity),
            "Cost per patient": lambda: _per_patient(found),
            "Whose money is counted": lambda: _by_view(found),
        },
    )


def _of_plan(found: Answer, show_part: Callable[[Answer, ProgrammeResult], None]) -> None:
    """Show a part of the budget, or why there is none."""
    try:
        plan = answers.programme_of(found.key, found)
    except EconModelError as fault:
        session.refuse(fault)
        blocks.alert(f"The programme's budget cannot be worked out. {session.take_refusal()}")
        return
    show_part(found, plan)


def _per_patient(found: Answer) -> None:
    for column, name in zip(st.columns(2), ("cost_by_category", "cost_effectiveness_plane"), strict=True):
        with column:
            pictures.of_case(found, name)


def _by_view(found: Answer) -> None:
    for versus in found.results.comparisons:
        compared_table(found, _views, versus)


def _views(found: Answer, versus: str) -> Table:
    """Net cost against one comparator under each view on money; the cohort is not run again."""
    names, settings = found.results.labels, found.results.settings
    seen = [in_view(found.evaluation, view) for view in VIEWS]
    rows = [
        (names[key], *(f.money_change(e.compare(key, versus, e.headline).mean().incremental_cost, settings.currency) for e in seen))
        for key in found.results.comparisons[versus]
    ]
    who = f"against {lower(names[versus])}, by whose money is counted"
    return table(
        f"Net cost per patient over {f.duration(settings.headline)} {who} ({f.price_note(settings)})",
        blocks.across("Option", VIEWS.values()),
        rows,
        note="Minus is a saving. Under payments less variable cost, an averted bleed also loses its payment.",
    )


def in_view(evaluation: Evaluation, view: str) -> Evaluation:
    """Give the same run under another view on money (perspective)."""
    parameters = evaluation.parameters
    seen = replace(parameters["perspective"], value=view)
    return replace(evaluation, parameters=replace(parameters, parameters=parameters.parameters | {"perspective": seen}))


def _mixes(found: Answer) -> None:
    """Edit what the same patients get today, and what is proposed."""
    names = found.results.labels
    with st.expander("Current care and proposed care of the same patients"):
        for column, name in zip(st.columns(2, gap="large"), ("current_mix", "proposed_mix"), strict=True):
            with column:
                blocks.text(found.case.parameters[name].label)
                rows = controls.shares_of_strategies(found, name)
                controls.show_shares(found, name, rows, [names[row["strategy"]] for row in rows], "Use this mix")


def _programme(found: Answer, plan: ProgrammeResult) -> None:
    _mixes(found)
    left, right = st.columns(2, gap="large")
    for i, name in enumerate(n for n in VOLUME if n in found.case.parameters.parameters):
        with (left, right)[i % 2]:
            controls.slider(found.case.parameters, name, "money")
    _headline(found, plan)
    pictures.of_programme(found, plan, "programme_cash")


def _appraisal(found: Answer, plan: ProgrammeResult) -> None:
    compared_table(found, _options)
    compared_table(found, payment_views)
    pictures.of_programme(found, plan, "programme_bridge")


def _headline(found: Answer, plan: ProgrammeResult) -> None:
    numbers, currency = plan.headline, found.results.settings.currency
    years = plan.basis.budget_years
    blocks.numbers(
        KeyNumbers(
            (
                KeyNumber(
                    f.money_short(numbers.npv_cash, currency),
                    f"Value today of {years} years' cash",
                    f"net present value (NPV) at {f.percent(plan.basis.finance_rate, 1)} a year; "
                    f"{f.money_short(numbers.npv_with_capacity, currency)} with freed staff time counted as money",
                ),
                KeyNumber(numbers.payback_text, "Pays back", "payback of cumulative net cash"),
                KeyNumber(f.money_short(numbers.peak_cash, currency), "Lowest cash on the way", "peak cash needed"),
                KeyNumber(f.money_short(numbers.year_3_net_contribution, currency), "Net contribution in year 3", "before fixed cost"),
                KeyNumber(f.number(numbers.patients_per_year, 1), "Patients started a year", "mean over the budget"),
                KeyNumber(f.number(numbers.bleeds_averted, 1), "Bleeds averted", f"over {f.duration(years)}, first and again"),
                KeyNumber(f.number(numbers.bed_days_released), "Bed-days released", "capacity, not cash"),
                KeyNumber(f.number(numbers.beds_in_last_year, 2), "Beds in the last year", "at the stated occupancy"),
            )
        )
    )


def _years(found: Answer, plan: ProgrammeResult) -> None:
    currency, years = found.results.settings.currency, plan.years

    def say(row: Row, value: float) -> str:
        return f.number(value, 1) if row.is_count else f.money(value, currency)

    tables = (*(year.rows for year in years), plan.totals)
    rows = [(row.label, *(say(row, table[row]) for table in tables)) for row in Row if row is not Row.PRESENT_VALUE]
    columns = blocks.across("Line", (*(f"Year {year.year}" for year in years), "Total"))
    blocks.table(table(f"Year by year: proposed mix less current mix, {plan.basis.cash} money", columns, rows))


def _options(found: Answer) -> Table | None:
    plan = answers.plan_of(found)
    return next(iter(options_table(plan, short=True)), None) if plan else None


def payment_views(found: Answer) -> Table | None:
    """Lay both ways of being paid side by side."""
    if (plan := answers.plan_of(found)) is None:
        return None
    currency, views = found.results.settings.currency, list(plan.views.values())
    amounts = (
        ("Value today in cash (NPV)", [v.headline.npv_cash for v in views]),
        ("Lowest cash", [v.headline.peak_cash for v in views]),
        ("Net contribution in year 3", [v.headline.year_3_net_contribution for v in views]),
        ("Cash margin of each bleed averted", [v.bleed_margin_per_bleed for v in views]),
    )
    rows = [
        ("Pays back", *(v.headline.payback_text for v in views)),
        *((words, *(f.money(amount, currency) for amount in line)) for words, line in amounts),
    ]
    return table("How the hospital is paid changes the answer", blocks.across("", (v.label for v in views)), rows)


def _capacity(_: Answer, plan: ProgrammeResult) -> None:
    years = plan.capacity
    columns = blocks.across("Line", (f"Year {year.year}" for year in years))
    blocks.table(
        table(
            "Capacity: beds, intensive care and endoscopy slots",
            columns,
            [(words, *(f.number(getattr(year, name), 1) for year in years)) for name, words in CAPACITY.items()],
            note=SAVINGS_NOTE,
        )
    )
