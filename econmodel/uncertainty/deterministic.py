"""One-way, two-way, threshold and scenario analysis of one strategy against one comparator.

Every point passes through ``evaluate()``, batched as extra draws. Outcomes: ``cost`` (net cost per patient over the
headline years), ``bleeds`` (bleeds averted per 100, headline years), ``nnt`` (first bleed, headline years), ``qalys``
and ``nmb`` (QALYs gained and net monetary benefit over the time horizon).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from econmodel.economics.evaluate import Evaluation, evaluate
from econmodel.errors import AnalysisError
from econmodel.model.inputs import base_values
from econmodel.parameters.documents import read_document
from econmodel.parameters.loading import params_folder
from econmodel.parameters.overrides import apply_override
from econmodel.parameters.parameter_set import ParameterSet, check
from econmodel.parameters.parsing import nearest
from econmodel.parameters.schema import Parameter

FloatArray = NDArray[np.float64]
OUTCOMES = {
    "cost": "Net cost per patient, {years} years",
    "bleeds": "Bleeds averted per 100 patients, {years} years",
    "nnt": "NNT, first bleed, {years} years",
    "qalys": "QALYs gained per patient, time horizon",
    "nmb": "Net monetary benefit per patient, time horizon",
}
GRID = 41
TWO_WAY_POINTS = 21
DEFAULT_PAIR = ("r_late_rebleed", "p_first_bleed_year_1")


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
        return OUTCOMES[self.outcome].format(years=int(self.parameters.number("headline_years")))


def ask(parameters: ParameterSet, strategy: str, versus: str, outcome: str = "cost") -> Question:
    """Check and build a question; only the two strategies are then evaluated.

    Raises
    ------
    AnalysisError
        An outcome or strategy is unknown, or a strategy is compared with itself.
    """
    if outcome not in OUTCOMES:
        what = f"outcome {outcome!r}: must be one of {', '.join(OUTCOMES)}"
        raise AnalysisError(what, where="--outcome", fix=nearest(outcome, OUTCOMES))
    for key in (strategy, versus):
        if key not in parameters.strategies:
            what = f"strategy {key!r}: must be one of {', '.join(parameters.strategies)}"
            raise AnalysisError(what, fix=nearest(key, parameters.strategies))
    if strategy == versus:
        what = f"strategy {strategy!r} is compared with itself"
        raise AnalysisError(what, fix="choose another comparator with --against")
    kept = {key: parameters.strategies[key] for key in (versus, strategy)}
    return Question(replace(parameters, strategies=kept), strategy, versus, outcome)


def lead_pair(parameters: ParameterSet) -> tuple[str, str]:
    """Give the strategy and comparator that reports follow: coil and glue where it is there, against the comparator set."""
    versus = parameters.text("comparator")
    others = [key for key in parameters.strategies if key != versus]
    return ("coil_and_glue" if "coil_and_glue" in others else others[-1]), versus


def answer(question: Question, values: dict[str, FloatArray] | None = None) -> FloatArray:
    """Outcome for each row of values: (row,); NNT is NaN where there is no difference."""
    e = evaluate(question.parameters, values, yearly=False, by_group=False, sampled=values is not None)
    return outcome_of(e, question.outcome, question.strategy, question.versus)


def outcome_of(e: Evaluation, outcome: str, strategy: str, versus: str) -> FloatArray:
    """One outcome of one comparison, all patients: (draw,)."""
    years = min(int(e.parameters.number("headline_years")), e.horizon)
    a, b = e.index(strategy), e.index(versus)

    def gap(array: FloatArray) -> FloatArray:
        return np.asarray(array[:, a, 0] - array[:, b, 0])

    match outcome:
        case "cost":
            return gap(e.cost(years))
        case "bleeds":
            return -100 * gap(e.bleeds(years))
        case "nnt":
            arr = -gap(e.count("first_bleeds", years))
            return np.divide(1.0, arr, out=np.full_like(arr, np.nan), where=np.abs(arr) > 1e-12)
        case "qalys":
            return gap(e.qalys())
    return gap(e.net_benefit(e.parameters.number("willingness_to_pay")))


def varied(question: Question, changes: Sequence[dict[str, float]]) -> dict[str, FloatArray]:
    """Base values repeated, with each row's changes made."""
    rows = {name: np.repeat(value, len(changes)) for name, value in base_values(question.parameters).items()}
    for i, change in enumerate(changes):
        for name, value in change.items():
            rows[name][i] = value
    return rows


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


@dataclass(frozen=True)
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


def one_way(question: Question, names: Sequence[str] | None = None) -> list[TornadoRow]:
    """Vary each input over its declared range; widest first, inputs without effect left out.

    Raises
    ------
    AnalysisError
        A named input has no range.
    """
    known = question.parameters.numeric()
    chosen = [needed_input(question.parameters, n) for n in names] if names else [
        p for p in known.values() if p.range is not None and p.range.high > p.range.low]
    changes = [{p.name: bound} for p in chosen if p.range for bound in (p.range.low, p.range.high)]
    base = float(answer(question)[0])
    results = answer(question, varied(question, changes))
    rows = [TornadoRow(p.name, p.label, p.unit, p.range.low, p.range.high, float(results[2 * i]),
                       float(results[2 * i + 1]), base, p.range.basis, p.status)
            for i, p in enumerate(chosen) if p.range]
    scale = 1e-9 * max(1.0, abs(base))
    return sorted((r for r in rows if not r.swing <= scale), key=lambda r: -np.nan_to_num(r.swing, nan=0.0))


@dataclass(frozen=True)
class Grid:
    """Outcome over two inputs: ``values`` is (y, x)."""

    x: str
    y: str
    x_label: str
    y_label: str
    x_values: FloatArray
    y_values: FloatArray
    values: FloatArray
    base: tuple[float, float]

    def rows(self) -> list[dict[str, float]]:
        """One row per point."""
        return [{self.x: float(a), self.y: float(b), "outcome": float(self.values[j, i])}
                for j, b in enumerate(self.y_values) for i, a in enumerate(self.x_values)]

    def break_even(self) -> list[tuple[float, float]]:
        """Points where the outcome crosses 0, interpolated along x: the line where prophylaxis stops saving."""
        points = []
        for y, row in zip(self.y_values, self.values, strict=True):
            for i in np.flatnonzero(np.sign(row[:-1]) * np.sign(row[1:]) < 0):
                t = row[i] / (row[i] - row[i + 1])
                points.append((float(self.x_values[i] + t * (self.x_values[i + 1] - self.x_values[i])), float(y)))
        return points


def two_way(question: Question, x: str = DEFAULT_PAIR[0], y: str = DEFAULT_PAIR[1], points: int = TWO_WAY_POINTS) -> Grid:
    """Vary two inputs together over their declared ranges.

    Raises
    ------
    AnalysisError
        An input has no range, or both are the same.
    """
    a, b = (needed_input(question.parameters, n) for n in (x, y))
    if x == y or a.range is None or b.range is None:
        what = f"two-way analysis of {x} and {y}: must be two different inputs"
        raise AnalysisError(what, where="--two-way", fix=f"for example --two-way {' '.join(DEFAULT_PAIR)}")
    xs, ys = (np.linspace(p.range.low, p.range.high, points) for p in (a, b) if p.range)
    results = answer(question, varied(question, [{x: i, y: j} for j in ys for i in xs]))
    return Grid(x, y, a.label, b.label, xs, ys, results.reshape(points, points), (float(a.value or 0), float(b.value or 0)))


@dataclass(frozen=True)
class Threshold:
    """Where an outcome crosses 0 as one input moves over its range, and that in a sentence."""

    name: str
    label: str
    base: float
    crossings: tuple[float, ...]
    outcome_at_base: float
    sentence: str


def threshold(question: Question, name: str) -> Threshold:
    """Find the values of one input at which the outcome is 0, by root-finding within its declared range.

    Raises
    ------
    AnalysisError
        The input has no range.
    """
    from scipy.optimize import brentq

    p = needed_input(question.parameters, name)
    assert p.range is not None
    grid = np.unique(np.append(np.linspace(p.range.low, p.range.high, GRID), float(p.value or 0)))
    results = answer(question, varied(question, [{name: x} for x in grid]))

    def at(x: float) -> float:
        return float(answer(question, varied(question, [{name: x}]))[0])

    crossings = tuple(float(brentq(at, grid[i], grid[i + 1], xtol=1e-12))
                      for i in np.flatnonzero(results[:-1] * results[1:] < 0))
    base = float(answer(question)[0])
    return Threshold(name, p.label, float(p.value or 0), crossings, base, _sentence(question, p, crossings, results))


def _sentence(question: Question, p: Parameter, crossings: tuple[float, ...], results: FloatArray) -> str:
    good = "saves" if question.outcome == "cost" else f"has {question.label[0].lower()}{question.label[1:]} above 0"
    helps = results < 0 if question.outcome == "cost" else results > 0
    who, name = question.parameters.strategies[question.strategy].label, p.label[0].lower() + p.label[1:]
    assert p.range is not None
    if not crossings:
        state = "at every value" if helps.all() else "at no value"
        return (f"{who} {good} {state} of {name} between {p.range.low:g} and {p.range.high:g} {p.unit}: "
                "there is no threshold in that range.")
    if len(crossings) > 1:
        return f"{who} {good} in parts of the range of {name}, changing at {', '.join(f'{c:.4g}' for c in crossings)} {p.unit}."
    side = "below" if helps[0] else "above"
    return f"{who} {good} while {name} is {side} {crossings[0]:.4g} {p.unit} (base {float(p.value or 0):.4g})."


@dataclass(frozen=True)
class ScenarioRow:
    """Outcomes of one scenario, against the case itself."""

    key: str
    title: str
    rationale: str
    cost: float
    bleeds: float
    nnt: float | None
    qalys: float
    nmb: float


def scenario_table(question: Question, paths: Sequence[Path] | None = None) -> list[ScenarioRow]:
    """Evaluate every scenario file on top of the case; the case itself comes first.

    Raises
    ------
    EconModelError
        A scenario cannot be applied.
    """
    files = sorted((params_folder() / "scenarios").glob("*.toml")) if paths is None else paths
    rows = [_scenario_row("base", "This case", "", question, question.parameters)]
    for path in files:
        document = read_document(path)
        kept = {k: v for k, v in document.data.items() if k != "strategy"}
        wanted = {k: v for k, v in document.data.get("strategy", {}).items() if k in question.parameters.strategies}
        parameters = apply_override(question.parameters, replace(document, data=kept | {"strategy": wanted}))
        check(parameters)
        rows.append(_scenario_row(path.stem, document.data["title"], document.data["rationale"], question, parameters))
    return rows


def _scenario_row(key: str, title: str, rationale: str, question: Question, parameters: ParameterSet) -> ScenarioRow:
    e = evaluate(parameters, yearly=False, by_group=False)
    found = {o: float(outcome_of(e, o, question.strategy, question.versus)[0]) for o in OUTCOMES}
    return ScenarioRow(key, title, rationale, found["cost"], found["bleeds"],
                       None if np.isnan(found["nnt"]) else found["nnt"], found["qalys"], found["nmb"])


def plain_rows(rows: Sequence[TornadoRow] | Sequence[ScenarioRow] | Sequence[Threshold]) -> list[dict[str, Any]]:
    """Rows as plain data for CSV and JSON."""
    return [{k: None if isinstance(v, float) and np.isnan(v) else v for k, v in asdict(row).items()} for row in rows]
