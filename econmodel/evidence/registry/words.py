"""Words of a registry's category cells, and the few keys they are reduced to.

Each reader takes one cell's text and gives a key, ``None`` for a blank, or :data:`UNREADABLE`. Free text is never
carried on: an output holds keys only, so that a name typed in the wrong column goes no further.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping

import numpy as np
import pandas as pd

from econmodel.evidence.registry.columns import plain
from econmodel.parameters.catalogue import PATTERNS
from econmodel.parameters.schema import StrategyRow

UNREADABLE = "?"
BLANK_WORDS = {"", "na", "n a", "nan", "null", "unknown", "not known", "not recorded", "unclear", "missing", "nr", "nk", "tbc"}
_YES = {"yes", "y", "true", "1", "present", "positive", "complete", "bled", "bleed"}
_NO = {"no", "n", "false", "0", "absent", "negative", "none", "nil", "never", "incomplete", "partial"}
_NOT_APPLICABLE = {"none", "nil", "no", "not applicable", "no bleed", "alive", "not dead"}
_SEX = {"f": "female", "female": "female", "woman": "female", "w": "female", "m": "male", "male": "male", "man": "male"}
_STATUS = {
    "alive": ("alive", "living", "active", "well", "in follow up", "under follow up", "ongoing"),
    "dead": ("dead", "died", "deceased", "death"),
    "lost": ("lost", "lost to follow up", "lost to fu", "ltfu", "lfu", "lost to followup"),
    "transplanted": ("transplanted", "transplant", "liver transplant", "olt", "lt"),
}
_STRATEGY = {
    "watch": (
        "watch",
        "none",
        "no",
        "no prophylaxis",
        "no treatment",
        "untreated",
        "observation",
        "observed",
        "conservative",
        "surveillance",
        "surveillance only",
        "watch and wait",
        "nil",
        "control",
    ),
    "beta_blocker": ("beta blocker", "beta blockers", "nsbb", "bb", "propranolol", "carvedilol", "nadolol"),
    "glue": (
        "glue",
        "direct glue",
        "endoscopic glue",
        "direct endoscopic glue",
        "glue injection",
        "cyanoacrylate",
        "nbca",
        "cyanoacrylate injection",
        "n butyl 2 cyanoacrylate",
        "2 octyl cyanoacrylate",
    ),
    "eus_glue": ("eus glue", "eus guided glue", "eus cyanoacrylate", "eus guided cyanoacrylate"),
    "coil": ("coil", "coils", "eus coil", "eus coils", "eus guided coil", "eus guided coils", "coil only", "coil alone"),
    "coil_and_glue": (
        "coil and glue",
        "coils and glue",
        "coil glue",
        "coils glue",
        "eus coil glue",
        "eus coil and glue",
        "eus guided coil and glue",
        "glue and coil",
        "glue and coils",
        "coil then glue",
    ),
    "transvenous": ("transvenous", "transvenous obliteration", "retrograde transvenous obliteration", "brto", "parto", "carto", "rto"),
}
_CAUSE = (
    ("non_cirrhotic", r"non ?cirrho|portal vein|ehpvo|ncph|schisto"),
    ("alcohol", r"alcohol|arld|ald\b"),
    ("viral", r"viral|hepatitis [bc]|hbv|hcv"),
    ("metabolic", r"masld|nafld|nash|mash|metabolic|fatty"),
    ("cholestatic_or_autoimmune", r"pbc|psc|biliary|sclerosing|autoimmune|aih"),
)
_SIZE_CLASSES = {"small": 4.0, "f1": 4.0, "medium": 7.5, "f2": 7.5, "5 10": 7.5, "large": 11.0, "f3": 11.0}
Reader = Callable[[str], str | None]


def read_words(cells: pd.Series, reader: Reader) -> pd.Series:
    """Apply a reader to each different text once; keys as objects, ``None`` where blank."""
    codes, uniques = pd.factorize(cells)
    values = np.array([None if plain(t) in BLANK_WORDS else reader(t) for t in uniques] + [None], dtype=object)
    return pd.Series(values[codes], index=cells.index, dtype=object)


def yes_no(text: str) -> str:
    """Yes or no."""
    word = plain(text)
    return "yes" if word in _YES else "no" if word in _NO else UNREADABLE


def known_words(name: str, strategies: tuple[str, ...] = ()) -> str:
    """Words a column takes, for a message: the shortest word of each key.

    Examples
    --------
    >>> known_words("status"), known_words("bled")
    ('alive, dead, lost, transplanted', 'yes, no')
    """
    keys = {
        "status": tuple(_STATUS),
        "strategy": strategies,
        "sex": ("female", "male"),
        "child": ("A", "B", "C"),
        "varix_type": ("GOV1", "GOV2", "IGV1", "IGV2"),
        "bleed_order": ("before", "after"),
        "check_found": ("open", "closed"),
        "start_basis": ("decision", "session"),
        "bleed_source": ("gastric", "other", "not portal"),
    }
    return ", ".join(keys.get(name, ("yes", "no")))


def sex(text: str) -> str:
    """Female or male."""
    return _SEX.get(plain(text), UNREADABLE)


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


def status(text: str) -> str:
    """Alive, dead, lost or transplanted."""
    return next((key for key, words in _STATUS.items() if plain(text) in words), UNREADABLE)


def strategy_reader(strategies: Mapping[str, StrategyRow]) -> Reader:
    """Reader of a case's strategies: by key, by label, and by the words in use for the shipped ones."""
    words = {plain(row.label): key for key, row in strategies.items()}
    words |= {word: key for key, words in _STRATEGY.items() if key in strategies for word in words}
    words |= {plain(key): key for key in strategies}
    return lambda text: words.get(plain(text), UNREADABLE)


def cause(text: str) -> str:
    """Cause of portal hypertension, by keyword; anything else is ``other``."""
    return next((key for key, pattern in _CAUSE if re.search(pattern, plain(text))), "other")


def bleed_source(text: str) -> str | None:
    """Source of a bleed: gastric (the varix, or its treatment's ulcer), other (portal-hypertensive), not_portal."""
    word = plain(text)
    if word in _NOT_APPLICABLE:
        return None
    if re.search(r"oesoph|esoph|gastropath|\bphg\b|\b[oe]v\b|duodenal var|ectopic|rectal var|\bother\b", word):
        return "other"
    if re.search(r"injection ulcer|glue ulcer|post (glue|treatment|coil)|extrusion", word):
        return "gastric"
    if re.search(r"ulcer|not portal|non ?(portal|variceal)|lower|haemorrhoid|hemorrhoid|malignan|tumou?r", word):
        return "not_portal"
    return "gastric" if re.search(r"gastric|fund|\bgv\b|\bgov|\bigv", word) else UNREADABLE


def death_cause(text: str) -> str | None:
    """Cause of death: bleed, procedure or other."""
    word = plain(text)
    if word in _NOT_APPLICABLE:
        return None
    if re.search(r"bleed|haemorrh|hemorrh", word) and not re.search(r"\b(no|non|not|without)\b", word):
        return "bleed"
    return "procedure" if "procedur" in word else "other"


def complication(text: str) -> str:
    """Complications of a session as keys joined by ``; ``, or none.

    Examples
    --------
    >>> complication("Fever, pulmonary embolism"), complication("none"), complication("pain")
    ('embolism; fever', 'none', 'other')
    """
    word = plain(text)
    if word in _NO:
        return "none"
    return "; ".join(key for key, pattern in PATTERNS.items() if re.search(pattern, word)) or "other"


def bleed_order(text: str) -> str:
    """Whether a bleed on a session day came before or after the session."""
    word = plain(text)
    return word if word in ("before", "after") else UNREADABLE


def check_found(text: str) -> str:
    """Whether an examination found the varix open or closed.

    Examples
    --------
    >>> check_found("Patent"), check_found("obliterated"), check_found("not seen")
    ('open', 'closed', '?')
    """
    word = plain(text)
    if word in ("open", "patent", "flow", "residual flow", "residual", "recurred", "recurrence", "re opened", "reopened"):
        return "open"
    return "closed" if word in ("closed", "obliterated", "occluded", "eradicated", "thrombosed", "no flow") else UNREADABLE


def start_basis(text: str) -> str:
    """Read what follow-up starts from: decision or session."""
    word = plain(text)
    return word if word in ("decision", "session") else UNREADABLE


def number(text: str) -> float | None:
    """Read a number with its unit; NaN when it is none; centimetres are not converted here.

    Examples
    --------
    >>> number("1,5 mL"), number("2 coils"), number("two")
    (1.5, 2.0, nan)
    """
    m = re.fullmatch(r"([-+]?\d+(?:[.,]\d+)?)\s*[a-zA-Z]*", text.strip())
    return float(m[1].replace(",", ".")) if m else float("nan")


def size(text: str) -> float:
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
        bound = float(re.sub(r"[^\d.]", "", word.replace(",", ".")) or "nan") * scale
        return bound + 1 if word[0] in ">≥" else bound - 1
    if (key := plain(word.replace("mm", ""))) in _SIZE_CLASSES and "/" not in word and "+" not in word:
        return _SIZE_CLASSES[key]
    if re.sub(r"mm|cm|and|[\d.,\s/+&-]", "", word):
        return float("nan")
    found = [float(n.replace(",", ".")) for n in re.findall(r"\d+(?:[.,]\d+)?", word)]
    return max(found) * scale if found else float("nan")
