"""Page 6, Surveillance: how often the treated are looked at, with what, and what that averts and costs.

The schedule is the strategy's own: moving it changes the case, so that every page, the saved file and the address follow.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from econmodel.errors import EconModelError
from econmodel.interfaces.dashboard import blocks, controls, pictures
from econmodel.interfaces.dashboard.state import answers, session
from econmodel.interfaces.dashboard.state.answers import Answer
from econmodel.interfaces.dashboard.state.case_file import follow
from econmodel.parameters.catalogue import LABELS, VISIT_KINDS
from econmodel.parameters.schema import Surveillance
from econmodel.reporting.charts.surveillance import surveillance_charts, surveillance_figures
from econmodel.reporting.tables.surveillance import protocol_numbers, protocol_tables
from econmodel.uncertainty.surveillance import Plans, treated
from econmodel.uncertainty.surveillance_worth import INTERVALS, OPEN_VARIX, price_name

if TYPE_CHECKING:
    from econmodel.uncertainty.surveillance import Protocols

FIRST_MONTHS = ((), (3,), (3, 12), (3, 6, 12))
LAST_YEARS = (0, 2, 3, 5, 10)


def show(found: Answer) -> None:
    """Show the page."""
    options = treated(found.case.parameters)
    if not options:
        blocks.note("No option of this case treats a varix that a visit could find open, so there is nothing to look at.")
        return
    names = found.results.labels
    lead = options.index(found.results.lead) if found.results.lead in options else 0
    left, right = st.columns((3, 1), vertical_alignment="bottom")
    strategy = left.selectbox("Option followed up", options, lead, format_func=names.__getitem__, key="surveillance_of")
    right.button("Undo this schedule", on_click=_back, args=(strategy,), width="stretch")
    try:
        _compared(found, strategy)
    except EconModelError as fault:
        session.refuse(fault)
        blocks.alert(session.take_refusal())


def _compared(found: Answer, strategy: str) -> None:
    plans, followed = answers.followed_up((found.key, strategy), found)
    blocks.numbers(protocol_numbers(followed), "surveillance")
    left, right = st.columns((1, 2), gap="large")
    with left:
        _schedule(strategy, found.case.parameters.strategies[strategy].surveillance)
    with right:
        _picture(found, followed, strategy)
    _known_least(found, plans)
    soon, late = protocol_tables(followed)
    blocks.sections(
        "surveillance_part",
        {
            "Cost and bleeds by schedule": lambda: blocks.table(soon),
            "Value and harms over the time horizon": lambda: blocks.table(late),
        },
    )
    _worth(found, plans, followed)


def _schedule(strategy: str, plan: Surveillance) -> None:
    """Move the schedule: first visits, months between later ones, examination, and its end."""
    st.session_state.update({f"plan_{name}": value for name, value in vars(plan).items()})
    intervals, firsts = sorted({0, *INTERVALS, plan.interval}), sorted({*FIRST_MONTHS, plan.months})
    lasts, who = sorted({*LAST_YEARS, plan.until_year}), (strategy,)
    st.select_slider(
        "Months between later examinations", intervals, key="plan_interval", format_func=_every, on_change=_moved, args=who
    )
    st.selectbox("First examinations", firsts, key="plan_months", format_func=_at, on_change=_moved, args=who)
    st.selectbox("Examination", VISIT_KINDS, key="plan_visit", format_func=LABELS.__getitem__, on_change=_moved, args=who)
    st.selectbox("Examined until", lasts, key="plan_until_year", format_func=_until, on_change=_moved, args=who)


def _back(strategy: str) -> None:
    session.reset(strategy, "strategy")


def _every(months: int) -> str:
    return str(months) if months else "none"


def _at(months: tuple[int, ...]) -> str:
    return f"months {', '.join(map(str, months))}" if months else "none before the later ones"


def _until(year: int) -> str:
    return f"year {year}" if year else "no end"


def _moved(strategy: str) -> None:
    visit, interval, until_year, months = (st.session_state[f"plan_{name}"] for name in ("visit", "interval", "until_year", "months"))
    session.merge({"strategy": {strategy: follow(visit, interval, until_year, *months)}})


def _known_least(found: Answer, plans: Plans) -> None:
    """Slide what surveillance rests on: attendance, recurrence, an open varix, and the price of an examination."""
    row = plans.parameters.strategies[plans.asked]
    blocks.note("What it rests on, none of it well known:")
    names = dict.fromkeys((row.r_lost, row.r_recurrence, OPEN_VARIX, price_name(plans, plans.asked)))
    for column, name in zip(st.columns(len(names)), names, strict=True):
        with column:
            controls.slider(found.case.parameters, name, "surveillance")


def _picture(found: Answer, followed: Protocols, strategy: str) -> None:
    chart, spec = surveillance_charts(followed)["surveillance"], surveillance_figures(followed)["surveillance"]
    pictures.show(pictures.draw((found.key, strategy, "surveillance"), spec), chart.caption, chart.alt)


def _worth(found: Answer, plans: Plans, followed: Protocols) -> None:
    """Show up to which price and recurrence it is worth it, and the maps, once asked."""
    if plans.parameters.threshold is None or not st.toggle(
        "Up to which price and recurrence is it worth it?", key="surveillance_worth"
    ):
        return
    worth = answers.worth_of((found.key, plans.strategy), plans, followed)
    if worth is None:
        return
    blocks.points(worth.sentences)
    charts, specs = surveillance_charts(followed, worth), surveillance_figures(followed, worth)
    for name in ("surveillance_recurrence", "surveillance_interval"):
        pictures.show(pictures.draw((found.key, plans.strategy, name), specs[name]), charts[name].caption, charts[name].alt)
