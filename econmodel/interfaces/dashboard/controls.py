"""Controls: an input as a slider or a box, and shares of a table, typed one by one, tried as a whole, never scaled in silence."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import streamlit as st

from econmodel.errors import ParameterError
from econmodel.interfaces.dashboard.state import session
from econmodel.interfaces.dashboard.state.answers import Answer
from econmodel.interfaces.dashboard.state.case_file import REASON
from econmodel.numbers import write_number
from econmodel.parameters.schema import money_parts
from econmodel.parameters.second_look import far_off
from econmodel.reporting.formatting import plain
from econmodel.uncertainty.two_way import ACROSS
from econmodel.wording import SYMBOLS

if TYPE_CHECKING:
    from econmodel.parameters.parameter_set import ParameterSet
    from econmodel.parameters.schema import Parameter

STEPS = (1.0, 2.0, 5.0)
SHOWN = 12
PLAIN_WORDS = {
    "hazard ratio": "bleeding rate relative to no treatment, or to the option named (hazard ratio)",
    "per year": "per patient and year (rate)",
    "probability": "share of patients (probability)",
}
UNIT_WORDS = {"hazard ratio": "times", "relative risk": "times", "odds ratio": "times", "ratio": "times", "count": ""}
VIEWS = {
    "hospital": "The hospital: full cost of care",
    "hospital_margin": "The hospital: payments less variable cost",
    "payer": "The payer: what it pays",
    "societal": "Society: care, patients and carers",
}
Row = dict[str, Any]


def deciding_inputs(found: Answer) -> list[str]:
    """List the inputs that decide most for the option the answer is about: effect, course and prices."""
    parameters = found.case.parameters
    row = parameters.strategies[found.results.lead]
    device = "c_coil" if row.coils else "c_glue_ml"
    wanted = (
        "p_first_bleed_year_1",
        *row.hr_gastric,
        row.effect_full_years,
        row.p_obliteration,
        row.r_recurrence,
        *ACROSS,
        "p_death_six_weeks",
        row.sessions_mean,
        row.coils or row.glue_ml,
        row.p_retreat_year_1,
        device,
        f"c_{row.session}",
        f"c_{row.surveillance.visit}",
        "c_bleed_mean",
        "p_rescue",
        "start_age",
    )
    known = [n for n in dict.fromkeys(wanted) if n in parameters.parameters and parameters[n].range is not None]
    return [name for name in known if not parameters.idle(name)][:SHOWN]


def slider(parameters: ParameterSet, name: str, place: str) -> None:
    """Slide one input over its declared range; every move is tried at once.

    Parameters
    ----------
    parameters
        Inputs of the case as it stands.
    name
        The input.
    place
        Where the slider stands; the same input may have one on several pages.
    """
    p = parameters[name]
    if p.range is None or not isinstance(p.value, float):
        return
    key = f"{place}_{name}"
    st.session_state[key] = p.value
    low, high = min(p.range.low, p.value), max(p.range.high, p.value)
    st.slider(
        p.label,
        low,
        high,
        step=step(low, high),
        format=shown_as(p),
        key=key,
        on_change=_moved,
        args=(name, key),
        help=f"{unit_words(p)}. Range: {p.range.basis}. Input {name}; {p.status}.",
    )


def _moved(name: str, key: str) -> None:
    session.set_input(name, float(st.session_state[key]), moved=key)


def step(low: float, high: float) -> float:
    """Round step of a slider, about a hundredth of its range.

    Examples
    --------
    >>> step(0.1, 0.3), step(1000.0, 6000.0)
    (0.002, 50.0)
    """
    rough = (high - low) / 100
    size = 10.0 ** math.floor(math.log10(rough))
    return next(float(f"{m * size:.1g}") for m in (*STEPS, 10.0) if m * size >= rough * (1 - 1e-9))


def shown_as(p: Parameter) -> str:
    """Write a slider's value as its unit wants.

    A printf text, or ``percent`` for a share or probability.
    """
    if (parts := money_parts(p.unit)) is not None:
        return f"{SYMBOLS.get(parts[0], parts[0] + ' ')}%.0f"
    return "percent" if p.unit in ("probability", "share") else "%.3g"


def unit_words(p: Parameter) -> str:
    """Say a unit in plain words, with the technical term."""
    return PLAIN_WORDS.get(p.unit, p.unit.replace("/", " per "))


def exact(p: Parameter, place: str) -> None:
    """Type one value and why; a value that breaks a rule is refused with the rule."""
    with st.form(f"{place}_form", border=True):
        key, why = f"{place}_value", f"{place}_reason"
        if p.choices:
            st.selectbox("Choice", p.choices, index=p.choices.index(str(p.value)), key=key)
        else:
            st.text_input(f"Value ({unit_words(p)})", plain_entry(p), key=key)
        st.text_input("Why, or where it comes from", key=why, placeholder="for example: procurement list, this year")
        st.form_submit_button("Use this value", type="primary", on_click=_typed, args=(p.name, key, why))


def _typed(name: str, key: str, why: str) -> None:
    if session.set_input(name, str(st.session_state[key]), str(st.session_state[why]).strip()):
        p = session.current().case.parameters[name]
        said = f"{p.value:,.12g} {p.unit}" if isinstance(p.value, float) else plain(p.value)
        far = far_off(p.value, p.base_value)
        st.session_state.notice = f"{name} is now {said}.{f' That is {far}.' if far else ''}"


def plain_entry(p: Parameter) -> str:
    """Value as it would be typed in this country."""
    return write_number(p.value, session.number_style()) if isinstance(p.value, float) else str(p.value)


def show_shares(found: Answer, name: str, rows: Sequence[Row], labels: Sequence[str], button: str) -> None:
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
    try:
        style = session.number_style()
        typed = [session.number_or_text(str(st.session_state[f"{place}_{i}"]), style) for i in range(len(rows))]
    except ParameterError as fault:
        session.refuse(fault)
        return
    wanted = [{**row, "share": share} for row, share in zip(rows, typed, strict=True) if share != 0]
    session.merge({"override": {name: {"table": wanted, "status": "local", "reason": REASON}}})


def shares_of_strategies(found: Answer, name: str) -> list[Row]:
    """Rows of a mix of strategies: every option of the case, those without a share at 0."""
    known = {row["strategy"]: row["share"] for row in found.case.parameters.rows(name)}
    return [{"strategy": key, "share": known.get(key, 0.0)} for key in found.case.parameters.strategies]
