"""What an input is: its fields, and the closed lists they are checked against.

Terms
-----
input
    One number, text or table the model reads, with unit, distribution, range, status and source.
setting
    An input without a prefix, such as ``perspective`` or ``horizon_years``.
strategy row
    One option compared, told as the names of the inputs that describe it.
secondary row
    One way of preventing rebleeding after a bleed.
run setting
    A choice of the run, not a fact of the site: changing it makes no value the site's own.
whole input
    An input of :data:`WHOLE`: a whole number, at least the number given there.
"""

from __future__ import annotations

import csv
from dataclasses import field
from datetime import date
from typing import TYPE_CHECKING, Any

from econmodel.package import params_folder
from econmodel.records import record

if TYPE_CHECKING:
    from econmodel.parameters.derive import Expression
    from econmodel.parameters.distributions import Distribution


def _decimals() -> dict[str, int]:
    with (params_folder() / "tables" / "currencies.csv").open(encoding="utf-8", newline="") as lines:
        return {row["code"]: int(row["decimals"]) for row in csv.DictReader(lines)}


DECIMALS = _decimals()
"""Decimals of every currency in use (ISO 4217)."""
CURRENCIES = tuple(DECIMALS)
MONEY_PER = (
    "event",
    "session",
    "coil",
    "mL",
    "day",
    "unit",
    "visit",
    "year",
    "QALY",
    "once",
    "month",
    "post",
    "block",
    "case",
    "hour",
    "patient",
    "item",
)
COUNT_UNITS = (
    "years",
    "months",
    "days",
    "sessions",
    "coils",
    "mL",
    "units",
    "visits",
    "count",
    "patients",
    "patients/year",
    "visits/year",
    "hours",
    "minutes",
    "per event",
)
PLAIN_UNITS = (
    "probability",
    "per year",
    "growth per year",
    "hazard ratio",
    "relative risk",
    "odds ratio",
    "log hazard",
    "log rate",
    "ratio",
    "share",
    "utility",
    "QALY",
    "table",
    "choice",
    "text",
    *COUNT_UNITS,
)
STATUSES = ("published", "derived", "expert", "assumption", "local", "demo", "from memory")
SOURCE_KINDS = ("trial", "cohort", "meta-analysis", "guideline", "statistics", "price list", "model", "survey", "judgement")
PREFIX_UNITS: dict[str, tuple[str, ...]] = {
    "p_": ("probability",),
    "r_": ("per year", "growth per year", "visits/year"),
    "hr_": ("hazard ratio",),
    "rr_": ("relative risk", "ratio"),
    "or_": ("odds ratio",),
    "b_": ("log hazard",),
    "log_": ("log rate",),
    "share_": ("share",),
    "c_": ("money",),
    "payment_": ("money",),
    "u_": ("utility",),
    "du_": ("QALY",),
    "n_": COUNT_UNITS,
}
NEEDED_BY_STATUS: dict[str, tuple[str, ...]] = {
    "published": ("source", "locator"),
    "derived": ("source", "locator", "as_published", "derivation"),
    "expert": ("rationale",),
    "assumption": ("rationale",),
    "from memory": ("rationale",),
    "local": ("reason",),
    "demo": ("reason",),
}
BOUNDS: dict[str, tuple[float, float]] = {
    "probability": (0.0, 1.0),
    "share": (0.0, 1.0),
    "per year": (0.0, float("inf")),
    "growth per year": (-1.0, float("inf")),
    "utility": (-1.0, 1.0),
    "QALY": (0.0, float("inf")),
    "money": (0.0, float("inf")),
    "count": (0.0, float("inf")),
}
MAY_BE_EMPTY = ("contracts", "fixed_costs", "loans", "paths", "sites")
WHOLE = {
    "start_age": 0,
    "headline_years": 1,
    "n_frailty_classes": 1,
    "n_trial_months": 1,
    "n_budget_years": 1,
    "first_year": 0,
    "first_month": 0,
    "n_backlog_quarters": 1,
    "n_start_delay_months": 0,
    "n_absence_start_month": 0,
    "n_absence_months": 0,
    "n_stop_month": 0,
    "n_duty_months": 0,
}
THRESHOLD, NO_THRESHOLD = "willingness_to_pay", "none"
WORDS_FOR_NUMBERS = frozenset({("horizon_years", "lifetime"), (THRESHOLD, NO_THRESHOLD)})
"""Words that stand in place of an input's number."""
WATCH = "watch"  # the strategy of no prophylaxis, which every case holds untreated risk against
RUN_SETTINGS = ("draws", "seed")
PROCESS = "process"
NEVER_BLED_YET = "never_bled"
CALIBRATING = ("p_obliteration", "r_recurrence", "r_stop_trial", "sessions_mean", "p_retreat_accepted")
TRIAL_DETECTION = "p_detect_endoscopy"
POSITIVE_UNITS = ("hazard ratio", "relative risk", "odds ratio", "ratio")


@record
class Where:
    """Where a value was typed: a file and line, or an option of the command line."""

    file: str
    line: int | None = None
    table: str = ""

    def __str__(self) -> str:
        place = self.file if self.line is None else f"{self.file}, line {self.line}"
        return f"{place}, [{self.table}]" if self.table else place


@record
class Range:
    """Low and high for one-way analysis, in the value's unit, and what they rest on."""

    low: float
    high: float
    basis: str


@record
class Source:
    """Where a figure was read; ``confirm`` says what of the citation was not seen."""

    key: str
    citation: str
    kind: str
    doi: str = ""
    pmid: str = ""
    address: str = ""
    confirm: str = ""

    @property
    def reference(self) -> str:
        """Citation with its DOI, PMID or address."""
        tail = (self.doi and f"doi:{self.doi}") or (self.pmid and f"PMID {self.pmid}") or self.address
        return f"{self.citation}. {tail}" if tail else self.citation


@record
class Parameter:
    """One input with everything that is known about it.

    ``value`` is the number or text; a table input has ``table`` instead. ``changed_by`` names the override that set
    it last (empty for a base-case value), and ``base_value`` keeps what stood there before.

    ``derive`` computes the value from other inputs and tables, ``spread`` the numbers of its distribution; ``computed`` is
    what the expression gave when the value was typed, ``as_typed`` the input before it followed a change. ``replaced_by``
    says what evidence would take the place of an assumption, ``evidence`` is what the base case had before a change.
    ``acts_where`` names the choice of each setting without which the input moves nothing; empty: it always acts.
    """

    name: str
    label: str
    unit: str
    status: str
    distribution: Distribution
    where: Where
    value: float | str | None = None
    table: tuple[dict[str, Any], ...] | None = None
    range: Range | None = None
    date: date | None = None
    source: str = ""
    locator: str = ""
    as_published: str = ""
    derivation: str = ""
    rationale: str = ""
    note: str = ""
    reason: str = ""
    price_year: str = ""
    period_years: float | None = None
    per: str = ""
    choices: tuple[str, ...] = ()
    acts_where: dict[str, str] = field(default_factory=dict)
    derive: Expression | None = None
    rounded_to: float | None = None
    judgement: str = ""
    derive_not: str = ""
    replaced_by: str = ""
    follows_draws: bool = False
    spread: dict[str, Any] | None = None
    computed: float | None = None
    as_typed: Parameter | None = None
    changed_by: str = ""
    base_value: float | str | None = None
    evidence: Parameter | None = None

    @property
    def is_numeric(self) -> bool:
        """Whether the input is a single number."""
        return isinstance(self.value, float)

    @property
    def is_uncertain(self) -> bool:
        """Whether the input is sampled in a probabilistic analysis."""
        return self.distribution.family != "fixed"

    @property
    def weights(self) -> dict[str, float]:
        """Weight of each choice of a setting that is drawn; empty for any other input."""
        return self.distribution.fields if self.distribution.family == "categorical" else {}


@record
class Surveillance:
    """Visits after the start: at ``months``, then every ``interval`` months (0: no more), each a ``visit`` activity.

    The last falls in month 12 x ``until_year`` at the latest (0: no end).
    """

    months: tuple[int, ...] = ()
    interval: int = 0
    visit: str = "surveillance_egd"
    until_year: int = 0

    def at(self, month: int) -> bool:
        """Whether a visit falls at this month."""
        if self.until_year and month > 12 * self.until_year:
            return False
        if month in self.months:
            return True
        last = max(self.months, default=0)
        return self.interval > 0 and month > last and (month - last) % self.interval == 0


@record
class Protocol:
    """One way of following treated patients up."""

    key: str
    label: str
    surveillance: Surveillance
    where: Where


@record
class StrategyRow:
    """One option, told as names of inputs; a product of several names is a list.

    ``secondary`` is the row of secondary prophylaxis that it is where the cohort starts after a bleed.
    """

    key: str
    label: str
    starts_in: str
    where: Where
    hr_gastric: tuple[str, ...] = ()
    hr_other: tuple[str, ...] = ()
    hr_excess_death: tuple[str, ...] = ()
    hr_late_rebleed: tuple[str, ...] = ()
    effect_full_years: str = ""
    effect_none_years: str = ""
    sessions_mean: str = ""
    p_retreat_year_1: str = ""
    retreat_later: str = ""
    p_death_course: str = ""
    p_obliteration: str = ""
    r_recurrence: str = ""
    r_lost: str = ""
    p_retreat_accepted: str = ""
    r_stop: str = ""
    r_stop_later: str = ""
    r_stop_trial: str = ""
    session: str = ""
    coils: str = ""
    glue_ml: str = ""
    complications: dict[str, str] = field(default_factory=dict)
    drug: bool = False
    secondary: str = ""
    surveillance: Surveillance = Surveillance()
    evidence_grade: str = ""
    evidence_note: str = ""
    harms_note: str = ""
    reason: str = ""

    def input_names(self) -> tuple[str, ...]:
        """Every input the row refers to."""
        singles = (
            self.effect_full_years,
            self.effect_none_years,
            self.sessions_mean,
            self.p_retreat_year_1,
            self.retreat_later,
            self.p_death_course,
            self.p_obliteration,
            self.r_recurrence,
            self.r_lost,
            self.p_retreat_accepted,
            self.r_stop,
            self.r_stop_later,
            self.r_stop_trial,
            self.coils,
            self.glue_ml,
        )
        products = (*self.hr_gastric, *self.hr_other, *self.hr_excess_death, *self.hr_late_rebleed)
        return tuple(n for n in (*products, *singles, *self.complications.values()) if n)


SLOT_UNITS: dict[str, tuple[str, ...]] = {
    **dict.fromkeys(
        ("hr_gastric", "hr_other", "hr_late_rebleed", "hr_late_rebleed_other", "hr_excess_death"),
        ("hazard ratio", "relative risk", "ratio"),
    ),
    **dict.fromkeys(("r_recurrence", "r_lost", "r_stop", "r_stop_later", "r_stop_trial"), ("per year",)),
    **dict.fromkeys(("effect_full_years", "effect_none_years"), ("years",)),
    **dict.fromkeys(("p_retreat_year_1", "p_death_course", "p_obliteration", "p_retreat_accepted", "complications"), ("probability",)),
    **dict.fromkeys(("sessions_mean", "sessions"), ("sessions",)),
    "retreat_later": ("share", "ratio"),
    "coils": ("coils",),
    "glue_ml": ("mL",),
}


@record
class SecondaryRow:
    """One secondary prophylaxis: its effect on late rebleeding, sessions after each survived bleed, and activity.

    ``source`` is the bleed it follows: that of the gastric varix, or one from another source only.
    """

    key: str
    label: str
    activity: str
    where: Where
    hr_late_rebleed: tuple[str, ...] = ()
    hr_late_rebleed_other: tuple[str, ...] = ()
    sessions: str = ""
    drug: bool = False
    source: str = "gastric"

    def input_names(self) -> tuple[str, ...]:
        """Every input the row refers to."""
        return tuple(n for n in (*self.hr_late_rebleed, *self.hr_late_rebleed_other, self.sessions) if n)


@record
class JointGroup:
    """Inputs sampled together: kept in order (``direction`` up or down), or correlated on the normal scale by a matrix."""

    name: str
    members: tuple[str, ...]
    where: Where
    direction: str = ""
    correlation: tuple[tuple[float, ...], ...] = ()


def money_parts(unit: str) -> tuple[str, str] | None:
    """Split a money unit such as ``USD/session`` into currency and per; None for any other unit.

    Examples
    --------
    >>> money_parts("USD/session")
    ('USD', 'session')
    """
    currency, _, per = unit.partition("/")
    return (currency, per) if currency in CURRENCIES and per in MONEY_PER else None


def bounds_of(unit: str) -> tuple[float, float]:
    """Lowest and highest value of a unit; infinite where there is none.

    Examples
    --------
    >>> bounds_of("probability"), bounds_of("USD/coil"), bounds_of("log hazard")
    ((0.0, 1.0), (0.0, inf), (-inf, inf))
    """
    infinite = float("inf")
    return (0.0, infinite) if unit in POSITIVE_UNITS else BOUNDS.get(unit_kind(unit), (-infinite, infinite))


def unit_kind(unit: str) -> str:
    """Reduce a unit to the key of :data:`BOUNDS` it is checked by."""
    if money_parts(unit):
        return "money"
    return "count" if unit in COUNT_UNITS else unit


def twin(name: str) -> str:
    """Name under which draws hold the evidence's value of an input that was changed.

    Examples
    --------
    >>> twin("r_recurrence")
    'r_recurrence@evidence'
    """
    return f"{name}@evidence"
