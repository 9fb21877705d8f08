"""One-way analysis: one outcome of one strategy against one comparator, asked at any point.

Outcomes: ``cost`` (net cost per patient over the headline years), ``bleeds`` (bleeds averted per 100, headline years),
``nnt`` (first bleed, headline years), ``qalys`` and ``nmb`` (QALYs gained and net monetary benefit over the time horizon).

Every point passes through ``evaluate()``, batched as extra draws. A setting is read from the case and not from the draws,
so points that change one are evaluated apart. A point that breaks a rule of the model has no answer (not a number).
Two-way maps, thresholds and scenarios stand beside it; what they ask of a question is :class:`Asked`.
"""

from __future__ import annotations

from collections.abc import Callable, Container, Iterator, Sequence
from dataclasses import asdict, replace
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
from numpy.typing import NDArray

from econmodel.economics.evaluate import Evaluation, evaluate
from econmodel.economics.lead import find_subjects
from econmodel.economics.results import comparators
from econmodel.errors import AnalysisError, EconModelError
from econmodel.evidence.nnt import patients_per_event
from econmodel.model.inputs import base_values
from econmodel.parameters.following import follow_draws
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.schema import WHOLE, Parameter
from econmodel.records import record
from econmodel.wording import duration, lower, money, nearest, number

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

FloatArray = NDArray[np.float64]
Change = dict[str, float]
OUTCOMES = {
    "cost": "Net cost per patient, {time}",
    "bleeds": "Bleeds averted per 100 patients, {time}",
    "nnt": "NNT, first bleed, {time}",
    "nnt_all": "Patients treated per bleed averted, every bleed, {time}",
    "qalys": "QALYs gained per patient, time horizon",
    "nmb": "Net monetary benefit per patient, time horizon",
}
NET_BENEFIT = "nmb"
USUAL_INTERVAL = "n_usual_interval_months"  # no input of the case: the schedule of those without a procedure, as one number
STEPPED = frozenset({*WHOLE, "horizon_years", USUAL_INTERVAL})
SETTINGS = (
    "horizon_years",
    "headline_years",
    "start_age",
    "n_frailty_classes",
    "discount_costs",
    "discount_outcomes",
    "willingness_to_pay",
)


class Asked(Protocol):
    """A question with one number for an answer at any point: of a comparison, or of the programme's money."""

    @property
    def parameters(self) -> ParameterSet:
        """The case."""

    @property
    def outcome(self) -> str:
        """Name of what is looked at."""

    @property
    def label(self) -> str:
        """Outcome in plain words."""

    @property
    def subject(self) -> str:
        """Whom it is about, as the start of a sentence."""

    @property
    def good(self) -> str:
        """What the subject does on the side of 0 that helps; empty where the outcome does not cross 0."""

    def helps(self, outcome: float) -> bool:
        """Whether an outcome is on that side."""

    def say(self, value: float) -> str:
        """Outcome as text, money with its currency."""

    def answers(self, changes: Sequence[Change]) -> FloatArray:
        """Outcome for each set of changes to the base values, (change,); NaN where the model refuses it."""

    def varying(self) -> list[Parameter]:
        """What can be varied."""

    def needed(self, name: str) -> Parameter:
        """One of them."""

    def held(self) -> Asked:
        """The same with effects calibrated on today's values, whatever is then changed."""

    def turning(self) -> Asked:
        """The same, held, as an outcome that crosses 0 where this one turns."""


@record
class Question:
    """What is compared: one outcome of one strategy against one comparator; see :class:`Asked`."""

    parameters: ParameterSet
    strategy: str
    versus: str
    outcome: str = "cost"

    @property
    def label(self) -> str:
        """Outcome in plain words."""
        return OUTCOMES[self.outcome].format(time=duration(self.parameters.number("headline_years")))

    @property
    def subject(self) -> str:
        """Say who is compared with whom."""
        strategies = self.parameters.strategies
        return f"Against {lower(strategies[self.versus].label)}, {lower(strategies[self.strategy].label)}"

    @property
    def good(self) -> str:
        """What the strategy does on the side of 0 that helps; an NNT does not cross 0."""
        if self.outcome in ("nnt", "nnt_all"):
            return ""
        years = duration(self.parameters.number("headline_years"))
        return f"saves over {years}" if self.outcome == "cost" else f"has {lower(self.label)} above 0"

    def helps(self, outcome: float) -> bool:
        """Whether an outcome is on that side."""
        return outcome < 0 if self.outcome == "cost" else outcome > 0

    def say(self, value: float) -> str:
        """Outcome as text, money with its currency."""
        if self.outcome in ("cost", "nmb"):
            return money(value, self.parameters.text("currency"))
        return number(value, 3 if self.outcome == "qalys" else 1)

    def answers(self, changes: Sequence[Change]) -> FloatArray:
        """As :func:`answer_to`."""
        return answer_to(self, changes)

    def varying(self) -> list[Parameter]:
        """As :func:`varying`."""
        return varying(self.parameters)

    def needed(self, name: str) -> Parameter:
        """As :func:`needed_input`."""
        return needed_input(self.parameters, name)

    def held(self) -> Question:
        """The same with effects held."""
        return replace(self, parameters=self.parameters.evidence_held())

    def turning(self) -> Question:
        """As :meth:`held`."""
        return self.held()


def pairs_of(
    parameters: ParameterSet, strategy: str | None = None, against: str | None = None, *, evaluation: Evaluation | None = None
) -> tuple[tuple[str, str], ...]:
    """Pair a strategy (the lead, if none is given) with one comparator, or with each shown: usual care, then no prophylaxis.

    ``evaluation`` is the base run, where there is one already.

    Raises
    ------
    AnalysisError
        A strategy is unknown, compared with itself, or the only one.
    """
    found = find_subjects(parameters, evaluation)
    key = strategy or found.lead
    others = (against,) if against else [v for v in comparators(parameters, found.usual_care) if v != key] or (key,)
    for versus in others:
        ask(parameters, key, versus)
    return tuple((key, versus) for versus in others)


def ask(parameters: ParameterSet, strategy: str, versus: str, outcome: str = "cost") -> Question:
    """Check and build a question; only the two strategies are then evaluated.

    Raises
    ------
    AnalysisError
        An outcome or strategy is unknown, or a strategy is compared with itself; or net benefit is asked for without a threshold.
    """
    if outcome not in OUTCOMES:
        what = f"outcome {outcome!r}: must be one of {', '.join(OUTCOMES)}"
        raise AnalysisError(what, where="--outcome", fix=nearest(outcome, OUTCOMES, "choose one of them"))
    if outcome == NET_BENEFIT:
        parameters.need_threshold("net monetary benefit")
    for key in (strategy, versus):
        if key not in parameters.strategies:
            what = f"strategy {key!r}: must be one of {', '.join(parameters.strategies)}"
            raise AnalysisError(what, where="--strategy, --against", fix=nearest(key, parameters.strategies, "choose one of them"))
    if strategy == versus:
        what = f"strategy {strategy!r} is compared with itself"
        raise AnalysisError(what, fix="choose another comparator with --against")
    kept = {key: parameters.strategies[key] for key in (versus, strategy)}
    comparator = replace(parameters["comparator"], value=versus)
    inputs = parameters.parameters | {"comparator": comparator}
    return Question(replace(parameters, parameters=inputs, strategies=kept), strategy, versus, outcome)


def answer(question: Question, values: dict[str, FloatArray] | None = None) -> FloatArray:
    """Outcome for each row of values: (row,); NNT is NaN where there is no difference."""
    e = evaluate(question.parameters, values, yearly=False, by_group=False)
    return outcome_of(e, question.outcome, question.strategy, question.versus)


def answer_to(question: Question, changes: Sequence[Change]) -> FloatArray:
    """Outcome for each set of changes to the base values, settings among them: (change,).

    NaN where the change breaks a rule of the model: a course of less than a session, an effect that ends before it
    fades, or what ``evaluate()`` refuses.
    """
    found = np.full(len(changes), np.nan)
    for parameters, rows, others in by_setting(question.parameters, changes, SETTINGS):
        found[rows] = _answers(replace(question, parameters=parameters), others)
    return found


def by_setting(
    parameters: ParameterSet,
    changes: Sequence[Change],
    settings: Container[str],
    lay: Callable[[ParameterSet, str, float], ParameterSet] = ParameterSet.with_value,
) -> Iterator[tuple[ParameterSet, list[int], list[Change]]]:
    """Sets of changes that may run together: the case with its settings made, their places, and what else each changes."""
    alike: dict[tuple[tuple[str, float], ...], list[int]] = {}
    for i, change in enumerate(changes):
        alike.setdefault(tuple((n, v) for n, v in change.items() if n in settings), []).append(i)
    for made, rows in alike.items():
        case = parameters
        for name, value in made:
            case = lay(case, name, value)
        yield case, rows, [{n: v for n, v in changes[i].items() if n not in settings} for i in rows]


def _answers(question: Question, changes: Sequence[Change]) -> FloatArray:
    """Outcomes at one choice of settings; all at once, or one by one where the model refuses some."""
    values = varied(question.parameters, changes)
    good = possible(question.parameters, values)
    found = np.full(len(changes), np.nan)
    if good.any():
        kept = {name: column[good] for name, column in values.items()}
        try:
            e = evaluate(question.parameters, kept, yearly=False, by_group=False)
        except EconModelError:
            if len(changes) > 1:
                return np.concatenate([_answers(question, [change]) for change in changes])
            return found
        found[good] = outcome_of(e, question.outcome, question.strategy, question.versus)
    return found


def possible(parameters: ParameterSet, values: dict[str, FloatArray]) -> NDArray[np.bool_]:
    """Rows that keep the guards on strategies: at least one session, and no effect that ends before it fades."""
    good = np.ones(len(next(iter(values.values()))), dtype=bool)
    for row in parameters.strategies.values():
        if row.sessions_mean:
            good &= values[row.sessions_mean] >= 1.0
        if row.effect_full_years and row.effect_none_years:
            good &= values[row.effect_none_years] >= values[row.effect_full_years]
    return good


def outcome_of(e: Evaluation, outcome: str, strategy: str, versus: str) -> FloatArray:
    """One outcome of one comparison, all patients: (draw,)."""
    match outcome:
        case "cost":
            return e.compare(strategy, versus, e.headline).incremental_cost
        case "bleeds":
            return e.compare(strategy, versus, e.headline).bleeds_averted_per_100
        case "nnt":
            return patients_per_event(e.compare(strategy, versus, e.headline).arr_at_end)
        case "nnt_all":
            return patients_per_event(e.compare(strategy, versus, e.headline).bleeds_averted)
        case "qalys":
            return e.compare(strategy, versus).incremental_qalys
    benefit = e.compare(strategy, versus).net_monetary_benefit
    return np.full(len(e.died), np.nan) if benefit is None else benefit


def varied(parameters: ParameterSet, changes: Sequence[dict[str, float]]) -> dict[str, FloatArray]:
    """Base values repeated, with each row's changes made; inputs that follow draws follow them, unless changed themselves."""
    rows = {name: np.repeat(value, len(changes)) for name, value in base_values(parameters).items()}
    _change(rows, changes)
    followed_rows = follow_draws(parameters, rows)
    if followed_rows is not rows:
        _change(followed_rows, changes)
    return followed_rows


def _change(rows: dict[str, FloatArray], changes: Sequence[dict[str, float]]) -> None:
    for i, change in enumerate(changes):
        for name, value in change.items():
            rows[name][i] = value


def needed_input(parameters: ParameterSet, name: str) -> Parameter:
    """Look up a numeric input that has a range.

    Raises
    ------
    AnalysisError
        It is a text or table, has no declared range, or moves nothing under the settings chosen.
    """
    parameter = parameters[name]
    if not parameter.is_numeric or parameter.range is None:
        what = f"{name} has no declared range to vary it over"
        raise AnalysisError(what, where=str(parameter.where), fix="choose an input with low and high, or declare a range")
    if idle := parameters.idle(name):
        what = f"{name} has no effect here: {idle}"
        raise AnalysisError(what, where=str(parameter.where), fix="choose another input, or that setting with --set")
    return parameter


def varying(parameters: ParameterSet) -> list[Parameter]:
    """Numeric inputs that have a range, act under the settings chosen, and do not define what is asked."""
    return [
        p
        for p in parameters.numeric().values()
        if p.range is not None
        and p.range.high > p.range.low
        and p.name not in DEFINES
        and p.unit != SEEN_AS
        and not parameters.idle(p.name)
    ]


def points_in_range(p: Parameter, points: int) -> FloatArray:
    """Evenly spaced values over an input's declared range; whole numbers where the input must be one."""
    assert p.range is not None
    spread = np.linspace(p.range.low, p.range.high, points)
    return np.unique(np.round(spread)) if p.name in STEPPED else spread


DEFINES = ("headline_years", "horizon_years")
SEEN_AS = "log rate"  # the unit of inputs that show as the year-1 risk they give


@record
class TornadoRow:
    """Outcome at an input's low and high, all else at base."""

    name: str
    label: str
    unit: str
    low_value: float
    high_value: float
    outcome_at_low: float
    outcome_at_high: float
    base: float
    basis: str
    status: str

    @property
    def swing(self) -> float:
        """Distance between the two outcomes."""
        return abs(self.outcome_at_high - self.outcome_at_low)


def one_way(question: Asked, names: Sequence[str] | None = None) -> list[TornadoRow]:
    """Vary each input over its declared range; widest first, inputs without effect left out (``left_out`` of the case tells).

    Raises
    ------
    AnalysisError
        A named input has no range.
    """
    chosen = [question.needed(n) for n in names] if names else question.varying()
    changes = [{p.name: bound} for p in chosen if p.range for bound in (p.range.low, p.range.high)]
    base, *results = map(float, question.answers([{}, *changes]))
    rows = [
        TornadoRow(
            p.name, p.label, p.unit, p.range.low, p.range.high, results[2 * i], results[2 * i + 1], base, p.range.basis, p.status
        )
        for i, p in enumerate(chosen)
        if p.range
    ]
    scale = 1e-9 * max(1.0, abs(base))
    moving = (r for r in rows if not r.swing <= scale and not r.outcome_at_low == r.outcome_at_high == base)
    return sorted(moving, key=lambda r: -np.nan_to_num(r.swing, nan=0.0))


def plain_rows(rows: Sequence[DataclassInstance]) -> list[dict[str, Any]]:
    """Rows as plain data for CSV and JSON."""
    return [{k: None if isinstance(v, float) and not np.isfinite(v) else v for k, v in asdict(row).items()} for row in rows]
