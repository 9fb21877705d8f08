"""Settings of a registry import, and the base case's beliefs, from the model's inputs, that its counts are combined with.

Terms
-----
gamma prior
    Belief about a yearly rate: ``shape`` is worth that many events, ``rate`` that many patient-years.
beta prior
    Belief about a probability per course: ``a`` events in ``a + b`` courses.
mix ratio
    Expected bleeding rate of the registry's untreated patients relative to the reference cell; patient-years
    are weighted by it, so that a rate seen in sicker patients is not read as the rate of that cell.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import field
from datetime import date
from functools import lru_cache
from typing import Any, Literal

from econmodel.errors import AnalysisError
from econmodel.evidence.untreated import Coefficients
from econmodel.parameters.catalogue import KEPT_COMPLICATIONS
from econmodel.parameters.loading import load_base_case
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.schema import StrategyRow
from econmodel.records import record
from econmodel.workbooks import LARGEST

HORIZONS = (1, 2, 3, 5)
DAYS_PER_YEAR = 365.25
SIX_WEEKS = 42
DateOrder = Literal["day_first", "month_first"]


@lru_cache(maxsize=1)
def shipped_strategies() -> Mapping[str, StrategyRow]:
    """Strategies of the base case as shipped."""
    return load_base_case().strategies


@record
class SheetLayout:
    """Where a table of the registry stands, and what its columns hold.

    Parameters
    ----------
    number, header_row, first_row
        Sheet, row of its headings, and first row of patients: what lies between is heading or units.
    columns
        Letter -> our name, ``ignore``, or a name with a number (``session_date 2``) where several columns of a row hold one.
    layout
        Keyed hash of the headings; "" is not compared.
    """

    number: int = 1
    header_row: int = 1
    first_row: int = 2
    columns: Mapping[str, str] = field(default_factory=dict)
    layout: str = ""


@record
class Options:
    """How a registry is read.

    Parameters
    ----------
    date_order
        Settles columns whose dates can be read both ways; None asks (an error that names the option).
    number_style
        ``point`` or ``comma``: settles numbers with two readings in a column whose other cells do not.
    mapping
        Column of the file -> our name, or ``ignore``.
    words
        (Our name, word of the file) -> a word known here, for words that a column uses and this program does not know.
    course_gap_days
        Sessions no further apart, of a varix not yet obliterated, belong to one course.
    as_of
        Date of the reading: later dates are impossible, and two-digit years lie before it.
    strategies
        The case's strategies, under which a patient may be listed; default: the base case's.
    groups
        Rows of the case's mix, whose names its groups of patients bear.
    sheets
        Tables to read, joined by patient, as a recipe says; none: the one whose headings are best known.
    layout_key
        Key of the hashes of headings.
    largest
        Bytes that the file may have, or a workbook unpack to.
    shared
        Whether what is local for one strategy moves its comparators alike; else they stay ours, and it is said.
    minimum
        Fewest patients, courses or sessions from which a mean or share replaces the base case's.
    """

    date_order: DateOrder | None = None
    number_style: str = "unknown"
    mapping: Mapping[str, str] = field(default_factory=dict)
    words: Mapping[tuple[str, str], str] = field(default_factory=dict)
    course_gap_days: int = 90
    as_of: date = field(default_factory=date.today)
    strategies: Mapping[str, StrategyRow] = field(default_factory=shipped_strategies)
    groups: tuple[Mapping[str, Any], ...] = ()
    sheets: tuple[SheetLayout, ...] = ()
    layout_key: str = ""
    largest: int = LARGEST
    shared: bool = True
    minimum: int = 5

    @property
    def without_sessions(self) -> tuple[str, ...]:
        """Strategies that treat in no session."""
        return tuple(key for key, row in self.strategies.items() if not row.session)


@record
class Prior:
    """Gamma belief about a rate per patient-year: ``shape`` events in ``rate`` patient-years."""

    shape: float
    rate: float

    @property
    def mean(self) -> float:
        """Mean rate per patient-year."""
        return self.shape / self.rate


JEFFREYS_RATE = Prior(0.5, 0.0)


@record
class BetaPrior:
    """Beta belief about a probability; the default is Jeffreys', worth half an event and half a non-event."""

    a: float = 0.5
    b: float = 0.5


@record
class BaseCase:
    """What the model believes without the registry.

    Parameters
    ----------
    rates
        Gamma priors by input name: ``r_other_bleed``, ``r_late_rebleed``, recurrence and loss.
    log_rate
        Mean and standard deviation of the log rate of an untreated first bleed in a setting not yet seen, in the reference
        cell; None without one.
    log_multipliers
        Mean and standard deviation of the log multipliers of the untreated rate in later years, by input name.
    prior_weight
        What the belief on the log rate weighs: 1 as the cohorts give it, towards 0 nothing.
    values
        Our values of what strategies name, to which a site's are compared.
    probabilities
        Beta priors by input name, such as ``p_embolism_glue``.
    case_mix
        Rows with share, child, size_step and red_spot: whom patients of unknown group are taken to be like.
    coefficients
        Effects of the groups on bleeding: they relate patients to the reference cell.
    untreated_risk
        Cumulative first-bleed risk without prophylaxis by horizon in years: the borrowed comparator.
    known
        Names of the model's inputs; an override names no other. None: no check.
    """

    rates: Mapping[str, Prior] = field(default_factory=dict)
    probabilities: Mapping[str, BetaPrior] = field(default_factory=dict)
    log_multipliers: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    prior_weight: float = 1.0
    values: Mapping[str, float] = field(default_factory=dict)
    log_rate: tuple[float, float] | None = None
    case_mix: tuple[Mapping[str, Any], ...] = ()
    coefficients: Coefficients | None = None
    untreated_risk: Mapping[int, float] = field(default_factory=dict)
    known: frozenset[str] | None = None


def prior_from_mean(mean: float, se: float) -> Prior:
    """Gamma prior with a given mean and standard error, by the method of moments.

    Parameters
    ----------
    mean
        Rate per patient-year, above 0.
    se
        Its standard error, above 0.

    Raises
    ------
    AnalysisError
        Either is not a positive number.

    Examples
    --------
    >>> prior_from_mean(0.2, 0.05)
    Prior(shape=16.0, rate=80.0)
    """
    if not (mean > 0 and se > 0 and math.isfinite(mean) and math.isfinite(se)):
        what = f"a gamma prior with mean {mean:g} and standard error {se:g}: both must be > 0"
        raise AnalysisError(what, fix="give the rate per patient-year and the standard error of its mean")
    return Prior(round((mean / se) ** 2, 12), round(mean / se**2, 12))


RATES = ("r_other_bleed", "r_late_rebleed")


def base_case_from(
    parameters: ParameterSet, untreated_risk: dict[int, float] | None = None, hospital: ParameterSet | None = None
) -> BaseCase:
    """Read priors, case mix and coefficients from the inputs.

    Parameters
    ----------
    parameters
        The base case (not a site's own values: they may come from the same registry).
    untreated_risk
        Cumulative first-bleed risk without prophylaxis by horizon, from a run of the model; None leaves a registry
        without untreated patients without an NNT.
    hospital
        A site's case: it is believed on the inputs of its own strategies and on its case mix alone.
    """
    site = hospital or parameters
    rates, probabilities = _gamma_priors(parameters), _beta_priors(parameters)
    coefficients = Coefficients(*(parameters.number(name) for name in ("b_child", "b_size", "b_red")))
    return BaseCase(
        rates=_gamma_priors(site) | rates,
        probabilities=_beta_priors(site) | probabilities,
        log_rate=_predictive(parameters),
        log_multipliers=_log_multipliers(parameters),
        values={name: p.value for name, p in site.parameters.items() if isinstance(p.value, float) and p.value > 0},
        case_mix=site.rows("case_mix"),
        coefficients=coefficients,
        untreated_risk=untreated_risk or {},
        known=frozenset(site.parameters),
    )


def _gamma_priors(parameters: ParameterSet) -> dict[str, Prior]:
    named = (*RATES, *_named(parameters, "r_recurrence", "r_lost"))
    believed = {name: parameters[name] for name in named if parameters[name].is_uncertain}
    return {name: prior_from_mean(parameters.number(name), p.distribution.sd) for name, p in believed.items()}


def _predictive(parameters: ParameterSet) -> tuple[float, float]:
    """Belief on the log rate of a setting: mean and between-setting part together."""
    parts = [parameters[name] for name in ("log_rate_mean", "log_rate_site")]
    return sum(parameters.number(p.name) for p in parts), math.hypot(*(p.distribution.sd for p in parts))


def _log_multipliers(parameters: ParameterSet) -> dict[str, tuple[float, float]]:
    """Beliefs on the log of the untreated rate in later years, as far as they are lognormal."""
    found = {name: parameters[name] for name in ("hr_first_bleed_years_2_3", "hr_first_bleed_from_year_4")}
    return {
        name: (p.distribution.fields["mu"], p.distribution.fields["sigma"])
        for name, p in found.items()
        if p.distribution.family == "lognormal"
    }


def _named(parameters: ParameterSet, *slots: str) -> set[str]:
    """Inputs that the strategies name in these places of their rows."""
    return {name for row in parameters.strategies.values() for slot in slots if (name := getattr(row, slot))}


def _beta_priors(parameters: ParameterSet) -> dict[str, BetaPrior]:
    named = (row.complications.get(kind) for row in parameters.strategies.values() for kind in KEPT_COMPLICATIONS)
    shares = _named(parameters, "p_obliteration", "p_retreat_accepted", "p_retreat_year_1")
    beliefs = {name: parameters[name].distribution for name in (*named, *shares) if name}
    return {name: BetaPrior(d.fields["a"], d.fields["b"]) for name, d in beliefs.items() if d.family == "beta"}
