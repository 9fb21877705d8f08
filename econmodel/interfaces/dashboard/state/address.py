"""A case as an address: where it starts and every change, as long as a link may be; and the case that an address asks for."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import tomli

from econmodel.errors import ParameterError
from econmodel.files import toml_value
from econmodel.interfaces.dashboard.state.case_file import FIRST, REASON, Edits, change, follow, number_if_one, read_start
from econmodel.parameters.overrides import TABLES
from econmodel.wording import nearest

LONGEST = 4_000
FIELDS = ("case", "set", "drop", "follow", "more", "whole")


def address_of(start: str, edits: Edits) -> dict[str, list[str]]:
    """Fields of the address: single values, options dropped and schedules in short, other changes in full.

    A case that would take more than a link may hold has ``whole=no``, and opens with a word about it.
    """
    found: dict[str, list[str]] = {}
    for table, entries in edits.items():
        for name, fields in entries.items():
            key, text = _short(table, name, fields)
            found.setdefault(key, []).append(text)
    long = sum(len(text) for texts in found.values() for text in texts) > LONGEST
    return {"case": [start]} | ({"whole": ["no"]} if long else found)


def is_whole(start: str, edits: Edits) -> bool:
    """Whether the address holds the whole case."""
    return "whole" not in address_of(start, edits)


def _short(table: str, name: str, fields: Mapping[str, Any]) -> tuple[str, str]:
    value = fields.get("value")
    if table == "override" and fields == change(value) and number_if_one(str(value)) == value:
        return "set", f"{name}={value}"
    if table == "strategy" and fields == {"drop": True, "reason": REASON}:
        return "drop", name
    plan = fields.get("surveillance")
    if table == "strategy" and isinstance(plan, dict) and fields.keys() <= {"surveillance", "reason"}:
        return "follow", ":".join(map(str, (name, plan["visit"], plan["interval"], plan.get("until_year", 0), *plan["months"])))
    return "more", f"{table}.{name} = {toml_value(fields)}"


def case_of(address: Mapping[str, Sequence[str]]) -> tuple[str, Edits]:
    """Start and changes that an address asks for.

    Raises
    ------
    ParameterError
        A field is unknown or cannot be read, or the link does not hold its whole case.
    """
    for key in address:
        if key not in FIELDS:
            what = f"the address has {key!r}, which is not known"
            raise ParameterError(what, fix=nearest(key, FIELDS, f"it may hold {', '.join(FIELDS[:-1])}"))
    if "whole" in address:
        what = "this link does not hold its whole case, which has more changes than a link can carry"
        raise ParameterError(what, fix="ask for the case file, and load it here")
    start = read_start(next(iter(address.get("case", ())), FIRST)).key
    edits = _read_more(address.get("more", ()))
    for text in address.get("set", ()):
        name, _, value = text.partition("=")
        edits.setdefault("override", {})[name] = change(number_if_one(value))
    for text in address.get("follow", ()):
        name, _, plan = text.partition(":")
        edits.setdefault("strategy", {})[name] = _schedule(plan)
    for name in address.get("drop", ()):
        edits.setdefault("strategy", {})[name] = {"drop": True, "reason": REASON}
    return start, edits


def _read_more(lines: Sequence[str]) -> Edits:
    try:
        found = tomli.loads("\n".join(lines))
    except tomli.TOMLDecodeError as fault:
        what = f"a change in the address cannot be read: {fault}"
        raise ParameterError(what, fix="copy the whole link again") from None
    tables = [table for table in found.values() if isinstance(table, dict)]
    if found.keys() - TABLES or len(tables) < len(found) or not all(isinstance(f, dict) for table in tables for f in table.values()):
        what = f"a change in the address is none of {', '.join(sorted(TABLES))}"
        raise ParameterError(what, fix="copy the whole link again")
    return found


def _schedule(text: str) -> dict[str, Any]:
    """Read a schedule, visit:interval:last year:months; what is no whole number is refused with the case."""
    parts: list[Any] = [int(part) if part.isdecimal() else part for part in text.split(":")]
    return follow(*parts, *[""] * (3 - len(parts)))
