"""Numbers as they are typed into inputs: read in the style of the place, held to the unit, and kept as typed for the echo."""

from __future__ import annotations

import re
from collections.abc import Container
from typing import Any

from econmodel.errors import ParameterError
from econmodel.numbers import read_number
from econmodel.parameters.schema import COUNT_UNITS, Where, money_parts

TYPED = "typed as "
NAMES = frozenset({"name", "item", "payer", "strategy", "activity", "scope", "band", "child", "label"})
"""Columns of a table whose cells are text, whatever they look like."""
_PLAIN = re.compile(r"\s*[-+]?[0-9][0-9.,'’ \u00a0\u2009\u202f]*")
SIGNS = {"R$": "BRL", "£": "GBP", "€": "EUR", "₹": "INR", "¥": "JPY", "US$": "USD", "C$": "CAD", "A$": "AUD"}


def read_quantity(name: str, text: str, unit: str, where: Where, style: str = "point") -> float:
    """Read a number typed as text; money must be in the currency of its unit, and like a count no share.

    Raises
    ------
    ParameterError
        It is no number, has two readings, or another unit than the input.

    Examples
    --------
    >>> read_quantity("c_coil", "€ 1.310,50", "EUR/coil", Where("--set"))
    1310.5
    """
    try:
        value = read_number(text, style)
    except ParameterError as fault:
        what = f"{name} = {fault.what} ({unit})"
        raise ParameterError(what, where=str(where), fix=fault.fix) from None
    money, sign = money_parts(unit), re.search(r"[A-Z]{3}|(?:R|US|C|A)?\$|[£€¥₹]", text)
    other = sign is not None and (money is None or _currency(sign[0], money[0]) != money[0])
    if other or ((money or unit in COUNT_UNITS) and re.search("%|per", text)):
        what = f"{name} = {text!r}: must be in {unit}"
        raise ParameterError(what, where=str(where), fix="convert it, and type the number alone")
    return value


def _currency(sign: str, ours: str) -> str:
    """Currency of a sign or code; a bare dollar is ours, unless ours has another sign."""
    if sign == "$":
        return "USD" if ours in {"BRL", "GBP", "EUR", "INR", "JPY"} else ours
    return SIGNS.get(sign, sign)


def read_cell(value: object) -> object:
    """Number that was typed as text in a TOML table; anything else, and what is no plain number, as it is.

    Examples
    --------
    >>> [read_cell(cell) for cell in ("0,44", "1,250.5", "1 250", "5%", "A", 7)]
    [0.44, 1250.5, 1250, '5%', 'A', 7]
    """
    if not isinstance(value, str) or not _PLAIN.fullmatch(value):
        return value
    try:
        number = read_number(value, "point")
    except ParameterError:
        return value
    return int(number) if number.is_integer() else number


def read_under(raw: Any, names: Container[str]) -> Any:
    """Tables of a document with each number typed as text below some names read, as :func:`read_cell` does, in lists too.

    Examples
    --------
    >>> read_under({"n": "1 250", "end": {"risk": ["0,05", 0.1], "title": "59"}}, {"n", "risk"})
    {'n': 1250, 'end': {'risk': [0.05, 0.1], 'title': '59'}}
    """
    if not isinstance(raw, dict):
        return raw
    return {key: _read_all(value) if key in names else read_under(value, names) for key, value in raw.items()}


def _read_all(value: object) -> object:
    return [_read_all(entry) for entry in value] if isinstance(value, list) else read_cell(value)


def typed_as(text: object, value: object) -> str:
    """Note on a value typed otherwise than as a plain number; empty for one that was.

    Examples
    --------
    >>> typed_as("1.310", 1310.0), typed_as("1.310", 1.31), typed_as("lifetime", "lifetime")
    ("typed as '1.310'", '', '')
    """
    if not isinstance(text, str) or not isinstance(value, float):
        return ""
    plain = re.fullmatch(r"[-+]?[0-9]*\.?[0-9]+(e[-+]?[0-9]+)?", text, re.IGNORECASE)
    return "" if plain and float(text) == value else f"{TYPED}{text!r}"
