"""The programme of a case: from the case's inputs to its budget, views, downside and intervals."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from econmodel.economics.bleed_prices import untreated_fatal_share
from econmodel.economics.prices import Prices, resolve_prices
from econmodel.economics.profiles import MonthlyProfiles, monthly_profiles
from econmodel.errors import AnalysisError, join_faults
from econmodel.model.inputs import Values, base_values, horizon_years
from econmodel.package import params_folder
from econmodel.parameters.catalogue import CATEGORY
from econmodel.parameters.documents import read_document
from econmodel.parameters.overrides import apply_override, set_value
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.rules import MIXES, strategy_mix_faults
from econmodel.programme.budget import run_budget
from econmodel.programme.downside import payment_levels
from econmodel.programme.inputs import read_inputs
from econmodel.programme.report import ProgrammeResult, programme_case

FloatArray = NDArray[np.float64]
RUN_OFF_YEARS = 3
MOST_DRAWS = 500


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


def evaluate_programme(parameters: ParameterSet, *, draws: int = 0, seed: int = 0) -> ProgrammeResult:
    """Run the programme of a case.

    Parameters
    ----------
    parameters
        The case.
    draws
        Draws for intervals, at most :data:`MOST_DRAWS` are used; 0 leaves them out.
    seed
        Seed of the draws.

    Raises
    ------
    EconModelError
        A programme input breaks its rules, or the horizon is shorter than the budget.
    """
    kept = in_the_mix(parameters)
    values = base_values(kept)
    inputs = read_inputs(kept, values)
    years = _years(kept, inputs.n_budget_years, RUN_OFF_YEARS)
    batch = None
    if draws:
        from econmodel.parameters.sampling import sample

        drawn = sample(kept, min(draws, MOST_DRAWS), seed=seed)
        profiles = monthly_profiles(kept, _years(kept, inputs.n_budget_years, 0), drawn)
        numbers = {name: v for name, v in drawn.items() if v.ndim == 1 and kept[name].is_uncertain}
        batch = run_budget(read_inputs(kept, numbers), profiles, _prices(kept, drawn), CATEGORY)
    return programme_case(
        inputs,
        monthly_profiles(kept, years),
        _prices(kept, values),
        CATEGORY,
        lambda changes: _rerun(kept, changes, years),
        batch,
        payment_levels(kept),
    )


def _prices(parameters: ParameterSet, values: Values) -> Prices:
    return resolve_prices(parameters, values, untreated_fatal_share(parameters, values))


def _years(parameters: ParameterSet, budget_years: int, more: int) -> int:
    horizon = horizon_years(parameters)
    if horizon < budget_years:
        what = f"horizon_years = {horizon}: must be at least the {budget_years} years of the budget"
        fix = f'horizon_years = "lifetime", or n_budget_years of at most {horizon}'
        raise AnalysisError(what, where=str(parameters["horizon_years"].where), fix=fix)
    return min(horizon, budget_years + more)


def _rerun(parameters: ParameterSet, changes: Mapping[str, Any], years: int) -> tuple[MonthlyProfiles, Prices]:
    """Activity per start and prices under changed inputs: scenarios first, then single values, which others follow."""
    for name in changes.get("scenarios", ()):
        document = read_document(params_folder() / "scenarios" / f"{name}.toml")
        rows = {k: v for k, v in document.data.get("strategy", {}).items() if k in parameters.strategies}
        parameters = apply_override(parameters, replace(document, data=document.data | {"strategy": rows}))
    for name, value in changes.items():
        if name != "scenarios":
            parameters = set_value(parameters, f"{name}={float(value)!r}")
    return monthly_profiles(parameters, years), _prices(parameters, base_values(parameters))
