"""What a derivation may look up in the tables of evidence, and what each look-up gave as the tables were shipped.

``params/tables/as_shipped.toml`` keeps a hash of each table and the value of each look-up of the shipped derivations. While
a table is as shipped its look-ups are read there, so that loading a case pools nothing; once a row of it is changed they are
worked out anew, by the evidence: it stands above the inputs, so the package itself passes the question on.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable
from dataclasses import field
from functools import cache
from pathlib import Path

import tomli

import econmodel
from econmodel.errors import EconModelError, ParameterError
from econmodel.records import record

Call = tuple[str, ...]
LIST = "list"
RECORD = "as_shipped.toml"


@record
class Lookup:
    """The table a look-up reads, below ``params/tables``, and what its arguments are."""

    table: str
    arguments: tuple[str, ...]


LOOKUPS = {
    "cpi": Lookup("price_index.csv", ("index", "from", "to")),
    "ppp": Lookup("ppp.csv", ("from", "to", "year")),
    "fx": Lookup("ppp.csv", ("from", "to", "year")),
    "pooled": Lookup("effect_studies.csv", ("contrast", "set")),
    "pooled_se": Lookup("effect_studies.csv", ("contrast", "set")),
    "study": Lookup("effect_studies.csv", ("key", "field")),
    "cohort": Lookup("untreated_cohorts.csv", ("key", "field")),
}


def shown(call: Call) -> str:
    """Look-up as it is typed.

    Examples
    --------
    >>> shown(("cpi", "us_medical", "2018", "2024")), shown(("list", "US", "c_coil"))
    ('cpi(us_medical, 2018, 2024)', 'US.c_coil')
    """
    return f"{call[1]}.{call[2]}" if call[0] == LIST else f"{call[0]}({', '.join(call[1:])})"


def chosen(call: Call, choice: Callable[[str], str]) -> Call:
    """Look-up with each word that is a setting in place of its choice.

    Examples
    --------
    >>> chosen(("cohort", "untreated_cohorts", "mean"), lambda word: "all" if word == "untreated_cohorts" else word)
    ('cohort', 'all', 'mean')
    """
    return (call[0], *(" ".join(choice(word) for word in key.split()) for key in call[1:]))


def table_of(call: Call) -> str:
    """File that a look-up reads, below ``params``."""
    return f"prices/{call[1]}.csv" if call[0] == LIST else f"tables/{LOOKUPS[call[0]].table}"


@record
class Tables:
    """The tables of one folder of inputs: which are as shipped, and what look-ups gave then."""

    folder: Path = Path()
    as_shipped: frozenset[str] = frozenset()
    values: dict[str, float] = field(default_factory=dict)

    def shipped(self, call: Call) -> float:
        """Value of a look-up in the tables as shipped; one that was not recorded is worked out from those here."""
        known = self.values.get(shown(call))
        return self._worked_out(call) if known is None else known

    def now(self, call: Call) -> float:
        """Value of a look-up in the tables as they are.

        Raises
        ------
        ParameterError
            The tables have no answer: an unknown key, or a row against the rules.
        """
        return self.shipped(call) if table_of(call) in self.as_shipped else self._worked_out(call)

    def _worked_out(self, call: Call) -> float:
        try:
            return _worked_out(self.folder, call, table_hash(self.folder / table_of(call)))
        except EconModelError as fault:
            what = f"{shown(call)}: {fault.what}"
            raise ParameterError(what, where=fault.where, fix=fault.fix) from None


@cache
def _worked_out(folder: Path, call: Call, _hash: str) -> float:
    return econmodel.look_up(folder, call)


def table_hash(path: Path) -> str:
    """Hash of a table's text, whatever its line ends; empty where there is none."""
    try:
        return hashlib.sha256(path.read_bytes().replace(b"\r\n", b"\n")).hexdigest()
    except OSError:
        return ""


def read_tables(folder: Path) -> Tables:
    """Read what the tables of a folder of inputs gave as shipped; nothing is known where there is no record.

    Raises
    ------
    ParameterError
        There is one that cannot be read.
    """
    path = folder / "tables" / RECORD
    if not path.exists():
        return Tables(folder)
    try:
        record = tomli.loads(path.read_text(encoding="utf-8"))
        same = frozenset(table for table, known in record["tables"].items() if table_hash(folder / table) == known)
        return Tables(folder, same, {call: float(value) for call, value in record["lookups"].items()})
    except (tomli.TOMLDecodeError, UnicodeDecodeError, KeyError, AttributeError, TypeError, ValueError) as error:
        what = f"the record of the tables as shipped cannot be read: {error}"
        raise ParameterError(what, where=str(path), fix="take it from the release again") from None


def record_of(folder: Path, calls: Iterable[Call]) -> str:
    """Write the record of a folder as it is now, of some look-ups: the text of ``as_shipped.toml``."""
    live = Tables(folder)
    calls = sorted(set(calls))
    tables = [f'"{table}" = "{table_hash(folder / table)}"' for table in sorted({table_of(call) for call in calls})]
    values = [f'"{shown(call)}" = {live.now(call)!r}' for call in calls]
    head = "# Tables by hash and look-ups by value, as shipped. Written by tests/golden/as_shipped.py: not by hand."
    return "\n".join([head, "", "[tables]", *tables, "", "[lookups]", *values, ""])
