"""The figures of a claim that bear on its two risks, each with the range that rounding allows behind what is printed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

from econmodel.evidence.printed import Counts
from econmodel.records import record

Rounding = Literal["nearest", "up"]
COUNTED = ("treated counts", "untreated counts", "treated risk", "untreated risk")
DIFFERENCES = frozenset({"arr", "nnt"})
RATIOS = frozenset({"rr", "or", "hr"})
RANK = {"counts": 0, "risk": 1, "arr": 2, "rr": 3, "or": 3, "hr": 3, "nnt": 4}  # from strongest to weakest


@record
class Interval:
    """A printed confidence interval: its two ends with the unit of their last digit, its level, and as it stood."""

    low: float
    high: float
    unit: float
    level: float
    text: str


@record
class Figure:
    """One printed figure.

    Attributes
    ----------
    kind
        ``treated counts``, ``untreated counts``, ``treated risk``, ``untreated risk``, ``arr``, ``rr``, ``or``, ``hr``, ``nnt``.
    text
        As printed, with its name.
    value, low, high
        As printed, and the least and greatest that would print the same; an NNT to harm is below 0.
    open_end
        The end of an NNT nearest to 0 is one that it does not reach, since it may have been rounded up.
    counts
        Events and patients of counts.
    interval
        Printed beside it.
    """

    kind: str
    text: str
    value: float
    low: float
    high: float
    open_end: bool = False
    counts: Counts | None = None
    interval: Interval | None = None

    @property
    def weakness(self) -> int:
        """Place among the kinds, from counts to NNT."""
        return RANK[self.kind.split()[-1]]

    def widened(self, times: float) -> Figure:
        """Give the figure with its range so many times as wide about its middle, within what its kind can be."""
        if times == 1 or self.counts is not None:
            return self
        middle, half = (self.low + self.high) / 2, times * (self.high - self.low) / 2
        low, high = middle - half, middle + half
        if self.kind == "nnt":
            return replace(self, low=max(low, 1.0), high=high) if self.value > 0 else replace(self, low=low, high=min(high, -1.0))
        floor, ceiling = (0.0, 1.0) if self.kind in COUNTED else (0.0, high) if self.kind in RATIOS else (-1.0, 1.0)
        return replace(self, low=max(low, floor), high=min(high, ceiling))


@record
class Sizes:
    """Patients of the treated arm, of the untreated arm, and in all; None where not said."""

    treated: int | None = None
    untreated: int | None = None
    total: int | None = None


def find(figures: Sequence[Figure], *kinds: str) -> Figure | None:
    """Give the first figure of the first of these kinds that there is."""
    return next((f for kind in kinds for f in figures if f.kind == kind), None)
