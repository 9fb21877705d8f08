"""Where an outcome crosses 0 as one input moves over its declared range: found as a root, told in a sentence."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from econmodel.arrays import bracketed_roots
from econmodel.parameters.schema import Parameter
from econmodel.records import record
from econmodel.uncertainty.deterministic import STEPPED, Asked, points_in_range
from econmodel.wording import lower, plain_number

FloatArray = NDArray[np.float64]
GRID = 41
SAME = 1e-9


@record
class Threshold:
    """Where an outcome crosses 0 as one input moves over its range, and that in a sentence."""

    name: str
    label: str
    base: float
    crossings: tuple[float, ...]
    outcome_at_base: float
    sentence: str


def threshold(question: Asked, name: str) -> Threshold:
    """Find the values of one input at which the outcome is 0; as :func:`thresholds`."""
    return thresholds(question, [name])[0]


def thresholds(question: Asked, names: Sequence[str]) -> list[Threshold]:
    """Find, for each of some inputs, the values at which the outcome is 0, within the declared range.

    Every input is looked at on a grid, and all changes of sign are then closed in on together. For an input that must
    be a whole number the crossing is the last value before the change, counted from the side that helps. Effects stay
    calibrated on the evidence.

    Raises
    ------
    AnalysisError
        An input has no range.
    """
    question = question.turning()
    inputs = [question.needed(name) for name in names]
    grids = [np.unique(np.append(points_in_range(p, GRID), float(p.value or 0))) for p in inputs]
    points = [{p.name: float(x)} for p, grid in zip(inputs, grids, strict=True) for x in grid]
    base, *flat = map(float, question.answers([{}, *points]))
    results = np.split(np.array(flat), np.cumsum([len(grid) for grid in grids])[:-1])
    brackets = [(k, i) for k, found in enumerate(results) for i in np.flatnonzero(found[:-1] * found[1:] < 0) if question.good]
    roots = _close_in(question, [(inputs[k], grids[k][i], grids[k][i + 1], results[k][i]) for k, i in brackets])
    found_rows = []
    for k, p in enumerate(inputs):
        crossings = tuple(float(root) for root, (of, _) in zip(roots, brackets, strict=True) if of == k)
        sentence = _sentence(question, p, crossings, results[k])
        found_rows.append(Threshold(p.name, p.label, float(p.value or 0), crossings, base, sentence))
    return found_rows


def _close_in(question: Asked, brackets: Sequence[tuple[Parameter, float, float, float]]) -> FloatArray:
    """Root in each bracket (input, low, high, outcome at low)."""
    roots = np.array([(low if question.helps(at_low) else high) for _, low, high, at_low in brackets])
    smooth = [i for i, (p, *_) in enumerate(brackets) if p.name not in STEPPED]
    if smooth:
        names = [brackets[i][0].name for i in smooth]
        low, high = (np.array([brackets[i][end] for i in smooth]) for end in (1, 2))
        roots[smooth] = bracketed_roots(lambda x: question.answers([{n: float(v)} for n, v in zip(names, x, strict=True)]), low, high)
    return roots


def _sentence(question: Asked, p: Parameter, crossings: tuple[float, ...], results: FloatArray) -> str:
    """Say where the outcome turns; where it does not, what it is at both ends; where nothing moves, that."""
    assert p.range is not None
    who, good, name = question.subject, question.good, lower(p.label)
    known = results[~np.isnan(results)]
    low, high = plain_number(p.range.low), plain_number(p.range.high)
    if known.size == 0:
        return f"{who}: no value of {name} from {low} to {high} {p.unit} gives an answer."
    if np.ptp(known) <= SAME * max(1.0, float(np.abs(known).max())):
        return f"{who}: {name} has no effect on {lower(question.label)} under these settings."
    ends = f"{lower(question.label)}: {question.say(known[0])} at {low} {p.unit}, {question.say(known[-1])} at {high}"
    if not good:
        what = "an NNT" if question.outcome in ("nnt", "nnt_all") else lower(question.label)
        return f"{who}: {what} does not cross 0 as {name} moves ({ends})."
    if not crossings:
        state = "at every value" if question.helps(float(known[0])) else "at no value"
        return f"{who} {good} {state} of {name} in its range, so there is no threshold ({ends})."
    if len(crossings) > 1:
        return (
            f"{who} {good} in parts of the range of {name}, changing at {', '.join(map(plain_number, crossings))} {p.unit} ({ends})."
        )
    helps = question.helps(float(known[0]))
    side = ("at most" if helps else "at least") if p.name in STEPPED else ("below" if helps else "above")
    return (
        f"{who} {good} while {name} is {side} {plain_number(crossings[0])} {p.unit}, base "
        f"{plain_number(float(p.value or 0))} ({ends})."
    )
