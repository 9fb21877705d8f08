"""Check of a stated NNT: what the figures imply for each other, and what would have to be true for it to save money."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from econmodel.errors import EconModelError
from econmodel.evidence.claims import Claim, check_claim
from econmodel.interfaces.dashboard import blocks, session
from econmodel.interfaces.dashboard.answers import Answer
from econmodel.model.calibration import untreated_curve

if TYPE_CHECKING:
    from econmodel.evidence.claims import ClaimCheck

COUNTS = "events/patients, such as 6/80"
GROUPS = (
    (
        ("treated", "Treated patients who bled", COUNTS),
        ("untreated", "Untreated patients who bled", COUNTS),
        ("treated_risk", "Risk with treatment, as printed", "0.075 or 7.5%"),
        ("untreated_risk", "Risk without treatment, as printed", "0.41 or 41%"),
    ),
    (
        ("nnt", "Patients needed to treat (NNT)", "3; below 0 for harm"),
        ("years", "By how many years", "2"),
        ("sessions", "Sessions in a course", "1.4"),
        ("admissions_saved", "Admissions saved per bleed averted", "1 when left out"),
    ),
    (
        ("cost_ratio", "Cost of a course, in bleed admissions", "0.5"),
        ("course_cost", "Cost of a course", "5000"),
        ("bleed_cost", "Cost of a bleed admission", "20000"),
    ),
)
FIELDS = tuple(field for group in GROUPS for field in group)
NUMBERS = ("years", "sessions")


def show(found: Answer) -> None:
    """Show the form and, once asked, the check."""
    st.header("Check a claim", anchor=False)
    blocks.note(
        "Fill in what is stated, leave the rest blank: the check works out what follows, within the rounding of each printed figure."
    )
    with st.form("claim"):
        for column, group in zip(st.columns(len(GROUPS)), GROUPS, strict=True):
            for name, label, example in group:
                column.text_input(label, key=f"claim_{name}", placeholder=example)
        asked = st.form_submit_button("Check the claim", type="primary")
    if asked:
        st.session_state.claim_asked = True
    if st.session_state.get("claim_asked"):
        _answer(found)


def _answer(found: Answer) -> None:
    try:
        check = check_claim(read(), untreated_curve(found.case.parameters))
    except EconModelError as fault:
        session.refuse(fault)
        blocks.alert(session.take_refusal())
        return
    _say(check)


def read() -> Claim:
    """Read the form; blank is not stated."""
    typed = {name: str(st.session_state.get(f"claim_{name}", "")).strip() for name, _, _ in FIELDS}
    given: dict[str, object] = {name: text for name, text in typed.items() if text}
    for name in NUMBERS:
        if name in given:
            given[name] = session.plain_number(typed[name], name)
    return Claim(**given)  # type: ignore[arg-type]


def _say(check: ClaimCheck) -> None:
    for sentence in check.sentences:
        blocks.text(sentence, "caution" if sentence in check.solution.contradictions else "body")
