"""Cells of a registry that hold a class or a number: Child-Pugh class, type of varix, size, counts.

Each reader takes one cell's text and gives a key or number, ``UNREADABLE`` or NaN. Free text is never carried on: an output
holds keys and numbers only, so that a name typed in the wrong column goes no further.
"""

from __future__ import annotations

import re

from econmodel.evidence.registry.columns import plain
from econmodel.evidence.registry.vocabulary import UNREADABLE
from econmodel.numbers import read_number

_SIZE_CLASSES = {"small": 4.0, "f1": 4.0, "medium": 7.5, "f2": 7.5, "5 10": 7.5, "large": 11.0, "f3": 11.0}


def child(text: str) -> str:
    """Child-Pugh class, from a letter or from a score of 5 to 15.

    Examples
    --------
    >>> child("Child-Pugh B"), child("C11"), child("6"), child("D")
    ('B', 'C', 'A', '?')
    """
    word = re.sub(r"\b(child|pugh|turcotte|class|score|cp|ctp)\b", " ", plain(text)).strip()
    if m := re.fullmatch(r"([abc]) ?(\d{1,2})?", word):
        return m[1].upper()
    if re.fullmatch(r"\d{1,2}", word) and 5 <= int(word) <= 15:
        return "A" if int(word) <= 6 else "B" if int(word) <= 9 else "C"
    return UNREADABLE


def varix_type(text: str) -> str:
    """Type of varix; of several in one cell, the one the model is about.

    Examples
    --------
    >>> varix_type("GOV-2"), varix_type("GOV1 + IGV1"), varix_type("gov 1")
    ('GOV2', 'IGV1', 'GOV1')
    """
    found = re.findall(r"(gov|igv) ?([12])", plain(text))
    names = [f"{a.upper()}{b}" for a, b in found]
    return next((n for n in ("GOV2", "IGV1", "GOV1", "IGV2") if n in names), UNREADABLE)


def number(text: str, style: str) -> float:
    """Read a number with its unit; centimetres are not converted here.

    Raises
    ------
    ParameterError
        It is none, or has two readings.

    Examples
    --------
    >>> number("1,5 mL", "unknown"), number("2 coils", "point")
    (1.5, 2.0)
    """
    m = re.fullmatch(r"([-+]?[\d.,]+)\s*[a-zA-Z]*", text.strip())
    return read_number(m[1] if m else text, style)


def size(text: str, style: str = "unknown") -> float:
    """Size in mm: of several numbers the largest; of a class (``>10``, large) a number inside it.

    Examples
    --------
    >>> size("12 mm"), size("8/14"), size(">10"), size("5-10 mm"), size("1.2 cm")
    (12.0, 14.0, 11.0, 7.5, 12.0)
    """
    word = text.strip().lower()
    if word.startswith(("-", "−")):
        return float("nan")
    scale = 10.0 if re.search(r"\d\s*cm\b", word) else 1.0
    if re.match(r"[<>≤≥]\s*\d", word):
        bound = read_number(re.sub(r"[^\d.,]", "", word), style) * scale
        return bound + 1 if word[0] in ">≥" else bound - 1
    if (key := plain(word.replace("mm", ""))) in _SIZE_CLASSES and "/" not in word and "+" not in word:
        return _SIZE_CLASSES[key]
    if re.sub(r"mm|cm|and|[\d.,\s/+&-]", "", word):
        return float("nan")
    found = [read_number(n, style) for n in re.findall(r"\d+(?:[.,]\d+)?", word)]
    return max(found) * scale if found else float("nan")
