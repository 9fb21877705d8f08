"""The base case's beliefs, taken from the model's inputs, for combining with a registry's counts."""

from __future__ import annotations

from econmodel.evidence.registry.settings import BaseCase, BetaPrior, Coefficients, Prior, prior_from_mean, prior_from_probability
from econmodel.parameters.catalogue import KEPT_COMPLICATIONS
from econmodel.parameters.parameter_set import ParameterSet

RATES = ("r_other_bleed", "r_late_rebleed")


def base_case_from(parameters: ParameterSet, untreated_risk: dict[int, float] | None = None) -> BaseCase:
    """Read priors, evidence mix and coefficients from the inputs.

    Parameters
    ----------
    parameters
        The base case (not a site's own values: they may come from the same registry).
    untreated_risk
        Cumulative first-bleed risk without prophylaxis by horizon, from a run of the model; None leaves a registry
        without untreated patients without an NNT.

    Notes
    -----
    ``p_first_bleed_year_1`` becomes a gamma belief on its rate, mean ``-ln(1 - p)``, its standard error
    by the delta method.
    """
    rates: dict[str, Prior] = {}
    first = parameters["p_first_bleed_year_1"]
    if first.is_uncertain:
        rates["p_first_bleed_year_1"] = prior_from_probability(parameters.number(first.name), first.distribution.sd)
    for name in RATES:
        if parameters[name].is_uncertain:
            rates[name] = prior_from_mean(parameters.number(name), parameters[name].distribution.sd)
    coefficients = Coefficients(*(parameters.number(name) for name in ("b_child", "b_size", "b_red")))
    return BaseCase(
        rates=rates,
        probabilities=_beta_priors(parameters),
        evidence_mix=parameters.rows("evidence_mix"),
        coefficients=coefficients,
        untreated_risk=untreated_risk or {},
        known=frozenset(parameters.parameters),
    )


def _beta_priors(parameters: ParameterSet) -> dict[str, BetaPrior]:
    named = (row.complications.get(kind) for row in parameters.strategies.values() for kind in KEPT_COMPLICATIONS)
    beliefs = {name: parameters[name].distribution for name in named if name}
    return {name: BetaPrior(d.fields["a"], d.fields["b"]) for name, d in beliefs.items() if d.family == "beta"}
