"""Contradictions: the smallest sets of a claim's figures that nothing meets, and which figure to set aside."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import combinations

from econmodel.evidence.claims.figures import Figure, Sizes, find
from econmodel.evidence.claims.joint import meets
from econmodel.records import record

ARMS = ("treated", "untreated")
LARGEST = 4
MOST_STRETCH = 1024.0


@record
class Conflict:
    """Figures that cannot all be true, and how many times as wide their ranges would have to be for that."""

    figures: tuple[Figure, ...]
    stretch: float

    @property
    def weakest(self) -> Figure:
        """The figure set aside: of the weakest kind, the last stated."""
        return max(self.figures, key=lambda f: (f.weakness, f.kind == "untreated risk"))


def conflicts(figures: Sequence[Figure], sizes: Sizes) -> list[Conflict]:
    """List the inclusion-minimal sets of up to four figures that nothing meets, the plainest first.

    Fewest figures first, then the larger stretch, then the one that holds the weakest figure. All figures where only more
    than four together contradict each other.
    """
    found: list[tuple[Figure, ...]] = []
    for size in range(1, min(LARGEST, len(figures)) + 1):
        for some in combinations(figures, size):
            if not any(set(map(id, less)) <= set(map(id, some)) for less in found) and not meets(some, sizes):
                found.append(some)
    if not found and not meets(figures, sizes):
        found.append(tuple(figures))
    listed = [Conflict(some, _stretch(some, sizes)) for some in found]
    return sorted(listed, key=lambda c: (len(c.figures), -c.stretch, -c.weakest.weakness))


def set_aside(figures: Sequence[Figure], sizes: Sizes) -> tuple[list[Figure], list[Figure], list[Conflict]]:
    """Take away the weakest figure of each contradiction until the rest agree: the rest, what went, the contradictions."""
    kept, gone = list(figures), []
    listed = [] if meets(kept, sizes) else conflicts(kept, sizes)
    for conflict in listed:
        if all(f in kept for f in conflict.figures):
            kept.remove(conflict.weakest)
            gone.append(conflict.weakest)
    return kept, gone, listed


def _stretch(figures: Sequence[Figure], sizes: Sizes) -> float:
    low, high = 1.0, 2.0
    while not meets(figures, sizes, high):
        low, high = high, 2 * high
        if high > MOST_STRETCH:
            return math.inf
    while high - low > 1e-3 * low:
        middle = (low + high) / 2
        low, high = (low, middle) if meets(figures, sizes, middle) else (middle, high)
    return high


def in_words(conflict: Conflict, figures: Sequence[Figure], also: Sequence[Figure] = ()) -> str:
    """Say a contradiction in a sentence, with the arithmetic where risks stand in it.

    Parameters
    ----------
    conflict
        What cannot all be true.
    figures
        All that is stated: where both risks are, the sentence sets them side by side.
    also
        Figures that the same risks contradict as well.
    """
    inside = conflict.figures
    rest = [f for f in inside if f.kind.split()[0] not in ARMS]
    one, other = (find(inside, f"{arm} counts", f"{arm} risk") for arm in ARMS)
    if len(rest) == 1 and (one or other):
        one, other = (find(figures, f"{arm} counts", f"{arm} risk") for arm in ARMS)
    names = " or ".join(f.text for f in (*rest, *also))
    if one is not None and other is not None and rest:
        return f"{other.text} and {one.text} cannot have {names}: {_between(one, other, [*rest, *also])}."
    known = one or other
    if known is not None and len(rest) == 1 and rest[0].kind in ("arr", "nnt"):
        gap = rest[0].value if rest[0].kind == "arr" else 1 / rest[0].value
        needs, name = (known.value + gap, "an untreated") if known is one else (known.value - gap, "a treated")
        return f"{known.text} cannot have {names}: it needs {name} risk of {100 * needs:.1f}%: no such risk exists."
    if len(inside) == 1:
        return f"No whole number of the patients stated prints {inside[0].text}."
    return f"{inside[0].text} cannot stand beside {' and '.join(f.text for f in inside[1:])}: nothing meets them together."


def _between(one: Figure, other: Figure, rest: Sequence[Figure]) -> str:
    gap = other.value - one.value
    said = f"{100 * other.value:.1f}% - {100 * one.value:.1f}% = {100 * gap:.1f} points"
    if gap == 0:
        return f"{said} is no difference, so no NNT"
    ratio = f" and a relative risk of {one.value / other.value:.2f}" if other.value > 0 and any(f.kind == "rr" for f in rest) else ""
    number = next((f", not {abs(f.value):g}{' to harm' if f.value < 0 else ''}" for f in rest if f.kind == "nnt"), "")
    return f"{said} is an NNT of {1 / abs(gap):.2f}{' to harm' if gap < 0 else ''}{number}{ratio}"
