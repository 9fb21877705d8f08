"""Names of a registry's columns, their synonyms, and the mapping from a file's own headings.

Identifiers (names, record numbers, addresses) have no name here beyond :data:`IDENTIFIERS`: their columns are dropped
as the file is read. A record number or date of birth is used once, to join rows or to give a birth year.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence
from difflib import get_close_matches

from econmodel.errors import DataError
from econmodel.records import record

SYNONYMS: dict[str, tuple[str, ...]] = {
    "id": (
        "study id",
        "study no",
        "study number",
        "patient id",
        "patient no",
        "patient number",
        "patient",
        "subject",
        "subject id",
        "participant",
        "participant id",
        "case",
        "case id",
        "case no",
        "registry id",
        "registry no",
        "pt id",
        "code",
        "pseudonym",
    ),
    "birth_year": ("year of birth", "yob", "born", "born in"),
    "age": ("age years", "age at decision", "age at start", "age at entry", "age at baseline"),
    "sex": ("gender", "m f", "sex m f"),
    "cause": ("aetiology", "etiology", "cause of liver disease", "liver disease", "cause of cirrhosis"),
    "child": (
        "child pugh",
        "child class",
        "child pugh class",
        "child score",
        "child pugh score",
        "cp",
        "cp class",
        "ctp",
        "ctp class",
        "ctp score",
        "cps",
    ),
    "varix_type": (
        "varix",
        "varix class",
        "type of varix",
        "varices type",
        "varices",
        "gv type",
        "sarin",
        "sarin type",
        "gastric varix type",
        "type",
    ),
    "size_mm": ("size", "varix size", "varix size mm", "diameter", "diameter mm", "gv size", "gv size mm", "size of varix"),
    "red_spot": (
        "red spots",
        "red sign",
        "red signs",
        "red colour sign",
        "red color sign",
        "rcs",
        "red wale",
        "red wale marks",
        "red marks",
    ),
    "previous_bleed": (
        "previous bleeding",
        "prior bleed",
        "prior bleeding",
        "bled before",
        "earlier bleed",
        "history of bleeding",
        "past bleed",
        "previous variceal bleed",
    ),
    "decision_date": (
        "date of decision",
        "decision",
        "decided on",
        "enrolment date",
        "enrollment date",
        "index date",
        "date of diagnosis",
        "diagnosis date",
        "baseline date",
        "inclusion date",
        "entry date",
        "start date",
    ),
    "start_basis": (),
    "session_date": (
        "date of session",
        "session",
        "procedure date",
        "date of procedure",
        "treatment date",
        "date of treatment",
        "injection date",
    ),
    "sessions": ("number of sessions", "n sessions", "no of sessions", "sessions in course", "session count"),
    "strategy": ("treatment", "rx", "arm", "prophylaxis", "therapy", "treatment arm", "group", "management", "technique"),
    "coils": ("number of coils", "n coils", "no of coils", "coil count", "coils used", "coils placed"),
    "glue_ml": ("glue", "ml glue", "glue volume", "glue volume ml", "volume of glue", "cyanoacrylate ml", "ml of glue", "glue amount"),
    "obliterated": ("obliteration", "complete obliteration", "eradicated", "eradication"),
    "check_date": (
        "date of check",
        "examination date",
        "date of examination",
        "surveillance date",
        "date of surveillance",
        "surveillance endoscopy date",
        "check endoscopy date",
    ),
    "check_found": (
        "found at check",
        "check result",
        "result of check",
        "examination result",
        "surveillance result",
        "varix at check",
    ),
    "complication": ("complications", "adverse event", "adverse events", "ae"),
    "bled": ("bleed", "bleeding", "bleed yes no", "bled yes no", "any bleed", "first bleed", "bleeding event"),
    "bleed_date": (
        "date of bleed",
        "bleeding date",
        "date of bleeding",
        "date bled",
        "first bleed date",
        "date of first bleed",
        "date bleed",
    ),
    "bleed_order": ("bleed before or after session", "before or after session", "bleed timing"),
    "bleed_earliest": ("earliest bleed date",),
    "bleed_latest": ("latest bleed date",),
    "bleed_source": ("source", "source of bleed", "bleeding source", "source of bleeding", "site of bleed", "bleed site"),
    "rebleed_date": ("date of rebleed", "rebleeding date", "date of rebleeding", "second bleed date"),
    "last_seen": (
        "date last seen",
        "last seen date",
        "last contact",
        "date of last contact",
        "last contact date",
        "last follow up",
        "last follow up date",
        "date of last follow up",
        "last visit",
        "last visit date",
        "fu date",
        "follow up date",
        "last fu",
        "last f u",
        "censor date",
    ),
    "status": ("vital status", "outcome", "status at last contact", "follow up status", "alive or dead", "final status"),
    "transplant_date": ("date of transplant", "liver transplant date", "olt date", "date of transplantation"),
    "death_date": ("date of death", "died on", "date died", "dod"),
    "death_cause": ("cause of death", "cod", "death reason", "reason for death"),
    "repairs": (),
}
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
RECORD_NUMBERS = (
    "mrn",
    "medical record number",
    "medical record no",
    "record number",
    "record no",
    "hospital number",
    "hospital no",
    "hospital id",
    "nhs number",
    "nhs no",
    "chart number",
    "chart no",
    "case note number",
)
BIRTH_DATES = ("date of birth", "dob", "birth date", "birthdate", "birthday")
IDENTIFIERS = (
    *RECORD_NUMBERS,
    *BIRTH_DATES,
    "name",
    "full name",
    "patient name",
    "first name",
    "last name",
    "surname",
    "forename",
    "given name",
    "family name",
    "initials",
    "address",
    "street",
    "postcode",
    "post code",
    "zip",
    "zip code",
    "phone",
    "telephone",
    "mobile",
    "email",
    "e mail",
    "ssn",
    "social security number",
    "insurance number",
    "national id",
    "next of kin",
)
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
