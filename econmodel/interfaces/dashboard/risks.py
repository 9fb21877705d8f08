"""Page 5, What could go wrong: the programme's downside, one input at a time, two together, all together."""

from __future__ import annotations

import streamlit as st

from econmodel.errors import EconModelError
from econmodel.interfaces.dashboard import blocks, money, pictures, programme, session, uncertainty
from econmodel.interfaces.dashboard.answers import Answer
from econmodel.programme.report import ProgrammeResult
from econmodel.reporting import formatting as f
from econmodel.reporting.papers.content import table


def show(found: Answer) -> None:
    """Show the page."""
    st.header("If the programme goes worse than planned", anchor=False)
    try:
        _downside(found, programme.findings(found.key, found))
    except EconModelError as fault:
        session.refuse(fault)
        blocks.alert(session.take_refusal())
    uncertainty.show(found)


def _downside(found: Answer, plan: ProgrammeResult) -> None:
    currency = found.results.settings.currency
    blocks.points(plan.sentences)
    pictures.of_programme(found, plan, "programme_downside")
    rows = [
        (
            row.label,
            f.money(row.npv, currency),
            f.money_change(row.npv_change, currency),
            row.payback_text,
            f.money(row.peak_cash, currency),
            f.number(row.patients_per_year, 1),
            f.number(row.bleeds_averted, 1),
        )
        for row in plan.downside
    ]
    columns = blocks.across(
        "What happens", ("Value today (NPV)", "Change", "Pays back", "Lowest cash", "Patients a year", "Bleeds averted")
    )
    blocks.table(table("One thing worse at a time, and the three worst together", columns, rows))
    money.payment_views(found, plan)
