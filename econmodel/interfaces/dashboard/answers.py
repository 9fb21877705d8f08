"""Answers, kept by the hash of the inputs: evaluated once, then shared by every page and session, and only read."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import streamlit as st

from econmodel.economics.evaluate import Evaluation, evaluate
from econmodel.economics.results import result_document

if TYPE_CHECKING:
    from econmodel.parameters.loading import Case
    from econmodel.parameters.parameter_set import ParameterSet

KEPT = 48


@dataclass(frozen=True)
class Answer:
    """A case with its evaluation and result document."""

    case: Case
    evaluation: Evaluation
    document: dict[str, Any]

    @property
    def key(self) -> str:
        """Hash of the inputs."""
        return str(self.document["case"]["parameters_sha256"])


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
    return Answer(case, evaluation, _document(told, case, evaluation))


@st.cache_resource(max_entries=KEPT, show_spinner=False)
def _evaluation(sha256: str, _parameters: ParameterSet) -> Evaluation:
    return evaluate(_parameters)


@st.cache_resource(max_entries=KEPT, show_spinner=False)
def _document(key: tuple[object, ...], _case: Case, _evaluation: Evaluation) -> dict[str, Any]:
    return result_document(_case, _evaluation)
