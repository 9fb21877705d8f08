"""The programme of a case: its budget, views, break-even and downside, kept by the hash of the inputs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import streamlit as st

from econmodel.interfaces.dashboard.answers import Answer

if TYPE_CHECKING:
    from econmodel.economics.profiles import MonthlyProfiles
    from econmodel.parameters.parameter_set import ParameterSet
    from econmodel.programme.downside import Reprofile
    from econmodel.programme.inputs import ProgrammeInputs


def _read(parameters: ParameterSet) -> tuple[ProgrammeInputs, MonthlyProfiles]:
    from econmodel.economics.profiles import monthly_profiles
    from econmodel.model.inputs import base_values
    from econmodel.programme.inputs import read_inputs

    inputs = read_inputs(parameters, base_values(parameters))
    return inputs, monthly_profiles(parameters, inputs.n_budget_years)


@st.cache_resource(max_entries=24, show_spinner=False)
def budget(key: str, _found: Answer) -> dict[str, Any]:
    """Deterministic budget of a case, without its downside.

    Raises
    ------
    EconModelError
        A programme input breaks a rule.
    """
    from econmodel.economics.activity import CATEGORY
    from econmodel.programme.budget import run_budget

    inputs, profiles = _read(_found.case.parameters)
    return run_budget(inputs, profiles, _found.evaluation.prices, CATEGORY).to_dict()


@st.cache_resource(max_entries=24, show_spinner="Working out what could go wrong")
def findings(key: str, _found: Answer) -> dict[str, Any]:
    """Budget with its views, break-even, downside, chart data and the sentences they call for."""
    from econmodel.economics.activity import CATEGORY
    from econmodel.programme.report import programme_case
    from econmodel.reporting.programme_data import programme_document

    parameters = _found.case.parameters
    inputs, profiles = _read(parameters)
    again = reprofile(parameters, inputs.n_budget_years)
    return programme_document(programme_case(inputs, profiles, _found.evaluation.prices, CATEGORY, again))


def reprofile(parameters: ParameterSet, years: int) -> Reprofile:
    """Give new activity per start for clinical overrides: scenarios first, then values."""
    from econmodel.economics.profiles import monthly_profiles
    from econmodel.parameters.documents import read_document
    from econmodel.parameters.loading import params_folder
    from econmodel.parameters.overrides import apply_override

    def run(overrides: dict[str, Any]) -> MonthlyProfiles:
        changed = parameters
        for name in overrides.get("scenarios", ()):
            changed = apply_override(changed, read_document(params_folder() / "scenarios" / f"{name}.toml"))
        for name, value in overrides.items():
            changed = changed if name == "scenarios" else changed.with_value(name, value)
        return monthly_profiles(changed, years)

    return run
