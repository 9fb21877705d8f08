"""One number of the programme's money, asked at any point, as :class:`~econmodel.uncertainty.deterministic.Asked` has it.

Outcomes: ``npv_cash`` and ``npv_with_capacity`` (net present value), ``peak_cash`` (lowest cumulative cash), ``payback`` (years,
infinite where it is not within the budget) and ``net_contribution_year_3`` (R11). Every input that has a range takes part. Where
nothing of the patients' course moves, activity per start is that of the case, and only prices and the budget are reckoned again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import cached_property, partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from econmodel.economics.activity import MonthlyProfiles
from econmodel.economics.bleed_prices import untreated_fatal_share
from econmodel.economics.evaluate import read_by_patients
from econmodel.errors import AnalysisError, EconModelError
from econmodel.model.inputs import Values, base_values
from econmodel.parameters.distributions import fixed
from econmodel.parameters.documents import read_document
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.schema import Parameter, Range, Surveillance
from econmodel.programme.after_bleed import check_start, profiles_of
from econmodel.programme.budget import MONTHS, Budget
from econmodel.programme.headline import YEAR_OF_CONTRIBUTION
from econmodel.programme.inputs import input_kinds
from econmodel.programme.money import finance
from econmodel.programme.money.rows import Row
from econmodel.programme.planned import budget_of, in_the_mix, years_of
from econmodel.records import record
from econmodel.uncertainty.deterministic import SETTINGS, USUAL_INTERVAL, Change, by_setting, needed_input, possible, varied, varying
from econmodel.uncertainty.scenarios import BASE, scenario_files, under_scenario
from econmodel.wording import duration, lower, money, nearest

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
CASH_LEFT = "cash_left"
LABELS = {
    "npv_cash": "Net present value in cash over {time}",
    "npv_with_capacity": "Net present value with staff time freed counted as money over {time}",
    "peak_cash": "Lowest cumulative cash over {time}",
    "payback": "Years to payback within {time}",
    "net_contribution_year_3": "Net contribution in year {year}",
    CASH_LEFT: "Cash left after {time}",
}
MONEY_OUTCOMES = tuple(name for name in LABELS if name != CASH_LEFT)
PAIRS = (
    ("ratio_volume", "ratio_payment"),
    ("ratio_cost", "ratio_volume"),
    ("share_bed_refill", "c_refill_contribution"),
    ("share_cash_bleeds", "share_cash_sessions"),
)
WHOLE_NUMBERS = frozenset(name for name, kind in input_kinds().items() if kind == "whole")
APART = WHOLE_NUMBERS | {*SETTINGS, USUAL_INTERVAL}
AT_ONCE = 256


@record
class MoneyQuestion:
    """One outcome of the programme of a case; ``parameters`` hold the strategies of its mixes."""

    parameters: ParameterSet
    outcome: str = "npv_cash"

    @property
    def label(self) -> str:
        """Outcome in plain words."""
        years = self.parameters.number("n_budget_years")
        return LABELS[self.outcome].format(time=duration(years), year=min(YEAR_OF_CONTRIBUTION, int(years)))

    @property
    def subject(self) -> str:
        """Say that it is about the programme."""
        return "The programme"

    @property
    def good(self) -> str:
        """What it does on the side of 0 that helps; lowest cash and years to payback do not cross 0."""
        if self.outcome in ("peak_cash", "payback"):
            return ""
        within = f"pays back within {duration(self.parameters.number('n_budget_years'))}"
        return within if self.outcome == CASH_LEFT else f"has {lower(self.label)} above 0"

    def helps(self, outcome: float) -> bool:
        """Whether an outcome is above 0."""
        return outcome > 0

    def say(self, value: float) -> str:
        """Outcome as text, money with its currency."""
        if self.outcome != "payback":
            return money(value, self.parameters.text("currency"))
        return f"{value:.1f} years" if np.isfinite(value) else "never"

    def answers(self, changes: Sequence[Change]) -> FloatArray:
        """Outcome for each set of changes to the base values, (change,); NaN where the model refuses it."""
        found = np.full(len(changes), np.nan)
        for rows, budget in self.budgets(changes):
            found[rows] = money_outcome(budget, self.outcome)
        return found

    def varying(self) -> list[Parameter]:
        """Inputs that have a range and act, and how often those without a procedure are looked at."""
        usual = usual_interval(self.parameters)
        return [*varying(self.parameters), *([usual] if usual else [])]

    def needed(self, name: str) -> Parameter:
        """One of them."""
        usual = usual_interval(self.parameters) if name == USUAL_INTERVAL else None
        return usual or needed_input(self.parameters, name)

    def held(self) -> MoneyQuestion:
        """The same with effects held."""
        return replace(self, parameters=self.parameters.evidence_held())

    def turning(self) -> MoneyQuestion:
        """Held; it pays back where cash is left at the end."""
        return replace(self.held(), outcome=CASH_LEFT if self.outcome == "payback" else self.outcome)

    def budgets(self, changes: Sequence[Change]) -> Iterator[tuple[IntArray, Budget]]:
        """Budgets under sets of changes, some at a time, with their places; those that the model refuses are left out."""
        base = base_values(self.parameters)
        for case, places, others in by_setting(self.parameters, changes, APART, _lay):
            values = varied(case, others)
            rows = np.flatnonzero(possible(case, values))
            course = changes[places[0]].keys() - WHOLE_NUMBERS & APART
            moved = np.array([bool(course)] * len(places))
            for name in self._of_patients:
                moved |= values[name] != base[name]
            for which, reckon in ((moved, budget_of), (~moved, self._at_prices)):
                for part in _parts(rows[which[rows]]):
                    for some, budget in _reckoned(partial(reckon, case), values, part):
                        yield np.array(places)[some], budget

    def _at_prices(self, case: ParameterSet, values: Values) -> Budget:
        """Budgets at other prices and programme inputs, activity per start as it is."""
        died = np.repeat(self._died, len(next(iter(values.values()))))
        years = years_of(case)
        if years not in self._known:
            self._known[years] = profiles_of(self.parameters, years)
        return budget_of(case, values, died=died, profiles=self._known[years])

    @cached_property
    def _of_patients(self) -> frozenset[str]:
        return read_by_patients(self.parameters)

    @cached_property
    def _died(self) -> FloatArray:
        return untreated_fatal_share(self.parameters, base_values(self.parameters))

    @cached_property
    def _known(self) -> dict[int, MonthlyProfiles]:
        return {}


def ask_money(parameters: ParameterSet, outcome: str = "npv_cash") -> MoneyQuestion:
    """Check and build a question.

    Raises
    ------
    EconModelError
        The outcome is unknown, a mix names a strategy the case does not have, or no programme takes up such a cohort.
    """
    if outcome not in MONEY_OUTCOMES:
        what = f"outcome {outcome!r}: must be one of {', '.join(MONEY_OUTCOMES)}"
        raise AnalysisError(what, where="--outcome", fix=nearest(outcome, MONEY_OUTCOMES, "choose one of them"))
    check_start(parameters)
    return MoneyQuestion(in_the_mix(parameters), outcome)


def money_outcome(budget: Budget, outcome: str) -> FloatArray:
    """One outcome of a budget, (draw,)."""
    match outcome:
        case "npv_cash":
            return budget.npv_cash
        case "npv_with_capacity":
            return budget.npv_with_capacity
        case "peak_cash":
            return budget.peak_cash
        case "payback":
            years = finance.payback_years(budget.flows.cumsum(axis=1), MONTHS)
            return np.where(np.isnan(years), np.inf, years)
        case "net_contribution_year_3":
            return budget.years[Row.NET_CONTRIBUTION][:, min(YEAR_OF_CONTRIBUTION, budget.inputs.n_budget_years)]
    return np.asarray(budget.flows.sum(axis=1))


def money_pairs(parameters: ParameterSet) -> tuple[tuple[str, str], ...]:
    """Pairs of inputs whose maps a finance director asks for; what surveillance is paid against how often the untreated are seen."""
    mix = sorted(parameters.rows("proposed_mix"), key=lambda row: -float(row["share"]))
    rows = [parameters.strategies[str(row["strategy"])] for row in mix]
    visit = next((row.surveillance.visit for row in rows if row.session and row.surveillance.interval), "")
    seen = usual_interval(parameters) and f"payment_{visit}" in parameters.parameters
    return (*PAIRS, *([(f"payment_{visit}", USUAL_INTERVAL)] if seen else []))


def usual_interval(parameters: ParameterSet) -> Parameter | None:
    """Months between examinations of patients without a procedure, as an input of a case; None where none are examined at an interval.

    It stands in the schedule of their strategies, so that no input of the case holds it.
    """
    rows = [row for row in parameters.strategies.values() if not row.session and row.surveillance.interval]
    if not rows:
        return None
    return Parameter(
        USUAL_INTERVAL,
        "Months between examinations of patients without a procedure",
        "months",
        "assumption",
        fixed(float(rows[0].surveillance.interval), "a schedule, varied and not sampled"),
        rows[0].where,
        value=float(rows[0].surveillance.interval),
        range=Range(6.0, 36.0, "judgement"),
        rationale="No source says how often a known, untreated varix is looked at.",
        replaced_by="the site's own count of examinations of these patients",
    )


def _lay(case: ParameterSet, name: str, value: float) -> ParameterSet:
    """Make a change that is no number of a draw."""
    if name != USUAL_INTERVAL:
        return case.with_value(name, value)
    rows = {
        key: replace(row, surveillance=Surveillance((), int(value), row.surveillance.visit))
        if not row.session and row.surveillance.interval
        else row
        for key, row in case.strategies.items()
    }
    return replace(case, strategies=rows)


def _parts(rows: IntArray) -> list[IntArray]:
    return [part for part in np.split(rows, range(AT_ONCE, len(rows), AT_ONCE)) if part.size]


def _reckoned(reckon: Callable[[Values], Budget], values: Values, rows: IntArray) -> Iterator[tuple[IntArray, Budget]]:
    """Budgets of some rows: all at once, or in halves where the model refuses some, down to those it refuses."""
    try:
        yield rows, reckon({name: column[rows] for name, column in values.items()})
    except EconModelError:
        for half in np.array_split(rows, 2) if len(rows) > 1 else ():
            yield from _reckoned(reckon, values, half)


@record
class MoneyScenario:
    """Money of the programme under one scenario; NaN where the case's own values leave it without an answer."""

    key: str
    title: str
    rationale: str
    npv_cash: float
    npv_with_capacity: float
    peak_cash: float
    payback: float
    net_contribution_year_3: float


def money_scenarios(question: MoneyQuestion, paths: Sequence[Path] | None = None) -> list[MoneyScenario]:
    """Reckon the budget under every scenario file; the case itself comes first."""
    found = [_scenario(BASE, "This case", "", lambda: question.parameters)]
    for path in scenario_files() if paths is None else paths:
        document = read_document(path)
        under = partial(under_scenario, question.parameters, document)
        found.append(_scenario(path.stem, document.data["title"], document.data["rationale"], under))
    return found


def _scenario(key: str, title: str, rationale: str, under: Callable[[], ParameterSet]) -> MoneyScenario:
    try:
        case = under()
        budget = budget_of(case, base_values(case))
    except EconModelError as fault:
        if key == BASE:
            raise
        why = "; ".join(each.what for each in fault.faults or (fault,))
        return MoneyScenario(key, title, f"No answer with this case's values: {why}.", *[np.nan] * len(MONEY_OUTCOMES))
    return MoneyScenario(key, title, rationale, *(float(money_outcome(budget, name)[0]) for name in MONEY_OUTCOMES))
