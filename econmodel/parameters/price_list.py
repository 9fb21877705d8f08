"""A country's price list: one CSV row an input, each price of the catalogue once, or left out where others take its place.

Label and unit come from the catalogue and the country's currency. A cell left empty is a field not given. The
distribution is a family and its numbers, ``gamma cv 0.25`` or ``beta se 0.05``, or ``fixed: why``.
"""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path
from typing import Any

from econmodel.errors import EconModelError, ParameterError
from econmodel.numbers import style_of
from econmodel.parameters.catalogue import NOT_IN_EVERY_LIST, PRICES
from econmodel.parameters.distributions import FIELDS, OPTIONAL
from econmodel.parameters.documents import display_path, read_rows
from econmodel.parameters.parsing import PARAMETER_FIELDS, collect, parse_parameter
from econmodel.parameters.quantities import read_quantity, typed_as
from econmodel.parameters.schema import WORDS_FOR_NUMBERS, Parameter, Where
from econmodel.wording import nearest

RANGE = ("low", "high", "basis")
NOT_COLUMNS = {"label", "unit", "table", "range", "choices", "period_years", "per", "reason"}
COLUMNS = {"name", *RANGE, *PARAMETER_FIELDS} - NOT_COLUMNS
NEEDED_COLUMNS = ("name", "value", "distribution", "date", "status")
NUMBERS = ("value", "low", "high", "rounded_to")
ALIASES = {"UK": "GB"}


def country_code(text: str) -> str:
    """Code of a country (ISO 3166, two letters) from what was typed; unknown text stays as it is.

    Examples
    --------
    >>> country_code("uk"), country_code("us"), country_code("US")
    ('GB', 'US', 'US')
    """
    code = text.strip().upper()
    return ALIASES.get(code, code)


def read_price_list(path: Path, currency: str, faults: list[EconModelError]) -> dict[str, Parameter]:
    """Read the prices of one country.

    Parameters
    ----------
    path
        The CSV file.
    currency
        Its currency, such as ``GBP``.
    faults
        Gains every fault: a column that is unknown or missing, a row doubled, missing or not in the catalogue, a cell
        against the rules of its input; each with file and line.

    Raises
    ------
    ParameterError
        The file is not there, or its first line cannot be used.
    """
    shown, found = display_path(path), dict[str, Parameter]()
    seen: dict[str, Where] = {}
    rows = read_rows(path, NEEDED_COLUMNS, COLUMNS)
    style = style_of(row[key] for _, row in rows for key in NUMBERS if key in row)
    for line, row in rows:
        name, cells = row["name"], {key: cell for key, cell in row.items() if cell and key != "name"}
        where = Where(shown, line, name)
        known = collect(faults, _check_name, name, seen, where)
        seen.setdefault(name, where)
        parsed = collect(faults, _parse, name, cells, where, currency, style) if known else None
        if parsed:
            found[name] = parsed
    if missing := [name for name in PRICES if name not in seen and name not in NOT_IN_EVERY_LIST]:
        what = f"no row for {', '.join(missing)}: each price of the catalogue must have one"
        faults.append(ParameterError(what, where=shown, fix=f"add a row that starts with {missing[0]} ({PRICES[missing[0]].label})"))
    return {name: found[name] for name in PRICES if name in found}


def _check_name(name: str, seen: dict[str, Where], where: Where) -> bool:
    if name in seen:
        what = f"{name} has two rows, the first in line {seen[name].line}"
        raise ParameterError(what, where=str(where), fix="keep one of the two")
    if name not in PRICES:
        what = f"{name!r} is not a price of the catalogue"
        raise ParameterError(what, where=str(where), fix=nearest(name, PRICES))
    return True


def _parse(name: str, cells: dict[str, str], where: Where, currency: str, style: str) -> Parameter:
    price = PRICES[name]
    unit = price.unit(currency)
    raw: dict[str, Any] = {"label": price.label, "unit": unit, **cells}
    numbers = [key for key in NUMBERS if key in cells and (name, cells[key]) not in WORDS_FOR_NUMBERS]
    raw |= {key: read_quantity(f"{name}: {key}", cells[key], unit, where, style) for key in numbers}
    raw["note"] = "; ".join(filter(None, (typed_as(cells.get("value"), raw.get("value")), cells.get("note"))))
    if "date" in cells:
        raw["date"] = _date(name, cells["date"], where)
    if "follows_draws" in cells:
        raw["follows_draws"] = {"true": True, "false": False}.get(cells["follows_draws"], cells["follows_draws"])
    if "distribution" in cells:
        raw["distribution"] = read_distribution(name, cells["distribution"], where)
    given = {key: raw.pop(key) for key in RANGE if key in raw}
    return parse_parameter(name, raw | ({"range": given} if given else {}), where)


def _date(name: str, text: str, where: Where) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        what = f"{name}: date = {text!r}: must be a date"
        raise ParameterError(what, where=str(where), fix="write it as 2026-11-24") from None


def read_distribution(name: str, text: str, where: Where) -> dict[str, Any]:
    """Read a distribution from its words.

    Raises
    ------
    ParameterError
        The family is unknown, a fixed one has no reason, or a name has no number.

    Examples
    --------
    >>> read_distribution("c_coil", "gamma cv 0.25", Where("GB.csv", 2))
    {'family': 'gamma', 'cv': 0.25}
    >>> read_distribution("c_coil", "fixed: no separate payment", Where("GB.csv", 2))
    {'family': 'fixed', 'reason': 'no separate payment'}
    >>> read_distribution("c_coil", "gamma shift 1 se 0.2 * c_glue_ml", Where("GB.csv", 2))
    {'family': 'gamma', 'shift': 1.0, 'se': '0.2 * c_glue_ml'}
    """
    family, colon, reason = (part.strip() for part in text.partition(":"))
    if family == "fixed" and colon and reason:
        return {"family": "fixed", "reason": reason}
    words = text.split()
    if words[0] not in FIELDS:
        what = f"{name}: distribution family {words[0]!r} is unknown: must be one of {', '.join(FIELDS)}"
        raise ParameterError(what, where=str(where), fix=nearest(words[0], FIELDS))
    plain = len(words) % 2 and all(word.isidentifier() for word in words[1::2])
    known = words[1::2] if plain else set().union(*FIELDS[words[0]], OPTIONAL.get(words[0], set()))
    parts = re.split(rf"\s*\b({'|'.join(known)})\s+", text.removeprefix(words[0]))
    if words[0] == "fixed" or parts[0].strip() or len(parts) < 3 or not all(parts[2::2]):
        what = f"{name}: distribution {text!r}: must be a family and its numbers, or fixed and why"
        raise ParameterError(what, where=str(where), fix='write "gamma cv 0.25", "beta se 0.05" or "fixed: no separate payment"')
    return {"family": words[0], **{key: _number_or_text(entry) for key, entry in zip(parts[1::2], parts[2::2], strict=True)}}


def _number_or_text(entry: str) -> float | str:
    try:
        return float(entry)
    except ValueError:
        return entry.strip()
