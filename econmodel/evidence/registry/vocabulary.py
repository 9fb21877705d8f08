"""Closed vocabularies of a registry's cells, in six languages: which words are known, and what a cell of them says.

The words stand in ``params/tables/registry_words.csv``, the small ones of grammar in ``negators.csv``. Nothing is guessed: a word not
in the tables holds its cell, and so does doubt. Where harm, death or its cause is told, the cell is cut into parts:

- a part with a negator denies what it names, and two negators in one part ("not excluded") hold it;
- a part with "possible", "suspected" or "?" is held;
- a harm joined by "and", "+" or "/" to one that is denied is held: "no fever and embolism" may deny both;
- what the cell asserts is what its other parts name. "Other" must be chosen, never left over.

A bare number is no word without a code book, but 0, which is none. A word with two meanings is read where the column's other words
leave one language in which it has one.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Mapping, Sequence
from functools import lru_cache

from econmodel.evidence.registry.columns import plain
from econmodel.package import params_folder
from econmodel.parameters.catalogue import COMPLICATIONS
from econmodel.parameters.schema import StrategyRow
from econmodel.records import record

UNREADABLE = "?"
CUT = ("complication", "cause", "death_cause", "bleed_source")
YES_NO = ("red_spot", "previous_bleed", "obliterated", "bled")
ANY, NONE = "(any)", "(none)"
Meanings = dict[str, dict[str, frozenset[str]]]
"""Of each word, its keys, each with the languages in which it means that."""


@record
class Part:
    """A part of a cell: the known word in it ("" if none), and whether it is denied, in doubt, joined to the part before."""

    word: str
    denied: bool = False
    doubtful: bool = False
    joined: bool = False


@lru_cache(maxsize=1)
def shipped_words() -> Mapping[str, Meanings]:
    """Meanings of the known words by column; every column of yes and no is ``yes_no``."""
    found: dict[str, dict[str, dict[str, set[str]]]] = {}
    for row in _rows("registry_words.csv"):
        for word in row["words"].split("|"):
            keys = found.setdefault(row["column"], {}).setdefault(word, {})
            keys.setdefault(row["key"], set()).add(row["language"])
    return {c: {w: {k: frozenset(v) for k, v in keys.items()} for w, keys in words.items()} for c, words in found.items()}


def _rows(name: str) -> list[dict[str, str]]:
    with (params_folder() / "tables" / name).open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


@lru_cache(maxsize=8)
def grammar(kind: str) -> tuple[str, ...]:
    """Small words of a kind (``deny``, ``doubt``, ``and``, ``but``, ``pass``, ``blank``) of every language, longest first."""
    words = {word for row in _rows("negators.csv") if row["kind"] == kind for word in row["words"].split("|")}
    return tuple(sorted(words, key=lambda w: (-len(w), w)))


@lru_cache(maxsize=8)
def _finder(*kinds: str) -> re.Pattern[str]:
    return re.compile(rf"\b(?:{'|'.join(word for kind in kinds for word in grammar(kind))})\b")


def is_blank(text: str) -> bool:
    """Whether a cell says nothing: empty, a dash, or a word for unknown.

    Examples
    --------
    >>> [is_blank(t) for t in ("", " - ", "N/A", "unbekannt", "?", "0")]
    [True, True, True, True, False, False]
    """
    return plain(text) in grammar("blank") or not re.search(r"[\w?+]", text)


def meanings_of(column: str, strategies: Mapping[str, StrategyRow], told: Mapping[str, str] | None = None) -> Meanings:
    """Words known in a column, with the case's names of its strategies and what the user ``told`` (word -> key, or "") on top."""
    shipped = shipped_words()["yes_no" if column in YES_NO else column]
    known = {plain(key): {key: frozenset[str]()} for key in keys_of(column) if key != "none"} | shipped
    if column == "strategy":
        known = {word: keys for word, keys in known.items() if set(keys) <= set(strategies)}
        known |= {plain(name): {key: frozenset()} for key, row in strategies.items() for name in (row.label, key)}
    return known | {plain(word): {key: frozenset()} for word, key in (told or {}).items()}


def keys_of(column: str, strategies: Iterable[str] = ()) -> tuple[str, ...]:
    """Keys that a column's words are reduced to, in the order of the table.

    Examples
    --------
    >>> keys_of("status"), keys_of("bled")
    (('alive', 'dead', 'lost', 'transplanted'), ('yes', 'no'))
    """
    if column == "strategy":
        return tuple(strategies)
    if column == "complication":
        return (*COMPLICATIONS, "other", "none")
    words = shipped_words()["yes_no" if column in YES_NO else column].values()
    return tuple(dict.fromkeys(key for meanings in words for key in meanings if not key.startswith("(")))


def read_cells(texts: Sequence[str], column: str, known: Meanings) -> list[str | None]:
    """Read the different texts of a column together; a key, None for a blank, :data:`UNREADABLE` where a cell is held.

    Examples
    --------
    >>> known = meanings_of("complication", {})
    >>> read_cells(["PE", "no embolism", "Fieber und Sepsis", "sin complicaciones", "embolism not excluded"], "complication", known)
    ['embolism', 'none', 'sepsis; fever', 'none', '?']
    >>> sex = meanings_of("sex", {})
    >>> read_cells(["M", "F"], "sex", sex), read_cells(["H", "M"], "sex", sex), read_cells(["M"], "sex", sex)
    (['male', 'female'], ['male', 'female'], ['?'])
    """
    parsed = [None if is_blank(t) and plain(t) not in known else _parse(t, column, known) for t in texts]
    agreed = _agreed([part.word for parts in parsed if parts for part in parts], known)
    return [None if parts is None else _said(parts, column, known, agreed) for parts in parsed]


def _agreed(words: Iterable[str], known: Meanings) -> frozenset[str]:
    """Languages that know every known word of a column; words of no language (keys, labels, words told) decide nothing."""
    spoken = [frozenset[str]().union(*known[word].values()) for word in set(words) if word in known]
    spoken = [languages for languages in spoken if languages]
    return frozenset.intersection(*spoken) if spoken else frozenset()


def _key(word: str, known: Meanings, agreed: frozenset[str]) -> str:
    keys = known.get(word, {})
    left = list(keys) if len(keys) == 1 else [key for key, languages in keys.items() if languages & agreed]
    return left[0] if len(left) == 1 else UNREADABLE


def _parse(text: str, column: str, known: Meanings) -> list[Part]:
    word = plain(text)
    if "?" in text:
        return [Part("", doubtful=True)]
    if word in known:
        return [Part(word)]
    if word == "0" and (column in CUT or column in YES_NO):
        return [Part("", denied=True)] if column in CUT else [Part("no")]
    if column not in CUT or not word:
        return [Part("", doubtful=True)]
    return _cut(text, known)


def _cut(text: str, known: Meanings) -> list[Part]:
    pieces = re.split(r"([,;/+\n])", text)
    parts = []
    for mark, piece in zip([",", *pieces[1::2]], map(plain, pieces[0::2]), strict=True):
        found = [piece] if piece in known else _finder("and", "but").split(piece)
        joins = [mark in "/+", *(word in grammar("and") for word in _finder("and", "but").findall(piece))]
        parts += [_part(phrase.strip(), joined, known) for phrase, joined in zip(found, joins, strict=False) if phrase.strip()]
    return parts or [Part("", doubtful=True)]


def _part(phrase: str, joined: bool, known: Meanings) -> Part:
    if phrase in known:
        return Part(phrase, joined=joined)
    doubtful = bool(_finder("doubt").search(phrase))
    denials = _finder("deny").findall(phrase)
    rest = plain(_finder("deny").sub(" ", phrase))
    word = rest if rest in known else plain(_finder("pass").sub(" ", rest))
    unknown = word not in known and not (denials and not word)
    return Part(word if word in known else "", bool(denials), doubtful or unknown or len(denials) > 1, joined)


def _said(parts: list[Part], column: str, known: Meanings, agreed: frozenset[str]) -> str | None:
    asserted, denied, before = [], [], False
    for part in parts:
        key = NONE if part.denied and not part.word else _key(part.word, known, agreed)
        if key == "":
            return None
        if part.doubtful or key == UNREADABLE or (before and part.joined and not part.denied):
            return UNREADABLE
        if part.denied:
            denied.append(key)
        elif key == ANY:
            return UNREADABLE
        elif key != NONE:
            asserted += key.split("; ")
        before = part.denied
    return UNREADABLE if set(asserted) & set(denied) else _reduced(column, asserted, set(denied) - {NONE, ANY})


def _reduced(column: str, asserted: list[str], denied: set[str]) -> str | None:
    """One key of what a cell asserts: every harm of a session; of a death its one cause, of a bleed its one source."""
    if column not in CUT:
        return asserted[0] if asserted else None
    if column == "complication":
        return "; ".join(key for key in keys_of(column) if key in asserted) or "none"
    if column == "cause":
        return "; ".join(dict.fromkeys(asserted)) or UNREADABLE
    telling = set(asserted) - ({"other"} if column == "death_cause" else set()) or set(asserted)
    if len(telling) > 1 or (denied and not asserted):
        return UNREADABLE
    return next(iter(telling), None)
