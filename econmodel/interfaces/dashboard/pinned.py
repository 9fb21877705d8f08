"""Two cases side by side: one is pinned, the other changed; the difference in tables, a grey line in charts, both saved."""

from __future__ import annotations

from collections.abc import Callable

import streamlit as st

from econmodel.interfaces.dashboard import blocks
from econmodel.interfaces.dashboard.state import answers, session
from econmodel.interfaces.dashboard.state.answers import Answer
from econmodel.programme.beside import lay_beside
from econmodel.reporting.papers.content import Table
from econmodel.reporting.tables.beside import beside_table, with_earlier
from econmodel.reporting.tables.results import NNT_YEAR


def show_pin() -> None:
    """Offer to pin the case as it stands, or to let it go and to save it."""
    if (case := st.session_state.pinned) is None:
        st.button(
            "Pin this case",
            on_click=session.pin,
            args=(True,),
            width="stretch",
            help="What you change afterwards is shown beside it: a difference in the tables, a grey line in the charts.",
        )
        return
    title = case[2] or "the case as it was"
    st.caption(f"Pinned: {title}.")
    st.download_button(
        "Save the pinned case", session.saved(title, case), "pinned.toml", "application/toml", width="stretch", on_click="ignore"
    )
    st.button("Unpin", on_click=session.pin, args=(False,), width="stretch")


def show_beside(found: Answer) -> None:
    """Show the headline numbers of both cases and their difference; nothing where none is pinned."""
    if (other := session.pinned()) is None:
        return
    if other.key == found.key:
        blocks.note(
            "This case is pinned. Change anything: the difference stands here, in the tables, and as a grey line in the charts."
        )
        return
    both = [(case.results, answers.plan_of(case)) for case in (other, found)]
    rows = lay_beside(both[0], both[1], NNT_YEAR)
    blocks.table(beside_table((other.case.title, found.case.title), rows, found.results.settings.currency))


def compared_table(found: Answer, build: Callable[..., Table | None], *versus: str) -> None:
    """Show a table, against a comparator if it is of one, and in each cell what the pinned case has there, where it differs."""
    other, now = session.pinned(), build(found, *versus)
    known = other and other.key != found.key and all(key in other.results.comparisons for key in versus)
    then = build(other, *versus) if known else None
    if now is not None:
        blocks.table(with_earlier(now, then) if then else now)
