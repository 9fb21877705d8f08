"""Begin with a country and what is known: the first answer, ten numbers to fetch, and a file, as ``econmodel new`` gives them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import streamlit as st

from econmodel.errors import EconModelError
from econmodel.interfaces import start
from econmodel.interfaces.dashboard import blocks
from econmodel.interfaces.dashboard.state import session
from econmodel.interfaces.dashboard.state.case_file import MemoryFile
from econmodel.numbers import read_number
from econmodel.parameters.countries import PAID_AT_MARGIN, conventions, table_rows
from econmodel.parameters.loading import load_base_case
from econmodel.parameters.schema import NO_THRESHOLD, THRESHOLD

NAME = "my_hospital"


def show_begin() -> None:
    """Show the block, closed until asked for: nothing of it changes the case on the page."""
    with st.expander("Begin with my own numbers, in any country"):
        known = {code: row["country"] for code, row in table_rows("ppp.csv").items()}
        code = st.selectbox(
            "Country", sorted(known, key=known.__getitem__), format_func=known.__getitem__, index=None, key="begin_country"
        )
        if not code:
            return
        st.selectbox("How an admission is paid", list(PAID_AT_MARGIN), format_func=lambda way: way.replace("_", " "), key="begin_paid")
        style = str(conventions(code)["number_style"])
        typed = {}
        with st.form("begin", border=False):
            for row in start.wanted(load_base_case(code), code)[: start.FIRST]:
                typed[row.input.name] = st.text_input(row.words, placeholder=row.ours, key=f"begin_{code}_{row.input.name}")
            unvalued = st.checkbox("There is no threshold for a QALY here", key="begin_no_threshold")
            asked = st.form_submit_button("First answer")
        if asked:
            _answer(code, typed, style, {THRESHOLD: NO_THRESHOLD} if unvalued else {})


def _answer(code: str, typed: dict[str, str], style: str, also: dict[str, str]) -> None:
    try:
        values = also | {name: read_number(text, style) for name, text in typed.items() if text.strip()}
        answers: dict[str, Any] = {"country": code, "payment_basis": st.session_state.begin_paid, "values": values}
        case, text = start.case_of(answers, NAME, Path())
        blocks.points(start.first_answer(case))
        blocks.text("Fetch first:")
        blocks.points(start.fetch_lines(case, code))
    except EconModelError as fault:
        blocks.alert(str(fault).splitlines()[0])
        return
    left, right = st.columns(2)
    left.button("Go on with this case here", type="primary", on_click=_go_on, args=(text,))
    right.download_button(f"Save {NAME}.toml", text, f"{NAME}.toml", "application/toml", on_click="ignore")


def _go_on(text: str) -> None:
    session.load(MemoryFile(f"{NAME}.toml", text.encode()))
