"""Page 2, Patients: who they are, which options are compared, and the path they take."""

from __future__ import annotations

import streamlit as st

from econmodel.errors import EconModelError
from econmodel.interfaces.dashboard import blocks, controls, pictures
from econmodel.interfaces.dashboard.pinned import compared_table
from econmodel.interfaces.dashboard.state import answers, session
from econmodel.interfaces.dashboard.state.answers import Answer
from econmodel.interfaces.dashboard.state.case_file import REASON, load_start
from econmodel.parameters.catalogue import HEADLINE_COMPLICATIONS
from econmodel.parameters.schema import WATCH
from econmodel.reporting import formatting as f
from econmodel.reporting.papers.content import Table, table
from econmodel.reporting.papers.phrases import lower


def show(found: Answer) -> None:
    """Show the page."""
    blocks.sections(
        "patients_part",
        {
            "Risk and benefit by patient group": lambda: _by_group(found),
            "The path of a patient": lambda: pictures.of_case(found, "state_diagram"),
            "From all patients to those who start": lambda: _funnel(found),
        },
    )


def _by_group(found: Answer) -> None:
    """Show the groups' risks beside what they are made of, which is edited there."""
    left, right = st.columns(2, gap="large")
    with left:
        _mix(found)
    with right:
        for name in ("start_age", "share_female"):
            controls.slider(found.case.parameters, name, "patients")
        _options(found)
    compared_table(found, _groups)


def _mix(found: Answer) -> None:
    """Edit the shares of the patient groups."""
    blocks.note("Share of patients in each group, as fractions that sum to 1. Nothing is scaled for you.")
    rows = found.case.parameters.rows("case_mix")
    controls.show_shares(found, "case_mix", rows, [str(row["name"]) for row in rows], "Use this mix")


def _funnel(found: Answer) -> None:
    """Show how many patients a year are left after each step."""
    try:
        plan = answers.programme_of(found.key, found)
    except EconModelError as fault:
        session.refuse(fault)
        blocks.alert(session.take_refusal())
        return
    rows = [(step.step, f.plain(step.value), f.number(step.patients_per_year, 1)) for step in plan.funnel]
    blocks.table(
        table(
            "Patients a year, step by step",
            blocks.across("Step", ("Value", "Patients a year left")),
            rows,
            note="Year 1, before waiting and slots. The page Money changes these values.",
        )
    )


def _options(found: Answer) -> None:
    every = {key: row.label for key, row in load_start(st.session_state.start).parameters.strategies.items()}
    kept = list(found.case.parameters.strategies)
    st.session_state["options"] = [key for key in every if key in kept and key != WATCH]
    st.pills(
        "Options compared with no prophylaxis",
        [key for key in every if key != WATCH],
        selection_mode="multi",
        wrap=True,
        format_func=every.__getitem__,
        key="options",
        on_change=_set_options,
        args=(list(every),),
        help="Drop what this hospital does not offer. The answer is about EUS-guided coil and glue, or the "
        "last option left that starts a course.",
    )


def _set_options(every: list[str]) -> None:
    wanted = set(st.session_state["options"]) | {WATCH}
    edits = {k: dict(v) for k, v in st.session_state.edits.items()}
    rows = {k: v for k, v in edits.get("strategy", {}).items() if not v.get("drop")}
    edits["strategy"] = rows | {key: {"drop": True, "reason": REASON} for key in every if key not in wanted}
    session.keep(st.session_state.start, edits, st.session_state.title)


def _groups(found: Answer) -> Table:
    results = found.results
    key, years, names = results.lead, results.settings.headline, results.labels
    beside = [versus for versus in results.comparisons if versus != key]
    shares = {group["name"]: group["share"] for group in results.inputs["groups"]}
    rows = []
    for name, group in results.groups.items():
        treated = group.strategies[key]
        rows.append(
            (
                name,
                f.percent(shares.get(name), 1),
                *(f.percent(group.strategies[k].first_bleed_risk[years], 1) for k in (*beside, key)),
                *(f.nnt(group.comparisons[versus][key].whole.nnt[years]) for versus in beside),
                f.per(treated.deaths["procedure"], 1000),
                *(f.per(treated.complications[kind], 1000) for kind in HEADLINE_COMPLICATIONS),
            )
        )
    time = f.duration(int(years))
    heads = (
        "Share",
        *(f"First bleed by {time}, {lower(names[k])}" for k in (*beside, key)),
        *(f"NNT at {time} v. {lower(names[versus])}" for versus in beside),
        "Procedure deaths per 1,000",
        *(f"{short} per 1,000" for short in HEADLINE_COMPLICATIONS.values()),
    )
    note = (
        f"NNT: patients treated to avert one first bleed (number needed to treat). Harms of {lower(names[key])} over the time horizon."
    )
    return table(f"{names[key]}, by patient group", blocks.across("Group", heads), rows, note=note)
