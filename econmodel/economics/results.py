"""Results of a case: typed figures that every report, page and check reads; JSON only at the edge, by ``to_json``.

Keys of the JSON are stable; more may be added. Counts are per patient and undiscounted; money, life-years and QALYs are
discounted unless they say otherwise. Its ``inputs`` are fully resolved, so anyone can run the case again from it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from econmodel.arrays import known
from econmodel.economics.comparison import Comparison, FrontierRow, rank_strategies
from econmodel.economics.evaluate import Evaluation
from econmodel.economics.ladder import Ladder, nnt_ladder
from econmodel.economics.lead import find_subjects, next_of_route
from econmodel.economics.prices import money_by_period
from econmodel.economics.resolved import inputs_document
from econmodel.errors import AnalysisError
from econmodel.package import version
from econmodel.parameters.catalogue import CATEGORIES, CATEGORY, COMPLICATIONS, COUNT_KEYS, COURSE_COUNTS
from econmodel.parameters.loading import Case
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.schema import NEVER_BLED_YET, WATCH
from econmodel.parameters.second_look import second_look
from econmodel.records import record

SCHEMA = 2
ALL_PATIENTS = 0
CAUSES = ("bleed", "procedure", "other")
HARMS = COMPLICATIONS
COUNTED = ("first_bleeds", "rebleeds", "sessions", "courses", "transplants", "icu_days", "ward_days")
YEARLY = ("first_bleeds", "rebleeds", "sessions", "icu_days", "ward_days")
FloatArray = NDArray[np.float64]


@record
class Identity:
    """Which case was run, with which inputs and by which version."""

    name: str
    title: str
    file: str
    parameters_sha256: str
    version: str
    seed: int
    draws: int
    overrides: tuple[str, ...]
    is_demo: bool


@record
class Settings:
    """What a reader must know to read the results; ``comparator`` is the one chosen for the frontier's plane."""

    horizon_years: int
    headline_years: int
    discount_costs: float
    discount_outcomes: float
    currency: str
    price_year: str
    comparator: str
    perspective: str
    willingness_to_pay: float | None
    cohort_start: str

    @property
    def has_bled(self) -> bool:
        """Whether the cohort starts at a bleed or after one, so that first bleeds do not apply."""
        return self.cohort_start != NEVER_BLED_YET

    @property
    def headline(self) -> int:
        """Years of the headline figures: the time horizon where that is shorter."""
        return min(self.headline_years, self.horizon_years)


@record
class Year:
    """One year of one patient, undiscounted; ``alive`` is the share alive at its end."""

    year: int
    cost_undiscounted: float
    first_bleeds: float
    rebleeds: float
    sessions: float
    icu_days: float
    ward_days: float
    alive: float


@record
class Undiscounted:
    """Totals over the time horizon without discounting."""

    cost: float
    life_years: float
    qalys: float


@record
class StrategyResult:
    """One strategy, per patient, over the time horizon.

    ``costs`` is cost by the end of each year reported (the horizon last), ``cost_by_category`` and
    ``headline_cost_by_category`` split that of the horizon and of the headline years; risks of a first bleed are by year.
    ``course`` holds visits, re-treatments and rebleeds by source, where the effect is a process.
    """

    key: str
    label: str
    headline_years: int
    costs: Mapping[int, float]
    cost_by_category: Mapping[str, float]
    headline_cost_by_category: Mapping[str, float]
    life_years: float
    qalys: float
    undiscounted: Undiscounted
    first_bleed_risk: Mapping[int, float]
    gastric_first_bleed_risk: Mapping[int, float]
    first_bleeds: float
    rebleeds: float
    deaths: Mapping[str, float]
    sessions: float
    courses: float
    transplants: float
    state_years: Mapping[str, float]
    icu_days: float
    ward_days: float
    complications: Mapping[str, float]
    activity: Mapping[str, float]
    yearly: tuple[Year, ...]
    course: Mapping[str, float] = field(default_factory=dict)

    @property
    def cost(self) -> float:
        """Cost over the time horizon."""
        return self.costs[max(self.costs)]

    @property
    def bleeds_per_first_bleed(self) -> float:
        """All bleeds for each first one over the time horizon: what an NNT of first bleeds leaves out."""
        return (self.first_bleeds + self.rebleeds) / self.first_bleeds if self.first_bleeds else float("nan")

    @property
    def headline_cost(self) -> float:
        """Cost over the headline years."""
        return self.cost_at(self.headline_years)

    def cost_at(self, years: int) -> float:
        """Cost over the first years.

        Raises
        ------
        AnalysisError
            Results are not reported at that year.
        """
        if years not in self.costs:
            what = f"cost at {years} years: must be one of the years reported, {', '.join(map(str, self.costs))}"
            raise AnalysisError(what, fix="set headline_years to it, or read the yearly table")
        return self.costs[years]

    def to_json(self) -> dict[str, Any]:
        """Give the block of the result document."""
        return {
            "label": self.label,
            "cost": {"total": self.cost, "by_category": dict(self.cost_by_category)},
            "cost_five_years": {"total": self.headline_cost, "by_category": dict(self.headline_cost_by_category)},
            "life_years": self.life_years,
            "qalys": self.qalys,
            "undiscounted": dict(vars(self.undiscounted)),
            "first_bleed_risk": _by_year(self.first_bleed_risk),
            "gastric_first_bleed_risk": _by_year(self.gastric_first_bleed_risk),
            "first_bleeds": known(self.first_bleeds),
            "rebleeds": self.rebleeds,
            "deaths": dict(self.deaths),
            "sessions": self.sessions,
            "courses": self.courses,
            "transplants": self.transplants,
            "state_years": dict(self.state_years),
            "icu_days": self.icu_days,
            "ward_days": self.ward_days,
            "complications": dict(self.complications),
            "activity": {name: known(amount) for name, amount in self.activity.items()},
            **self.course,
        } | ({"yearly": [{name: known(figure) for name, figure in vars(year).items()} for year in self.yearly]} if self.yearly else {})


def _by_year(figures: Mapping[int, float]) -> dict[str, float | None]:
    return {str(year): known(figure) for year, figure in figures.items()}


@record
class Compared:
    """One strategy against one comparator, over the time horizon and at the headline years (None beyond the horizon)."""

    whole: Comparison[float]
    at_headline_years: Comparison[float] | None

    @property
    def headline(self) -> Comparison[float]:
        """At the headline years, or over the horizon where that is shorter."""
        return self.at_headline_years or self.whole

    def to_json(self) -> dict[str, Any]:
        """Give the block of the result document."""
        now = self.at_headline_years
        return self.whole.to_json() | ({"at_five_years": now.to_json()} if now else {})


@record
class GroupResult:
    """Strategies and comparisons (comparator, then strategy) of one patient group, or of all patients."""

    strategies: Mapping[str, StrategyResult]
    comparisons: Mapping[str, Mapping[str, Compared]]

    def to_json(self) -> dict[str, Any]:
        """Give the block of the result document."""
        return {
            "strategies": {key: found.to_json() for key, found in self.strategies.items()},
            "comparisons": {
                versus: {key: found.to_json() for key, found in block.items()} for versus, block in self.comparisons.items()
            },
        }


@record
class Results:
    """Deterministic results of a case.

    ``inputs`` is the document of resolved inputs; ``lead`` is the strategy that papers follow, ``usual_care`` and
    ``watch`` are what it stands beside, ``next_of_route`` the best value of the others that reach the varix as it does (empty
    where there is none); ``subjects_note`` says where usual care is not the setting's.
    """

    case: Identity
    second_look: tuple[str, ...]
    settings: Settings
    inputs: Mapping[str, Any]
    whole: GroupResult
    groups: Mapping[str, GroupResult]
    frontier: tuple[FrontierRow, ...]
    lead: str
    usual_care: str
    next_of_route: str
    subjects_note: str
    ladder: Ladder

    @property
    def strategies(self) -> Mapping[str, StrategyResult]:
        """Results of all patients by strategy, in display order."""
        return self.whole.strategies

    @property
    def comparisons(self) -> Mapping[str, Mapping[str, Compared]]:
        """Comparisons of all patients: by comparator, then strategy."""
        return self.whole.comparisons

    @property
    def labels(self) -> dict[str, str]:
        """Label of each strategy, in display order."""
        return {key: found.label for key, found in self.strategies.items()}

    @property
    def beside(self) -> tuple[str, ...]:
        """Comparators of every summary: usual care, then no prophylaxis, those the case has."""
        return tuple(dict.fromkeys(key for key in (self.usual_care, WATCH) if key in self.strategies))

    @property
    def subjects(self) -> tuple[str, ...]:
        """Strategies shown year by year: the comparators of every summary, then the lead."""
        return tuple(dict.fromkeys((*self.beside, self.lead)))

    def strategy(self, key: str) -> StrategyResult:
        """Results of one strategy.

        Raises
        ------
        AnalysisError
            The case has no such strategy.
        """
        if key not in self.strategies:
            what = f"strategy {key!r}: must be one of {', '.join(self.strategies)}"
            raise AnalysisError(what, fix="choose one of them")
        return self.strategies[key]

    def against(self, versus: str, key: str) -> Compared | None:
        """Comparison of one strategy with one comparator; None for the comparator itself or one not shown."""
        return self.comparisons.get(versus, {}).get(key)

    def to_json(self) -> dict[str, Any]:
        """Give the result document."""
        return {
            "schema": SCHEMA,
            "case": vars(self.case) | {"overrides": list(self.case.overrides)},
            "second_look": list(self.second_look),
            "settings": dict(vars(self.settings)),
            "lead": self.lead,
            "usual_care": self.usual_care,
            "next_of_route": self.next_of_route or None,
            "inputs": dict(self.inputs),
            **self.whole.to_json(),
            "groups": {name: group.to_json() for name, group in self.groups.items()},
            "frontier": [row.to_json() for row in self.frontier],
            "nnt_ladder": self.ladder.to_json(),
        }


def case_results(case: Case, evaluation: Evaluation, *, draws: int = 0) -> Results:
    """Gather the deterministic results of a case.

    Parameters
    ----------
    case
        What was evaluated.
    evaluation
        Its results, by year and by group, one draw.
    draws
        Draws of the probabilistic analysis that goes with it.
    """
    parameters = case.parameters
    subjects = find_subjects(parameters, evaluation)
    yearly = yearly_table(evaluation)
    following = next_of_route(parameters, subjects.lead, evaluation)
    against = comparators(parameters, subjects.usual_care, following)
    groups = {name: _group(evaluation, g, yearly, against) for g, name in enumerate(evaluation.activity.groups)}
    return Results(
        case=Identity(
            case.name,
            case.title,
            case.file,
            parameters.sha256,
            version(),
            int(parameters.number("seed")),
            draws,
            tuple(parameters.titles),
            case.is_demo,
        ),
        second_look=tuple(second_look(parameters)),
        settings=_settings(evaluation),
        inputs=inputs_document(evaluation),
        whole=groups.pop(evaluation.activity.groups[ALL_PATIENTS]),
        groups=groups,
        frontier=frontier(evaluation),
        lead=subjects.lead,
        usual_care=subjects.usual_care,
        next_of_route=following,
        subjects_note=subjects.note,
        ladder=nnt_ladder(evaluation, subjects.lead, subjects.usual_care),
    )


def result_document(case: Case, evaluation: Evaluation, *, draws: int = 0) -> dict[str, Any]:
    """Give the results of a case as JSON; see :func:`case_results`."""
    return case_results(case, evaluation, draws=draws).to_json()


def _settings(evaluation: Evaluation) -> Settings:
    p = evaluation.parameters
    return Settings(
        horizon_years=evaluation.horizon,
        headline_years=int(p.number("headline_years")),
        discount_costs=p.number("discount_costs"),
        discount_outcomes=p.number("discount_outcomes"),
        currency=p.text("currency"),
        price_year=p.text("price_year"),
        comparator=p.text("comparator"),
        perspective=p.text("perspective"),
        willingness_to_pay=p.threshold,
        cohort_start=p.text("cohort_start"),
    )


def comparators(parameters: ParameterSet, usual_care: str, following: str = "") -> tuple[str, ...]:
    """List the comparators shown: usual care, no prophylaxis, the one chosen, and the next of the lead's route."""
    wanted = (usual_care, WATCH, parameters.text("comparator"), following)
    return tuple(key for key in dict.fromkeys(wanted) if key in parameters.strategies)


def _group(e: Evaluation, group: int, yearly: Mapping[str, FloatArray], against: tuple[str, ...]) -> GroupResult:
    return GroupResult(
        {key: strategy_result(e, key, group, yearly if group == ALL_PATIENTS else None) for key in e.keys},
        {versus: {key: compared(e, key, versus, group) for key in e.keys if key != versus} for versus in against},
    )


def strategy_result(e: Evaluation, key: str, group: int, yearly: Mapping[str, FloatArray] | None = None) -> StrategyResult:
    """Results of one strategy and patient group (0: all), with the :func:`yearly_table` of the evaluation."""
    s = e.index(key)

    def at(array: FloatArray) -> float:
        return float(array[0, s, group])

    def count(name: str) -> float:
        return at(e.count(name))

    def risks(name: str) -> dict[int, float]:
        return {year: at(e.count(name, year)) for year in e.risk_years}

    def split(years: int | None) -> dict[str, float]:
        return {c: at(e.cost(years, category=c)) for c in CATEGORIES}

    return StrategyResult(
        key=key,
        label=e.parameters.strategies[key].label,
        headline_years=e.headline,
        costs={year: at(e.cost(year)) for year in e.risk_years},
        cost_by_category=split(None),
        headline_cost_by_category=split(e.headline),
        life_years=at(e.life_years()),
        qalys=at(e.qalys()),
        undiscounted=Undiscounted(at(e.cost(discounted=False)), at(e.life_years(discounted=False)), at(e.qalys(discounted=False))),
        first_bleed_risk=risks("first_bleeds"),
        gastric_first_bleed_risk=risks("gastric_first_bleeds"),
        **{name: count(name) for name in COUNTED},
        deaths={cause: count(f"deaths_{cause}") for cause in CAUSES},
        state_years={state: count(state) for state in e.activity.state_years},
        complications={kind: count(kind) for kind in HARMS},
        activity={name: count(name) for name in (*COUNT_KEYS, *CATEGORY)},
        yearly=_years(e, yearly, s, group) if yearly else (),
        course={c.key: count(c.key) for c in COURSE_COUNTS if c.key in e.activity.counts},
    )


def yearly_table(e: Evaluation) -> dict[str, FloatArray]:
    """What happens in each year, undiscounted, and who is alive at its end: arrays (year, strategy, group)."""
    a = e.activity
    cost = money_by_period(a, e.prices, e.perspective)[:, 0]
    deaths = np.sum([a.by_period(f"deaths_{cause}")[:, 0] for cause in CAUSES], axis=0)
    return {"cost_undiscounted": cost, **{name: a.by_period(name)[:, 0] for name in YEARLY}, "alive": 1.0 - deaths.cumsum(axis=0)}


def _years(e: Evaluation, table: Mapping[str, FloatArray], s: int, g: int) -> tuple[Year, ...]:
    columns = {name: values[:, s, g].tolist() for name, values in table.items()}
    rows = zip(*columns.values(), strict=True)
    return tuple(Year(year, **dict(zip(columns, row, strict=True))) for year, row in zip(e.activity.report_years, rows, strict=True))


def compared(e: Evaluation, key: str, versus: str, group: int) -> Compared:
    """One strategy against one comparator in one patient group, over the horizon and at the headline years."""
    within = e.headline_years <= e.horizon
    now = e.compare_means(key, versus, e.headline, group=group) if within else None
    return Compared(e.compare_means(key, versus, group=group), now)


def frontier(e: Evaluation) -> tuple[FrontierRow, ...]:
    """Efficiency frontier on cost and QALYs over the horizon."""
    costs, effects = e.cost()[0, :, ALL_PATIENTS].tolist(), e.qalys()[0, :, ALL_PATIENTS].tolist()
    return tuple(rank_strategies(e.keys, costs, effects))
