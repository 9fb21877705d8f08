"""Structures: one choice of every setting that carries weights.

A setting with a categorical distribution is drawn like any input. Its choice acts in two ways: code asks for it by name, and
derivations pick by it, so that an input may have another value and spread under another choice. Draws of one structure can
then be evaluated together, each structure as a set of inputs of its own, in which every weighted setting is fixed.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from threading import Lock
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from econmodel.errors import ParameterError
from econmodel.parameters.distributions import Distribution
from econmodel.parameters.following import expressions_of, settle
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.wording import nearest

FloatArray = NDArray[np.float64]
Choices = Mapping[str, str]
BASE = "base"
MADE = Distribution("fixed", {}, "one choice was made")
INPUTS_ONLY = ("untreated_cohorts", "six_week_level", "drug_benefit")
"""Settings that act through derivations alone: no code asks for them, so that their draws need not be told apart in a run."""

CASES_KEPT = 8
_KEPT: dict[int, Structures] = {}
_LOCK = Lock()


class Part(NamedTuple):
    """Draws of one structure: its inputs, their values each (draw,), and their places among all draws."""

    parameters: ParameterSet
    values: dict[str, FloatArray]
    rows: NDArray[np.int64]


def weighted(parameters: ParameterSet) -> dict[str, dict[str, float]]:
    """Weights of each setting that carries them, by choice."""
    return {name: p.weights for name, p in parameters.parameters.items() if p.weights}


def deriving(parameters: ParameterSet) -> tuple[str, ...]:
    """Settings that derivations pick by, weighted or not."""
    words = {word for p in parameters.parameters.values() for expression in expressions_of(p) for word in expression.words}
    return tuple(name for name, p in parameters.parameters.items() if p.choices and name in words)


def choose(parameters: ParameterSet, choices: Choices) -> ParameterSet:
    """Copy with choices made and fixed; what is derived by them follows.

    Raises
    ------
    ParameterError
        A derived value leaves the bounds of its unit under a choice.
    """
    return structures_of(parameters).choose(choices)


class Structures:
    """The structures of one case: each set of inputs is made once."""

    def __init__(self, parameters: ParameterSet) -> None:
        self.parameters = parameters
        self.deriving = deriving(parameters)
        self._settled: dict[tuple[str, ...], ParameterSet] = {}
        self._made: dict[tuple[tuple[str, str], ...], ParameterSet] = {}

    def choose(self, choices: Choices) -> ParameterSet:
        """Inputs with choices made, as :func:`choose`."""
        asked = tuple(sorted(choices.items()))
        if asked not in self._made:
            key = tuple(choices.get(name, "") for name in self.deriving)
            if key not in self._settled:
                self._settled[key] = self._settle({name: choices[name] for name in self.deriving if name in choices})
            self._made[asked] = _made(self._settled[key], choices)
        return self._made[asked]

    def _settle(self, choices: Choices) -> ParameterSet:
        moves = any(self.parameters[name].value != choice for name, choice in choices.items())
        found = _made(self.parameters, choices)
        return settle(found) if moves else found

    def parts(self, values: Mapping[str, FloatArray], size: int | None = None) -> Iterator[Part]:
        """Draws by structure, in the order of choices: what one evaluation can take together.

        Parameters
        ----------
        values
            Draws of every input; of a setting the place of its choice.
        size
            Most draws of a part; None leaves each structure whole.
        """
        names = [name for name in weighted(self.parameters) if name in values and name not in INPUTS_ONLY]
        for choices, rows in groups(self.parameters, names, values, len(next(iter(values.values())))):
            made = self.choose(choices)
            for start in range(0, len(rows), size or len(rows)):
                some = rows[start : start + (size or len(rows))]
                yield Part(made, {name: array[some] for name, array in values.items()}, some)


def structures_of(parameters: ParameterSet) -> Structures:
    """Structures of a case; those of the last few cases are kept, since one run asks for them time and again."""
    with _LOCK:
        found = _KEPT.pop(id(parameters), None) or Structures(parameters)  # kept together with its case: the place stays taken
        _KEPT[id(parameters)] = found
        while len(_KEPT) > CASES_KEPT:
            del _KEPT[next(iter(_KEPT))]
        return found


def _made(parameters: ParameterSet, choices: Choices) -> ParameterSet:
    made = {name: replace(parameters[name], value=choice, distribution=MADE) for name, choice in choices.items()}
    return replace(parameters, parameters=parameters.parameters | made) if made else parameters


def fix_structure(parameters: ParameterSet, texts: Sequence[str]) -> ParameterSet:
    """Apply ``--structure``: ``base`` fixes every weighted setting as it stands, ``KEY=CHOICE`` fixes one.

    Raises
    ------
    ParameterError
        There is no such weighted setting, or it has no such choice.
    """
    weights, choices = weighted(parameters), dict[str, str]()
    for text in texts:
        name, _, choice = (part.strip() for part in text.partition("="))
        if text == BASE:
            choices = {key: parameters.text(key) for key in weights} | choices
            continue
        if name not in weights:
            what = f"--structure {text}: {name!r} is no setting with weights; these are {', '.join(weights) or 'none'}"
            raise ParameterError(what, where=f"--structure {text}", fix=nearest(name, weights, "--structure base fixes all"))
        if choice not in weights[name]:
            what = f"--structure {text}: {name} must be one of {', '.join(weights[name])}"
            raise ParameterError(what, where=f"--structure {text}", fix=nearest(choice, weights[name]))
        choices[name] = choice
    return choose(parameters, choices)


def vary_only(parameters: ParameterSet, names: Sequence[str]) -> ParameterSet:
    """Copy in which all inputs but some are fixed at their values.

    Raises
    ------
    ParameterError
        A name is no input that is drawn.
    """
    drawn = {name: p for name, p in parameters.parameters.items() if p.is_uncertain}
    for name in names:
        if name not in drawn:
            p = parameters.parameters.get(name)
            why = f"it follows {', '.join(p.derive.parents)}" if p and p.derive and p.follows_draws else "it is no input that is drawn"
            what = f"--vary {name}: {why}"
            raise ParameterError(what, where="--vary", fix=nearest(name, drawn, "name inputs with a distribution, by commas"))
    held = {
        name: replace(
            p, distribution=Distribution("fixed", {"value": p.value} if isinstance(p.value, float) else {}, "held"), spread=None
        )
        for name, p in drawn.items()
        if name not in names
    }
    return replace(parameters, parameters=parameters.parameters | held)


def gather_each(found: Iterable[tuple[NDArray[np.int64], Mapping[str, FloatArray]]]) -> dict[str, FloatArray]:
    """Put several results of parts, by name, at the places of their draws."""
    parts = list(found)
    return {name: gather((rows, arrays[name]) for rows, arrays in parts) for name in parts[0][1]}


def gather(found: Iterable[tuple[NDArray[np.int64], FloatArray]]) -> FloatArray:
    """Put results of parts, each (draw, ...), at the places of their draws."""
    rows, arrays = zip(*found, strict=True)
    whole = np.empty((sum(map(len, rows)), *arrays[0].shape[1:]))
    for places, array in zip(rows, arrays, strict=True):
        whole[places] = array
    return whole


def groups(
    parameters: ParameterSet, names: Sequence[str], values: Mapping[str, FloatArray], n: int
) -> Iterator[tuple[dict[str, str], NDArray[np.int64]]]:
    """Combinations of choices that occur in ``n`` draws, and the draws of each."""
    weights = [list(parameters[name].weights) for name in names]
    codes = np.zeros(n, dtype=np.int64)
    for name, known in zip(names, weights, strict=True):
        codes = codes * len(known) + values[name].astype(np.int64)
    for code in np.unique(codes).tolist():
        rows, choices = np.flatnonzero(codes == code), dict[str, str]()
        for name, known in zip(reversed(names), reversed(weights), strict=True):
            code, place = divmod(code, len(known))
            choices[name] = known[place]
        yield choices, rows
