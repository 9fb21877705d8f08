"""The one reader of numbers as people write them: decimal points and commas, groups of three, money, shares.

Style is how the place writes numbers: ``point`` (1,250.5), ``comma`` (1.250,5) or ``unknown``. It decides one case only, a lone
mark with exactly three digits after it: 1.250 is 1,250 in one country and 1.25 in the next. Everything else has one reading.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable

from econmodel.errors import ParameterError

LONGEST = 60  # characters of a number with its money or unit; a double needs 25
SHOWN = 40
_SPACES = " '’\u00a0\u2009\u202f"
_MONEY = r"(?:[A-Z]{3}|(?:R|US|C|A)?\$|[£€¥₹])"
_PART = {"": 1, "%": 100, "per 100": 100, "per 1000": 1000, "per 1,000": 1000}
_WHOLE = re.compile(
    rf"(?P<sign>[-+]?)\s*(?:{_MONEY}\s*)?(?P<sign2>[-+]?)(?P<digits>[.,]?[0-9](?:[0-9.,{_SPACES}]*[0-9.])?)(?P<power>[eE][-+]?[0-9]{{1,3}})?"
    rf"\s*(?:{_MONEY}\s*)?(?P<part>%|per 1,?000|per 100)?"
)
_GROUPS = re.compile(r"[0-9]{1,3}(?:(.)[0-9]{3})(?:\1[0-9]{3})*|[0-9]{1,2}(?:,[0-9]{2})+,[0-9]{3}")  # the latter as in India
_EITHER = re.compile(r"(?!0[.,])[0-9]{1,3}([.,])[0-9]{3}")


class TwoReadings(ParameterError):
    """A number may be either of two, and nothing tells which."""


def read_number(text: str, style: str, where: str = "") -> float:
    """Read a number.

    Parameters
    ----------
    text
        As typed; a percentage or a number per 100 or per 1000 comes out as a share.
    style
        ``point``, ``comma`` or ``unknown``.
    where
        File and line, option or cell, for the message.

    Raises
    ------
    ParameterError
        It is no number, or its groups are not of three.
    TwoReadings
        The style is unknown, and decides.

    Examples
    --------
    >>> [read_number(t, "unknown") for t in ("0,35", "240,5", "1.250,50", "1,250.50", "€ 1 250", "12,5 %")]
    [0.35, 240.5, 1250.5, 1250.5, 1250.0, 0.125]
    >>> read_number("1.250", "comma"), read_number("1.250", "point")
    (1250.0, 1.25)
    """
    digits, part = read_digits(text, style, where)
    value = float(digits) / part
    if not math.isfinite(value):
        what = f"{_shown(text)}: must be a number below 1e308"
        raise ParameterError(what, where=where, fix="check its digits")
    return value


def read_digits(text: str, style: str, where: str = "") -> tuple[str, int]:
    """Digits of a number as :func:`read_number` reads it, none lost, and of how many it is a share: 1, 100 or 1000.

    Examples
    --------
    >>> read_digits("€ 1.250,50", "unknown"), read_digits("7,50 %", "unknown")
    (('1250.50', 1), ('7.50', 100))
    """
    plain = text.strip().translate({0x2212: "-", 0x2013: "-", 0x2010: "-"})
    found = _WHOLE.fullmatch(plain) if len(plain) <= LONGEST else None
    if found is None or (found["sign"] and found["sign2"]):
        what = f"{_shown(text)}: must be a number"
        raise ParameterError(what, where=where, fix="give a plain number, such as 1250 or 0.35")
    digits = found["digits"].rstrip(".") if found["digits"].count(".") == 1 else found["digits"]
    if _EITHER.fullmatch(digits) and style == "unknown" and not found["power"]:
        whole, decimal = re.sub("[.,]", "", digits), digits.replace(",", ".")
        what = f"{_shown(text)} may be {int(whole):,} or {float(decimal):g}: must have one reading"
        raise TwoReadings(what, where=where, fix=f"type {whole} or {float(decimal):g}, whichever is meant")
    sign = "-" if "-" in found["sign"] + found["sign2"] else ""
    read = _marks_read(digits, style, _shown(text), where, power=bool(found["power"]))
    return f"{sign}{read}{found['power'] or ''}", _PART[found["part"] or ""]


def style_of(texts: Iterable[str]) -> str:
    """How a column writes numbers, by those with one reading; ``unknown`` where none tells or two disagree.

    Examples
    --------
    >>> style_of(["1.250", "0,5", "n/a"]), style_of(["1.250"]), style_of(["0.5", "0,5"]), style_of(["1,250,000"])
    ('comma', 'unknown', 'unknown', 'point')
    """
    told = set()
    for text in texts:
        found = _WHOLE.fullmatch(text.strip()) if len(text) <= LONGEST else None
        marks = re.sub(r"[^.,]", "", found["digits"].rstrip(".")) if found else ""
        if not found or not marks or _EITHER.fullmatch(found["digits"]):
            continue
        if len(marks) == 1 or marks.count(marks[-1]) == 1:
            told.add(marks[-1])
        elif _GROUPS.fullmatch(found["digits"]):
            told.add(",."[marks[0] == ","])
    return {".": "point", ",": "comma"}[told.pop()] if len(told) == 1 else "unknown"


def write_number(value: float, style: str) -> str:
    """Number as it would be typed, so that a reader of that style reads it back.

    Examples
    --------
    >>> write_number(1.234, "point"), write_number(1.234, "comma"), write_number(1.234, "unknown")
    ('1.234', '1,234', '1.2340')
    """
    text = f"{value:g}"
    if style == "comma":
        return text.replace(".", ",")
    return unmistakable(text) if style == "unknown" else text


def unmistakable(text: str) -> str:
    """Plain number with a decimal point, such as a program prints, as a reader of any style reads it.

    Examples
    --------
    >>> unmistakable("1.125"), unmistakable("0.125")
    ('1.1250', '0.125')
    """
    return text + "0" if _EITHER.fullmatch(text.lstrip("-")) else text


def _shown(text: str) -> str:
    return repr(text if len(text) <= SHOWN else f"{text[:SHOWN]}...")


def _marks_read(digits: str, style: str, shown: str, where: str, *, power: bool) -> str:
    """Digits with a decimal point, if any, and no marks of groups."""
    marks = re.sub("[0-9]", "", digits)
    last = max(digits.rfind("."), digits.rfind(","))
    spaced = any(mark in _SPACES for mark in marks)
    mark = digits[last] if last >= 0 else ""
    grouped = mark and not power and (marks.count(mark) > 1 or (marks == mark and _EITHER.fullmatch(digits) and mark == _GROUP[style]))
    head, tail = (digits, "") if last < 0 or (grouped and not spaced) else (digits[:last], digits[last + 1 :])
    if (tail and not tail.isdecimal()) or (not head.isdecimal() and head and not _GROUPS.fullmatch(head)):
        what = f"{shown}: marks between digits must part groups of three (or, as in India, 1,25,000), the last one may be decimal"
        raise ParameterError(what, where=where, fix="type the number without marks of thousands")
    return (re.sub("[^0-9]", "", head) or "0") + (f".{tail}" if tail else "")


_GROUP = {"point": ",", "comma": ".", "unknown": ""}
