"""Shares of a table input, such as the case mix: typed one by one, tried as a whole, and never scaled in silence."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import streamlit as st

from econmodel.interfaces.dashboard import session
from econmodel.interfaces.dashboard.answers import Answer

Row = dict[str, Any]


def show(found: Answer, name: str, rows: Sequence[Row], labels: Sequence[str], button: str) -> None:
    """Show one box a row and a button.

    Parameters
    ----------
    found
        The case.
    name
        The table input.
    rows
        Its rows, those with no share included.
    labels
        What each row is called.
    button
        Words on the button.
    """
    place = f"shares_{name}_{found.key}"
    with st.form(place):
        for i, (row, label) in enumerate(zip(rows, labels, strict=True)):
            st.text_input(label, f"{row['share']:g}", key=f"{place}_{i}")
        st.form_submit_button(button, type="primary", on_click=_use, args=(name, tuple(rows), place))


def _use(name: str, rows: Sequence[Row], place: str) -> None:
    typed = [session.number_or_text(str(st.session_state[f"{place}_{i}"])) for i in range(len(rows))]
    wanted = [{**row, "share": share} for row, share in zip(rows, typed, strict=True) if share != 0]
    session.merge({"override": {name: {"table": wanted, "status": "local", "reason": session.REASON}}})


def of_strategies(found: Answer, name: str) -> list[Row]:
    """Rows of a mix of strategies: every option of the case, those without a share at 0."""
    known = {row["strategy"]: row["share"] for row in found.case.parameters.rows(name)}
    return [{"strategy": key, "share": known.get(key, 0.0)} for key in found.case.parameters.strategies]
