"""Words inside sentences."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches

IN_MONTHS = 0.005  # of a month, as far as a fraction of a year may be rounded
FEW = 40  # as many names as a message may list


def lower(label: str) -> str:
    """Label inside a sentence: the first letter small unless the first word is an abbreviation.

    Examples
    --------
    >>> lower("No prophylaxis"), lower("EUS-guided coil")
    ('no prophylaxis', 'EUS-guided coil')
    """
    return label if label[:2].isupper() else label[:1].lower() + label[1:]


def duration(years: float) -> str:
    """Say a span of time in figures: whole years, else whole months, else years and their decimals.

    Examples
    --------
    >>> duration(1), duration(5.0), duration(2.16667), duration(1 / 12), duration(2.13)
    ('1 year', '5 years', '26 months', '1 month', '2.13 years')
    """
    months = round(12 * years)
    if not months or abs(12 * years - months) > IN_MONTHS:
        return f"{years:.3g} years"
    count, unit = (months // 12, "year") if months % 12 == 0 else (months, "month")
    return f"{count:,} {unit}" if count == 1 else f"{count:,} {unit}s"


def span(years: int) -> str:
    """Say a number of years in words where small.

    Examples
    --------
    >>> span(1), span(5), span(42)
    ('one year', 'five years', '42 years')
    """
    words = ("zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")
    return f"{words[years] if 0 <= years < len(words) else years} {'year' if years == 1 else 'years'}"


def nearest(name: str, known: Iterable[str], otherwise: str = "") -> str:
    """Suggest the nearest known name, as a fix; else what there is to choose from."""
    names = list(known)
    if close := get_close_matches(name, names, n=1, cutoff=0.5):
        return f"did you mean {close[0]!r}?"
    few = f"choose one of {', '.join(sorted(names))}" if len(names) <= FEW else "run `econmodel where` to list the names"
    return otherwise or few
