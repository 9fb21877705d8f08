"""What one session holds: where it started, what it changed, and the last answer that stood.

A change is tried before it is kept: if it breaks a rule or cannot be evaluated it is refused with the reason, and the
last good case stays. Sessions share nothing but answers, which are only read.
"""

from __future__ import annotations

import re
import time
from collections.abc import Mapping
from copy import deepcopy
from typing import Any

import streamlit as st

from econmodel.errors import EconModelError, ParameterError
from econmodel.interfaces.dashboard.state.address import address_of, case_of
from econmodel.interfaces.dashboard.state.answers import Answer, answer
from econmodel.interfaces.dashboard.state.case_file import (
    FIRST,
    REASON,
    Edits,
    MemoryFile,
    case_text,
    change,
    load_start,
    read_case,
    to_document,
)
from econmodel.model.inputs import base_values
from econmodel.numbers import read_number
from econmodel.parameters.countries import conventions
from econmodel.parameters.loading import Case
from econmodel.parameters.overrides import apply_override
from econmodel.parameters.price_list import country_code
from econmodel.parameters.rules import check
from econmodel.programme.inputs import read_inputs

STEPS = 100
TOGETHER = 2.0
PART = "_part"
STAYING = ("claim_", "psa_draws", "research_draws", "registry_order", "inputs_search", "begin_")


def build(start: str, edits: Mapping[str, Mapping[str, Any]], title: str = "") -> Case:
    """Build the case of a start and its changes.

    Raises
    ------
    EconModelError
        A change breaks a rule.
    """
    base = load_start(start)
    if not any(edits.values()):
        return base
    text = case_text(start, edits, title or base.title)
    parameters = apply_override(base.parameters, to_document(text))
    wanted, loaded = parameters.text("price_list"), base.parameters.text("price_list")
    if wanted != loaded:
        what = f"price_list = {wanted!r}, but {base.title} is priced with {loaded!r}"
        raise ParameterError(what, fix="choose the country on the page Summary, or give the file the baseline base_case")
    check(parameters, subset=True)
    return Case(base.name, base.title, base.file, parameters)


def open_session() -> None:
    """Fill the session's state: from the address when the page is first opened; later, keep what was typed on other pages."""
    if "start" in st.session_state:
        kept = {key: value for key, value in st.session_state.items() if str(key).startswith(STAYING) or str(key).endswith(PART)}
        st.session_state.update(kept)
        return
    st.session_state.update(start=FIRST, edits={}, title="", refusal="", notice="", past=[], ahead=[], pinned=None)
    try:
        keep(*case_of({key: st.query_params.get_all(key) for key in st.query_params}))
    except EconModelError as fault:
        refuse(fault)
    st.session_state.past = []


def current() -> Answer:
    """Answer to the case as it stands."""
    return answer(build(st.session_state.start, st.session_state.edits, st.session_state.title))


def keep(start: str, edits: Edits, title: str = "", moved: str = "") -> bool:
    """Try a case and keep it if it stands; otherwise say why not and leave everything as it was.

    What is ``moved`` again within :data:`TOGETHER` seconds is one step of undo.
    """
    try:
        case = build(start, edits, title)
        answer(case)
        read_inputs(case.parameters, base_values(case.parameters))
    except EconModelError as fault:
        refuse(fault)
        return False
    if _case() != (start, edits, title):
        before, at = st.session_state.get("moved", ("", 0.0))
        again = bool(moved) and moved == before and time.monotonic() - at < TOGETHER and st.session_state.past
        past = st.session_state.past if again else [*st.session_state.past, _case()][-STEPS:]
        st.session_state.update(past=past, ahead=[], moved=(moved, time.monotonic()))
    st.session_state.update(start=start, edits=edits, title=title, refusal="")
    return True


def _case() -> tuple[str, Edits, str]:
    return st.session_state.start, st.session_state.edits, st.session_state.title


def step(back: bool) -> None:
    """Go one change back, or forth again; every case passed stood when it was left."""
    here, there = ("past", "ahead") if back else ("ahead", "past")
    *rest, (start, edits, title) = st.session_state[here]
    st.session_state.moved = "", 0.0
    st.session_state.update({here: rest, there: [*st.session_state[there], _case()], "start": start, "edits": edits, "title": title})


def pin(on: bool) -> None:
    """Pin the case as it stands, so that what is then changed is seen beside it; or unpin it."""
    st.session_state.pinned = _case() if on else None


def pinned() -> Answer | None:
    """Answer to the pinned case; None where none is, or before any session."""
    case = st.session_state.get("pinned")
    return answer(build(*case)) if case else None


def refuse(fault: EconModelError) -> None:
    """Remember a refusal in a sentence or two, to be shown at the top of the page."""
    first, *rest = str(fault).splitlines()
    what = first.partition("Error: ")[2] or first
    others = sum(line.partition(":")[0].endswith("Error") for line in rest)
    more = f" and {others} more like it" if others else ""
    st.session_state.refusal = " ".join(_sentence(part) for part in (what + more, fault.fix) if part)


def take_refusal() -> str:
    """Give the refusal remembered, once."""
    said: str = st.session_state.refusal
    st.session_state.refusal = ""
    return said


def _sentence(words: str) -> str:
    """Make a sentence of it; the name of an input keeps its small letter."""
    first = words.split(" ")[0]
    return (words if "_" in first else f"{words[:1].upper()}{words[1:]}").rstrip(".") + "."


def number_style() -> str:
    """How the country of the case writes numbers."""
    return str(conventions(country_code(current().case.parameters.text("price_list")))["number_style"])


def number_or_text(typed: str | float, style: str) -> float | str:
    """Read what was typed: words as they are, anything with digits as a number.

    Raises
    ------
    ParameterError
        It is no number, or one with two readings.
    """
    if not isinstance(typed, str) or re.fullmatch(r"[A-Za-z]\w*|\D*", typed.strip()):
        return typed.strip() if isinstance(typed, str) else typed
    return read_number(typed, style)


def plain_number(typed: str, name: str) -> float:
    """Read a number of a claim, as papers in English print them.

    Raises
    ------
    ParameterError
        It is not one.
    """
    try:
        return read_number(typed, "point")
    except ParameterError as fault:
        what = f"{name}: {fault.what}"
        raise ParameterError(what, fix=fault.fix) from None


def set_input(name: str, typed: str | float, reason: str = REASON, moved: str = "") -> bool:
    """Change one input; what cannot be read is refused. ``moved``: the slider that moves it."""
    try:
        fields = change(number_or_text(typed, number_style()), reason or REASON)
    except ParameterError as fault:
        refuse(fault)
        return False
    return merge({"override": {name: fields}}, moved)


def merge(more: Mapping[str, Mapping[str, Any]], moved: str = "") -> bool:
    """Add changes to those made."""
    edits: Edits = deepcopy(st.session_state.edits)
    for table, entries in more.items():
        edits[table] = {**edits.get(table, {}), **entries}
    return keep(st.session_state.start, edits, st.session_state.title, moved)


def reset(name: str | None = None, table: str = "override") -> bool:
    """Undo one change, or all."""
    edits: Edits = {} if name is None else deepcopy(st.session_state.edits)
    if name is not None:
        edits.get(table, {}).pop(name, None)
    return keep(st.session_state.start, {k: v for k, v in edits.items() if v}, st.session_state.title)


def begin(start: str) -> None:
    """Start afresh from another hospital or country."""
    keep(start, {})


def load(file: MemoryFile) -> bool:
    """Load a saved case in place of the present one."""
    try:
        start, edits, title = read_case(file)
    except EconModelError as fault:
        refuse(fault)
        return False
    return keep(start, edits, title)


def saved(title: str, case: tuple[str, Edits, str] | None = None) -> str:
    """Text of the case file; of the case as it stands, or of the pinned one."""
    start, edits, _ = case or _case()
    return case_text(start, edits, title.strip() or load_start(start).title)


def write_address() -> None:
    """Put the case in the address, before anything is drawn: a link copied at any moment opens what is on screen."""
    wanted = address_of(st.session_state.start, st.session_state.edits)
    if {key: st.query_params.get_all(key) for key in st.query_params} != wanted:
        st.query_params.from_dict(wanted)
