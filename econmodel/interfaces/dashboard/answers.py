"""Answers, kept by the hash of the inputs: evaluated once, then shared by every page and session, and only read."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from econmodel import workflow
from econmodel.economics.evaluate import Evaluation, evaluate
from econmodel.workflow import Answer as Answer

if TYPE_CHECKING:
    from econmodel.parameters.loading import Case
    from econmodel.parameters.parameter_set import ParameterSet

KEPT = 48


def answer(case: Case) -> Answer:
    """Evaluate a case, or recall its answer.

    Raises
    ------
    EconModelError
        The inputs cannot be resolved together.
    """
    sha256 = case.parameters.sha256
    evaluation = _evaluation(sha256, case.parameters)
    told = (sha256, case.name, case.title, case.parameters.titles, case.is_demo)
    return _answer(told, case, evaluation)


@st.cache_resource(max_entries=KEPT, show_spinner=False)
def _evaluation(sha256: str, _parameters: ParameterSet) -> Evaluation:
    return evaluate(_parameters)


@st.cache_resource(max_entries=KEPT, show_spinner=False)
def _answer(key: tuple[object, ...], _case: Case, _evaluation: Evaluation) -> Answer:
    return workflow.answer(_case, _evaluation)
