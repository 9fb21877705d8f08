"""The first screen, and the same blocks one a screen for a meeting: decision, cash by year, eight numbers, bridge, what turns it."""

from __future__ import annotations

from collections.abc import Callable

import streamlit as st

from econmodel.interfaces.dashboard import blocks, pictures
from econmodel.interfaces.dashboard.explain import show_explained
from econmodel.interfaces.dashboard.pinned import show_beside
from econmodel.interfaces.dashboard.state import answers, session
from econmodel.interfaces.dashboard.state.answers import Answer
from econmodel.parameters.statements import said
from econmodel.programme.report import ProgrammeResult
from econmodel.reporting.papers import phrases
from econmodel.reporting.papers.blocks import key_numbers
from econmodel.reporting.papers.content import KeyNumbers
from econmodel.reporting.papers.programme import answer, mixes
from econmodel.reporting.papers.programme import key_numbers as programme_numbers
from econmodel.reporting.tables.programme import reconciliation_table

Later = Callable[[], None]


def sentence(found: Answer, plan: ProgrammeResult | None) -> str:
    """The decision in at most 40 words, its conditions left out; of one patient where there is no programme to decide on."""
    if plan is None:
        return phrases.answer(found.results)
    return plan.decision.does if plan.basis.is_change and plan.decision else answer(plan)[0]


def numbers(found: Answer, plan: ProgrammeResult | None) -> KeyNumbers:
    """Four numbers of benefit and money and four of cost and harm; of one patient where there is no programme."""
    return key_numbers(found.results) if plan is None else programme_numbers(found.case, found.results, plan, None)


def say(found: Answer, plan: ProgrammeResult | None, *, large: bool) -> None:
    """Say the decision, read out when it changes, and under it what it comes to for one patient."""
    with st.container(key="answer"):
        below = f"For one patient. {phrases.answer(found.results)}" if plan else ""
        blocks.live(sentence(found, plan), "answer" if large else "short", below)


def warn(found: Answer) -> None:
    """Say how sure it is, its harms, and which values to look at again."""
    row = found.case.parameters.strategies[found.results.lead]
    if again := phrases.second_look_text(found.case.parameters):
        blocks.text(again, "caution")
    blocks.text(
        f"Certainty of the evidence for {phrases.lower(row.label)}: {row.evidence_grade or 'not graded'}. "
        f"Harms: {row.harms_note or 'none listed.'} {said('standing')}",
        "caution",
    )


def cash(found: Answer, plan: ProgrammeResult | None) -> None:
    """Show cash over the years where there is a programme, else cost per patient."""
    if plan is None:
        pictures.of_case(found, "cost_by_category")
    else:
        pictures.of_programme(found, plan, "programme_cash")


def show(found: Answer) -> Later:
    """Show the first screen; what takes longer is left for when all else stands."""
    plan = answers.plan_of(found)
    with st.container(key="first"):
        left, right = st.columns((3, 2), gap="medium")
    with left:
        say(found, plan, large=True)
    with right:
        chart = st.empty()
    tiles = numbers(found, plan)
    blocks.numbers(tiles, "first")
    bridge(plan)
    turning = st.empty()
    warn(found)
    if plan is not None:
        show_explained(found, plan, tiles)
    show_beside(found)

    def later() -> None:
        with chart.container():
            cash(found, plan)
        with turning.container():
            turns(found, plan)

    with turning.container():
        blocks.text("What would change this: being worked out.", "stale")
    return later


def bridge(plan: ProgrammeResult | None) -> None:
    """Walk from one patient's full cost to the hospital's cash."""
    for walked in reconciliation_table(plan) if plan else ():
        blocks.bridge(walked)


def turns(found: Answer, plan: ProgrammeResult | None) -> None:
    """Say what alone, the nearest first, turns the cash, what is asked, and the chance of a loss once drawn."""
    if plan is None or plan.decision is None:
        return
    found_turns = answers.turns_of(found.key, found)
    if found_turns:
        blocks.text(f"What would change this. {found_turns.sentence}", "turns")
    left, right = st.columns((3, 1), vertical_alignment="center")
    with left, st.expander("What is proposed, what is asked, and where the other options stand"):
        blocks.text(f"Proposed: {mixes(found.results, plan)}.")
        blocks.text(f"Decision asked: {plan.decision.text}")
        blocks.text(" ".join((plan.decision.conditions, plan.decision.order)))
    if not plan.uncertainty:
        drawn = st.session_state.get("drawn")
        slow = f"{answers.DRAWS} draws of inputs and luck: some seconds."
        right.button("Chance of a loss", on_click=_draw, width="stretch", help=slow)
        if drawn:
            blocks.text(f"Of an earlier case, run again: {drawn}", "stale")


def _draw() -> None:
    found = session.current()
    answers.draw_programme(found)
    plan = answers.plan_of(found)
    st.session_state.drawn = sentence(found, plan)


STAGES: dict[str, Callable[[Answer, ProgrammeResult | None], None]] = {
    "The decision": lambda found, plan: say(found, plan, large=True),
    "Benefit and money, cost and harm": lambda found, plan: blocks.numbers(numbers(found, plan), "stage"),
    "Cash over the years": cash,
    "From one patient's cost to the hospital's cash": lambda _, plan: bridge(plan),
    "What would change this": turns,
    "How sure, and at what risk": lambda found, _: warn(found),
}


def show_meeting(found: Answer) -> None:
    """Show one block a screen, in large type; the arrow keys turn the pages."""
    at = int(st.session_state.get("stage", 0))
    titles = list(STAGES)
    with st.container(key="stage"):
        st.header(titles[at], anchor=False)
        STAGES[titles[at]](found, answers.plan_of(found))
    with st.container(key="stage_turn", horizontal=True):
        st.button("Back", on_click=_turn, args=(at - 1,), disabled=not at, shortcut="Left")
        st.button("Next", on_click=_turn, args=(at + 1,), disabled=at == len(titles) - 1, shortcut="Right")
        blocks.note(f"{at + 1} of {len(titles)}")


def _turn(to: int) -> None:
    st.session_state.stage = to
