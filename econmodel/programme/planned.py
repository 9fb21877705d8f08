"""From a case to what its budget is reckoned from: programme inputs, activity per start and prices, of base values or of draws."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from math import ceil
from typing import Any

import numpy as np
from numpy.typing import NDArray

from econmodel.economics.activity import MonthlyProfiles
from econmodel.economics.bleed_prices import untreated_fatal_share
from econmodel.economics.prices import STEMS, Prices, resolve_prices
from econmodel.errors import AnalysisError, join_faults
from econmodel.model.inputs import Values, base_values, horizon_years
from econmodel.package import params_folder
from econmodel.parameters.catalogue import CATEGORY
from econmodel.parameters.documents import read_document
from econmodel.parameters.overrides import set_values
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.rules import MIXES, strategy_mix_faults
from econmodel.parameters.structures import gather, structures_of
from econmodel.programme.after_bleed import prices_in_programme_terms, profiles_of
from econmodel.programme.budget import Budget, run_budget
from econmodel.programme.inputs import ProgrammeInputs, input_kinds, read_inputs
from econmodel.uncertainty.scenarios import under_scenario

FloatArray = NDArray[np.float64]


def in_the_mix(parameters: ParameterSet) -> ParameterSet:
    """Copy with only the strategies of the current and the proposed mix, which is all a budget needs.

    Raises
    ------
    EconModelError
        A mix names a strategy the case does not have.
    """
    if faults := list(strategy_mix_faults(parameters)):
        raise join_faults(faults)
    wanted = {str(row["strategy"]) for mix in MIXES for row in parameters.rows(mix) if "strategy" in row}
    return replace(parameters, strategies={k: r for k, r in parameters.strategies.items() if k in wanted})


def budget_of(
    parameters: ParameterSet,
    values: Values,
    change: Callable[[ProgrammeInputs], ProgrammeInputs] = lambda inputs: inputs,
    died: FloatArray | None = None,
    profiles: MonthlyProfiles | None = None,
) -> Budget:
    """Run the budget on some draws, its inputs changed as an analysis wants them.

    Whole numbers of the programme are the case's own: they do not vary between draws. ``died`` is the share of untreated
    bleed admissions that end in death where an evaluation has found it, ``profiles`` activity per start where it is known.
    """
    inputs, planned = programme_draws(parameters, values, change, died, profiles)
    return run_budget(inputs, *planned, CATEGORY)


def programme_draws(
    parameters: ParameterSet,
    values: Values,
    change: Callable[[ProgrammeInputs], ProgrammeInputs] = lambda inputs: inputs,
    died: FloatArray | None = None,
    profiles: MonthlyProfiles | None = None,
) -> tuple[ProgrammeInputs, tuple[MonthlyProfiles, Prices]]:
    """Programme inputs of some draws, and their activity per start and prices."""
    fixed = {name for name, kind in input_kinds().items() if kind == "whole"}
    numbers = {name: v for name, v in values.items() if v.ndim == 1 and name in parameters.parameters and name not in fixed}
    inputs = change(read_inputs(parameters, numbers))
    if profiles is not None:
        return inputs, (profiles, prices_of(parameters, values, died))
    return inputs, _by_structure(
        parameters, values, years_needed(parameters, inputs.n_budget_years, inputs.n_duty_months * inputs.closes), died
    )


def _by_structure(parameters: ParameterSet, values: Values, years: int, died: FloatArray | None) -> tuple[MonthlyProfiles, Prices]:
    """Activity per start and prices of draws, each in its own structure."""
    found = [
        (
            part.rows,
            profiles_of(part.parameters, years, part.values),
            prices_of(part.parameters, part.values, None if died is None else died[part.rows]),
        )
        for part in structures_of(parameters).parts(values)
    ]
    (_, profiles, prices), counts = found[0], gather((rows, one.counts) for rows, one, _ in found)
    money: dict[str, Any] = {name: gather((rows, getattr(one, name)) for rows, _, one in found) for name in STEMS}
    return replace(profiles, counts=counts), replace(prices, **money)


def prices_of(parameters: ParameterSet, values: Values, died: FloatArray | None = None) -> Prices:
    """Price list of some draws; ``died`` as in :func:`budget_of`."""
    found = resolve_prices(parameters, values, untreated_fatal_share(parameters, values) if died is None else died)
    return prices_in_programme_terms(parameters, found)


def years_needed(parameters: ParameterSet, budget_years: int, more_months: int) -> int:
    """Years of activity per start that a budget needs, with the months looked at after it.

    Raises
    ------
    AnalysisError
        The time horizon is shorter than the budget.
    """
    horizon = horizon_years(parameters)
    if horizon < budget_years:
        what = f"horizon_years = {horizon}: must be at least the {budget_years} years of the budget"
        fix = f'horizon_years = "lifetime", or n_budget_years of at most {horizon}'
        raise AnalysisError(what, where=str(parameters["horizon_years"].where), fix=fix)
    return min(horizon, budget_years + ceil(more_months / 12))


def years_of(parameters: ParameterSet) -> int:
    """Years of activity per start that the budget of a case needs, as :func:`years_needed`."""
    closes = parameters.text("at_end") == "closure"
    return years_needed(
        parameters, *(int(parameters.number(name)) * by for name, by in (("n_budget_years", 1), ("n_duty_months", closes)))
    )


def rerun_under(parameters: ParameterSet, changes: Mapping[str, Any], years: int) -> tuple[MonthlyProfiles, Prices]:
    """Activity per start and prices under changed inputs: scenarios first, then single values, which others follow."""
    for name in changes.get("scenarios", ()):
        parameters = under_scenario(parameters, read_document(params_folder() / "scenarios" / f"{name}.toml"))
    if values := [f"{name}={float(value)!r}" for name, value in changes.items() if name != "scenarios"]:
        parameters = set_values(parameters, values)
    return profiles_of(parameters, years), prices_of(parameters, base_values(parameters))
