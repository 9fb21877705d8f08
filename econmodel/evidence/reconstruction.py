"""Patients behind a digitised survival curve: events and censorings, from its points and its numbers at risk.

Between two printed numbers at risk the censorings are spread evenly; events follow from the drops of the curve; the number
censored is moved until the patients left meet the next number printed. After the last one patients are censored at the rate
seen before, or at the one that meets the printed total of events.

References
----------
Guyot P, Ades AE, Ouwens MJNM, Welton NJ. BMC Med Res Methodol 2012;12:9. doi:10.1186/1471-2288-12-9: the algorithm as the
paper describes it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from econmodel.records import record

FloatArray = NDArray[np.float64]
TRIES = 1_000


@record
class Reconstructed:
    """At each digitised time: patients at risk just before it, events at it, and those censored until the next."""

    at_risk: FloatArray
    events: FloatArray
    censored: FloatArray

    def survival(self) -> FloatArray:
        """Kaplan-Meier estimate of these patients at each time."""
        hazard = np.divide(self.events, self.at_risk, out=np.zeros_like(self.events), where=self.at_risk > 0)
        return np.asarray(np.cumprod(1.0 - hazard))


def reconstruct(
    times: Sequence[float], survival: Sequence[float], at_risk: Mapping[int, float], events: float | None = None
) -> Reconstructed:
    """Reconstruct what happened to the patients of a curve.

    Parameters
    ----------
    times, survival
        Digitised points, from time 0 at survival 1; survival never rises.
    at_risk
        Numbers at risk by position in ``times``, the first at 0; never increasing.
    events
        Total of events, where it is printed.

    Examples
    --------
    >>> found = reconstruct([0, 1, 2], [1.0, 0.9, 0.8], {0: 10, 2: 9})
    >>> found.at_risk.tolist(), found.events.tolist()
    ([10.0, 10.0, 9.0], [0.0, 1.0, 1.0])
    """
    starts = sorted(at_risk)
    state = _Patients(np.asarray(times, float), np.asarray(survival, float), at_risk[starts[0]])
    for first, end in pairwise(starts):
        _meet(state, first, end, at_risk[end])
    _after_last(state, starts[-1], events)
    return Reconstructed(state.at_risk[: len(times)], state.events, state.censored)


class _Patients:
    """Events and censorings found so far; ``at_risk`` has one place more than there are times."""

    def __init__(self, times: FloatArray, survival: FloatArray, n: float) -> None:
        self.times, self.survival = times, survival
        self.events, self.censored, self.fitted = np.zeros_like(times), np.zeros_like(times), np.ones_like(times)
        self.at_risk = np.full(len(times) + 1, float(n))

    def lay(self, first: int, end: int, censored: float) -> float:
        """Lay events and censorings out over the points from ``first`` up to ``end``; give the patients left."""
        until = self.times[min(end, len(self.times) - 1)]
        spread = np.linspace(self.times[first], until, int(censored) + 2)[1:-1]
        edges = np.append(self.times[first:end], max(until, self.times[end - 1]))
        lost = np.histogram(spread, edges)[0].astype(float)
        for k, c in zip(range(first, end), lost, strict=True):
            before = self.fitted[k - 1] if k else 1.0
            n = self.at_risk[k]
            drop = round(float(n * (1.0 - self.survival[k] / before))) if k and before > 0 else 0
            self.events[k] = min(max(drop, 0), n)
            self.fitted[k] = before * (1.0 - self.events[k] / n) if n > 0 else before
            self.censored[k] = min(c, n - self.events[k])
            self.at_risk[k + 1] = n - self.events[k] - self.censored[k]
        return float(self.at_risk[end])


def _meet(state: _Patients, first: int, end: int, left: float) -> None:
    """Censor between two numbers at risk so that the second is met, or as few as can be."""
    before = state.survival[first]
    censored = max(0.0, round(state.at_risk[first] * state.survival[end] / before - left)) if before > 0 else 0.0
    tried: dict[float, float] = {}
    while censored not in tried and len(tried) < TRIES:
        tried[censored] = state.lay(first, end, censored) - left
        censored = max(0.0, censored + tried[censored])
    state.lay(first, end, min(tried, key=lambda c: abs(tried[c])))


def _after_last(state: _Patients, first: int, events: float | None) -> None:
    """Censor after the last number at risk: at the rate seen before, or so that the total of events is met."""
    end, times = len(state.times), state.times
    before = times[first] - times[0]
    rate = state.censored[:first].sum() / before if before > 0 else 0.0
    censored = float(min(round(rate * (times[-1] - times[first])), state.at_risk[first]))
    state.lay(first, end, censored)
    if events is None:
        return
    tried: dict[float, float] = {}
    while censored not in tried and len(tried) < TRIES:
        state.lay(first, end, censored)
        tried[censored] = state.events.sum() - events
        censored = float(min(max(0.0, censored + round(tried[censored])), state.at_risk[first]))
    state.lay(first, end, min(tried, key=lambda c: abs(tried[c])))
