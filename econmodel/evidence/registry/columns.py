"""Names of a registry's columns, their synonyms, and the mapping from a file's own headings.

Identifiers (names, record numbers, addresses) have no name here beyond :data:`IDENTIFIERS`: their columns are dropped
as the file is read. A record number or date of birth is used once, to join rows or to give a birth year.
"""

from __future__ import annotations

import csv
import re
import unicodedata
from collections.abc import Mapping, Sequence
from difflib import get_close_matches

from econmodel.errors import DataError
from econmodel.package import params_folder
from econmodel.records import record

_Headings = dict[str, tuple[str, ...]]


def _headings() -> _Headings:
    """Known headings by our name, in six languages; those of identifiers under a name in brackets."""
    found: dict[str, list[str]] = {}
    with (params_folder() / "tables" / "registry_headings.csv").open(encoding="utf-8", newline="") as stream:
        for row in csv.DictReader(stream):
            found.setdefault(row["name"], []).extend(row["words"].split("|") if row["words"] else [])
    return {name: tuple(dict.fromkeys(words)) for name, words in found.items()}


_KNOWN = _headings()
SYNONYMS = {name: words for name, words in _KNOWN.items() if not name.startswith("(")}
DATE_COLUMNS = (
    "decision_date",
    "session_date",
    "check_date",
    "bleed_date",
    "bleed_earliest",
    "bleed_latest",
    "rebleed_date",
    "last_seen",
    "transplant_date",
    "death_date",
)
RECORD_NUMBERS, BIRTH_DATES = _KNOWN["(record number)"], _KNOWN["(birth date)"]
IDENTIFIERS = (*RECORD_NUMBERS, *BIRTH_DATES, *_KNOWN["(identifier)"])
HEADINGS = "headings of the registry's file"
NEEDED: tuple[tuple[str, ...], ...] = (("bled",), ("decision_date", "session_date"), ("last_seen", "death_date"))


@record
class ColumnMap:
    """Which heading of the file holds what.

    Parameters
    ----------
    found
        Our name -> heading.
    record_number, birth_date
        Heading of an identifier used once on load (to join rows; to give a birth year), then dropped; "" if none.
    identifiers, unused
        Headings dropped: identifiers, and columns of no known meaning.
    """

    found: dict[str, str]
    record_number: str = ""
    birth_date: str = ""
    identifiers: tuple[str, ...] = ()
    unused: tuple[str, ...] = ()


def plain(text: str) -> str:
    """Reduce a heading or word to lower-case letters and digits parted by single spaces.

    Examples
    --------
    >>> plain("  Última_consulta (mm)")
    'ultima consulta mm'
    """
    stripped = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode()
    return re.sub(r"[^a-z0-9]+", " ", stripped.lower()).strip()


_NAME_OF = {word: name for name, words in SYNONYMS.items() for word in (plain(name), *words)}


def recognise(heading: str) -> str:
    """Our name for a heading, ``identifier`` for one that is dropped, "" when unknown.

    Examples
    --------
    >>> recognise("Date of bleed"), recognise("Surname"), recognise("Varix size (mm)"), recognise("Mood")
    ('bleed_date', 'identifier', 'size_mm', '')
    """
    for word in (plain(heading), plain(re.sub(r"\(.*?\)", " ", heading))):
        if word in IDENTIFIERS:
            return "identifier"
        if word in _NAME_OF:
            return _NAME_OF[word]
    return ""


def map_columns(letters: Mapping[str, str], mapping: Mapping[str, str]) -> ColumnMap:
    """Match headings to our names.

    Parameters
    ----------
    letters
        Letter of each heading's column. Messages name columns by letter, since a heading may hold a name.
    mapping
        Heading or letter -> our name, or ``ignore``; goes before the synonyms.

    Raises
    ------
    DataError
        A mapped column or name is unknown, two columns claim one name, or a column without which nothing can be
        estimated is missing.
    """
    chosen = _chosen(letters, mapping)
    names = {h: chosen.get(h, recognise(h)) for h in letters}
    found: dict[str, str] = {}
    for heading, name in names.items():
        if name in ("", "identifier", "ignore", "repairs"):
            continue
        if name in found and (heading in chosen) == (found[name] in chosen):
            what = f"columns {letters[found[name]]} and {letters[heading]} both hold {name}"
            fix = f'say which: --map "{letters[heading]}={name}", or --map "{letters[heading]}=ignore"'
            raise DataError(what, where=HEADINGS, fix=fix)
        if name not in found or heading in chosen:
            found[name] = heading
    _check_needed(found, [letters[h] for h, name in names.items() if not name])
    identifiers = tuple(h for h, name in names.items() if name == "identifier")
    return ColumnMap(
        found,
        _first(identifiers, RECORD_NUMBERS),
        _first(identifiers, BIRTH_DATES),
        identifiers,
        tuple(h for h, name in names.items() if name in ("", "ignore") or found.get(name, h) != h),
    )


def _chosen(letters: Mapping[str, str], mapping: Mapping[str, str]) -> dict[str, str]:
    by_plain = {letter.lower(): h for h, letter in letters.items()} | {plain(h): h for h in letters}
    chosen = {}
    for column, name in mapping.items():
        heading = column if column in letters else by_plain.get(plain(column), "")
        if not heading:
            what = f"--map {column}={name}: the file has no column {column!r}"
            last = list(letters.values())[-1]
            raise DataError(what, where="--map", fix=f"give its heading, or its letter from A to {last}")
        if name not in SYNONYMS and name != "ignore":
            what = f"--map {column}={name}: there is no registry column named {name!r}"
            raise DataError(what, where="--map", fix=_nearest(name, [*SYNONYMS, "ignore"]))
        chosen[heading] = name
    return chosen


def _check_needed(found: Mapping[str, str], unknown: Sequence[str]) -> None:
    for group in NEEDED:
        if not any(name in found for name in group):
            what = f"the registry has no column for {' or '.join(group)}"
            among = f", one of {', '.join(unknown)}" if unknown else ""
            raise DataError(what, where=HEADINGS, fix=f'name it by its letter or heading{among}: --map "COLUMN={group[0]}"')


def _first(headings: Sequence[str], words: Sequence[str]) -> str:
    return next((h for h in headings if plain(h) in words), "")


def _nearest(word: str, known: Sequence[str]) -> str:
    close = get_close_matches(word, known, n=1, cutoff=0.4)
    return f"did you mean {close[0]!r}?" if close else "choose one of " + ", ".join(known)
