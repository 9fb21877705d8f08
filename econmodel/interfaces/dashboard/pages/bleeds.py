"""Page 3, Bleeds prevented: how many bleed, how many must be treated to avert one, and a check of anyone's claim."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from econmodel.errors import EconModelError
from econmodel.evidence.claims import Claim, check_claim, read_pasted
from econmodel.interfaces.dashboard import blocks, pictures
from econmodel.interfaces.dashboard.pinned import compared_table
from econmodel.interfaces.dashboard.state import answers, session
from econmodel.interfaces.dashboard.state.answers import Answer
from econmodel.model.follow_up import untreated_curve
from econmodel.parameters.catalogue import HEADLINE_COMPLICATIONS
from econmodel.reporting import formatting as f
from econmodel.reporting.charts.results import shows_nnt
from econmodel.reporting.papers.content import Table, table
from econmodel.reporting.papers.phrases import lower
from econmodel.reporting.tables.by_risk import by_risk_blocks
from econmodel.reporting.tables.results import bled_note, ladder_table

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
    """Show the page."""
    if note := bled_note(found.results):
        blocks.note(note)
        return
    blocks.sections(
        "bleeds_part",
        {
            "First bleeds": lambda: _curves(found),
            "NNT": lambda: _nnt(found),
            "Bleeds averted and harms": lambda: _beside_harms(found),
            "Whom to treat": lambda: _by_risk(found),
            "Check a claim": lambda: show_claim(found),
        },
    )


def _beside_harms(found: Answer) -> None:
    compared_table(found, _harms)
    for versus in found.results.comparisons:
        compared_table(found, _averted, versus)


def _nnt(found: Answer) -> None:
    blocks.note(
        "Number needed to treat (NNT): lower is better. Death competes with bleeding. NNTH: patients treated for one bleed more."
    )
    for versus in found.results.comparisons:
        compared_table(found, _nnt_table, versus)


def _curves(found: Answer) -> None:
    for column, name in zip(st.columns(2), ("first_bleeds", "nnt_by_year"), strict=True):
        with column:
            pictures.of_case(found, name)
    if found.results.ladder.rungs:
        blocks.table(ladder_table(found.results))


def _nnt_table(found: Answer, versus: str) -> Table:
    results, names = found.results, found.results.labels
    years = [year for year in results.strategy(versus).first_bleed_risk if shows_nnt(results, year)]
    rows = [(names[key], *(f.nnt(c.whole.nnt[y]) for y in years)) for key, c in results.comparisons[versus].items()]
    columns = blocks.across("Option", (f.duration(y) for y in years))
    return table(f"NNT against {lower(names[versus])}", columns, rows)


def _averted(found: Answer, versus: str) -> Table:
    results = found.results
    rows = [
        (
            results.labels[key],
            f.number(compared.headline.gastric_first_bleeds_averted_per_100, 1),
            f.number(compared.headline.bleeds_averted_per_100, 1),
            f.nnt(compared.headline.patients_per_bleed_averted),
        )
        for key, compared in results.comparisons[versus].items()
    ]
    heads = ("First gastric bleeds averted per 100", "All bleeds averted per 100", "Patients per bleed averted, any bleed")
    caption = f"Bleeds averted over {f.duration(results.settings.headline)}, against {lower(results.labels[versus])}"
    return table(caption, blocks.across("Option", heads), rows)


def _harms(found: Answer) -> Table:
    rows = [
        (
            treated.label,
            f.per(treated.deaths["procedure"], 1000),
            *(f.per(treated.complications[kind], 1000) for kind in HEADLINE_COMPLICATIONS),
        )
        for treated in found.results.strategies.values()
    ]
    heads = ("Procedure deaths per 1,000", *(f"{short} per 1,000" for short in HEADLINE_COMPLICATIONS.values()))
    whole = f.duration(found.results.settings.horizon_years)
    return table(f"Harms of each option over {whole}", blocks.across("Option", heads), rows)


def _by_risk(found: Answer) -> None:
    blocks.note("The untreated risk from which each option is better than usual care, for all patients and by group.")
    blocks.on_demand("by_risk", "Work out whom to treat", (found.key,), _whom, found)


def _whom(found: Answer) -> None:
    blocks.flow(by_risk_blocks(found.case.parameters, answers.by_risk(found.key, found)))


def show_claim(found: Answer) -> None:
    """Show the form and, once asked, the check."""
    blocks.note(
        "Paste the claim, or fill in what is stated: the check works out what follows, within the rounding of each printed figure."
    )
    with st.form("claim"):
        st.text_area("The claim, as printed", key="claim_text", placeholder="RR 0.50 (0.30-0.84), NNT 10 (6-34)", height=80)
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
        claim, unread = read()
        check = check_claim(claim, untreated_curve(found.case.parameters), unread=unread)
    except EconModelError as fault:
        session.refuse(fault)
        blocks.alert(session.take_refusal())
        return
    _say(check)


def read() -> tuple[Claim, tuple[str, ...]]:
    """Read the form, and what of the pasted text was not read; blank is not stated."""
    typed = {name: str(st.session_state.get(f"claim_{name}", "")).strip() for name, _, _ in FIELDS}
    given: dict[str, object] = {name: text for name, text in typed.items() if text}
    for name in NUMBERS:
        if name in given:
            given[name] = session.plain_number(typed[name], name)
    if text := str(st.session_state.get("claim_text", "")).strip():
        pasted = read_pasted(text, given)
        return pasted.claim, pasted.unread
    return Claim(**given), ()  # type: ignore[arg-type]


def _say(check: ClaimCheck) -> None:
    blocks.text(check.verdict.text, "answer")
    for sentence in check.verdict.sentences:
        blocks.text(sentence, "body")
    if check.unread:
        blocks.text(f"Not read: {'; '.join(check.unread)}.", "caution")
    with st.expander("The arithmetic"):
        for sentence in (*check.cautions, *check.sentences):
            blocks.text(sentence, "caution" if sentence in check.solution.contradictions else "body")
