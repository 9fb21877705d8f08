"""Words inside sentences."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches

FEW = 40  # as many names as a message may list


def lower(label: str) -> str:
    """Label inside a sentence: the first letter small unless the first word is an abbreviation.

    Examples
    --------
    >>> lower("No prophylaxis"), lower("EUS-guided coil")
    ('no prophylaxis', 'EUS-guided coil')
    """
    return label if label[:2].isupper() else label[:1].lower() + label[1:]


def nearest(name: str, known: Iterable[str], otherwise: str = "") -> str:
    """Suggest the nearest known name, as a fix; else what there is to choose from."""
    names = list(known)
    if close := get_close_matches(name, names, n=1, cutoff=0.5):
        return f"did you mean {close[0]!r}?"
    few = f"choose one of {', '.join(sorted(names))}" if len(names) <= FEW else "run `econmodel where` to list the names"
    return otherwise or few
