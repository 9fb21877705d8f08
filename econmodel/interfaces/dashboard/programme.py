"""The programme of a case: budget, views, break-even and downside, kept by the hash of the inputs."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from econmodel.interfaces.dashboard.answers import Answer
from econmodel.workflow import run_programme

if TYPE_CHECKING:
    from econmodel.programme.report import ProgrammeResult


@st.cache_resource(max_entries=24, show_spinner="Working out the programme")
def findings(key: str, _found: Answer) -> ProgrammeResult:
    """Budget with its views, break-even, downside, chart data and the sentences they call for.

    Raises
    ------
    EconModelError
        A programme input breaks a rule, or a mix names an option that was dropped.
    """
    return run_programme(_found.case)
