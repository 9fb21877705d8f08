"""What a deterministic analysis asks, and the answer at any point: one outcome of one strategy against one comparator.

Every point passes through ``evaluate()``, batched as extra draws. A setting is read from the case and not from the draws,
so points that change one are evaluated apart. A point that breaks a rule of the model has no answer (not a number).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from econmodel.economics.evaluate import Evaluation, evaluate
from econmodel.economics.lead import WATCH, find_subjects
from econmodel.errors import AnalysisError, EconModelError
from econmodel.evidence.nnt import patients_per_event
from econmodel.model.inputs import base_values
from econmodel.parameters.following import follow_draws
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.schema import WHOLE, Parameter
from econmodel.wording import duration, lower, money, nearest, number

FloatArray = NDArray[np.float64]
Change = dict[str, float]
OUTCOMES = {
    "cost": "Net cost per patient, {time}",
    "bleeds": "Bleeds averted per 100 patients, {time}",
    "nnt": "NNT, first bleed, {time}",
    "qalys": "QALYs gained per patient, time horizon",
    "nmb": "Net monetary benefit per patient, time horizon",
}
STEPPED = frozenset({*WHOLE, "horizon_years"})
SETTINGS = (
    "horizon_years",
    "headline_years",
    "start_age",
    "n_frailty_classes",
    "n_trial_months",
    "discount_costs",
    "discount_outcomes",
    "willingness_to_pay",
)


@dataclass(frozen=True)
class Question:
    """What is compared: one outcome of one strategy against one comparator."""

    parameters: ParameterSet
    strategy: str
    versus: str
    outcome: str = "cost"

    @property
    def label(self) -> str:
        """Outcome in plain words."""
        return OUTCOMES[self.outcome].format(time=duration(self.parameters.number("headline_years")))


def compared(question: Question) -> str:
    """Say who is compared with whom, as the start of a sentence."""
    strategies = question.parameters.strategies
    return f"Against {lower(strategies[question.versus].label)}, {lower(strategies[question.strategy].label)}"


def say_outcome(question: Question, value: float) -> str:
    """Outcome as text, money with its currency."""
    if question.outcome in ("cost", "nmb"):
        return money(value, question.parameters.text("currency"))
    return number(value, 3 if question.outcome == "qalys" else 1)


def lead_pair(parameters: ParameterSet) -> tuple[str, str]:
    """Give the lead strategy and its comparator: the one set, or where the lead is itself that, no prophylaxis or usual care."""
    found = find_subjects(parameters)
    wanted = (parameters.text("comparator"), WATCH, found.usual_care)
    return found.lead, next(key for key in wanted if key in parameters.strategies and key != found.lead)


def ask(parameters: ParameterSet, strategy: str, versus: str, outcome: str = "cost") -> Question:
    """Check and build a question; only the two strategies are then evaluated.

    Raises
    ------
    AnalysisError
        An outcome or strategy is unknown, or a strategy is compared with itself.
    """
    if outcome not in OUTCOMES:
        what = f"outcome {outcome!r}: must be one of {', '.join(OUTCOMES)}"
        raise AnalysisError(what, where="--outcome", fix=nearest(outcome, OUTCOMES, "choose one of them"))
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
    by_setting: dict[tuple[tuple[str, float], ...], list[int]] = {}
    for i, change in enumerate(changes):
        by_setting.setdefault(tuple((n, v) for n, v in change.items() if n in SETTINGS), []).append(i)
    for settings, rows in by_setting.items():
        parameters = question.parameters
        for name, value in settings:
            parameters = parameters.with_value(name, value)
        found[rows] = _answers(replace(question, parameters=parameters), [changes[i] for i in rows])
    return found


def _answers(question: Question, changes: Sequence[Change]) -> FloatArray:
    """Outcomes at one choice of settings; all at once, or one by one where the model refuses some."""
    values = varied(question, [{n: v for n, v in change.items() if n not in SETTINGS} for change in changes])
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
        case "qalys":
            return e.compare(strategy, versus).incremental_qalys
    return e.compare(strategy, versus).net_monetary_benefit


def varied(question: Question, changes: Sequence[dict[str, float]]) -> dict[str, FloatArray]:
    """Base values repeated, with each row's changes made; inputs that follow draws follow them, unless changed themselves."""
    rows = {name: np.repeat(value, len(changes)) for name, value in base_values(question.parameters).items()}
    _change(rows, changes)
    followed_rows = follow_draws(question.parameters, rows)
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
        It is a text or table, or has no declared range.
    """
    parameter = parameters[name]
    if not parameter.is_numeric or parameter.range is None:
        what = f"{name} has no declared range to vary it over"
        raise AnalysisError(what, where=str(parameter.where), fix="choose an input with low and high, or declare a range")
    return parameter


def points_in_range(p: Parameter, points: int) -> FloatArray:
    """Evenly spaced values over an input's declared range; whole numbers where the input must be one."""
    assert p.range is not None
    spread = np.linspace(p.range.low, p.range.high, points)
    return np.unique(np.round(spread)) if p.name in STEPPED else spread
