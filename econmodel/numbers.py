"""The one reader of numbers as people write them: decimal points and commas, groups of three, money, shares.

Style is how the place writes numbers: ``point`` (1,250.5), ``comma`` (1.250,5) or ``unknown``. It decides one case only, a lone
mark with exactly three digits after it: 1.250 is 1,250 in one country and 1.25 in the next. Everything else has one reading.
"""

from __future__ import annotations

import math
import re

from econmodel.errors import ParameterError

LONGEST = 60  # characters of a number with its money or unit; a double needs 25
SHOWN = 40
_SPACES = " '’\u00a0\u2009\u202f"
_MONEY = r"(?:[A-Z]{3}|(?:R|US|C|A)?\$|[£€¥₹])"
_PART = {"": 1.0, "%": 100.0, "per 100": 100.0, "per 1000": 1000.0, "per 1,000": 1000.0}
_WHOLE = re.compile(
    rf"(?P<sign>[-+]?)\s*(?:{_MONEY}\s*)?(?P<sign2>[-+]?)(?P<digits>[.,]?[0-9](?:[0-9.,{_SPACES}]*[0-9.])?)(?P<power>[eE][-+]?[0-9]{{1,3}})?"
    rf"\s*(?:{_MONEY}\s*)?(?P<part>%|per 1,?000|per 100)?"
)
_GROUPS = re.compile(r"[0-9]{1,3}(?:(.)[0-9]{3})(?:\1[0-9]{3})*")
_EITHER = re.compile(r"(?!0[.,])[0-9]{1,3}([.,])[0-9]{3}")


def read_number(text: str, style: str) -> float:
    """Read a number.

    Parameters
    ----------
    text
        As typed; a percentage or a number per 100 or per 1000 comes out as a share.
    style
        ``point``, ``comma`` or ``unknown``.

    Raises
    ------
    ParameterError
        It is no number, its groups are not of three, or it has two readings and the style is unknown.

    Examples
    --------
    >>> [read_number(t, "unknown") for t in ("0,35", "240,5", "1.250,50", "1,250.50", "€ 1 250", "12,5 %")]
    [0.35, 240.5, 1250.5, 1250.5, 1250.0, 0.125]
    >>> read_number("1.250", "comma"), read_number("1.250", "point")
    (1250.0, 1.25)
    """
    plain = text.strip().translate({0x2212: "-", 0x2013: "-", 0x2010: "-"})
    found = _WHOLE.fullmatch(plain) if len(plain) <= LONGEST else None
    shown = repr(text if len(text) <= SHOWN else f"{text[:SHOWN]}...")
    if found is None or (found["sign"] and found["sign2"]):
        what = f"{shown}: must be a number"
        raise ParameterError(what, fix="give a plain number, such as 1250 or 0.35")
    digits = found["digits"].rstrip(".") if found["digits"].count(".") == 1 else found["digits"]
    if _EITHER.fullmatch(digits) and style == "unknown" and not found["power"]:
        whole, decimal = re.sub("[.,]", "", digits), digits.replace(",", ".")
        what = f"{shown} may be {int(whole):,} or {float(decimal):g}: must have one reading"
        raise ParameterError(what, fix=f"type {whole} or {float(decimal):g}, whichever is meant")
    value = float(_marks_read(digits, style, shown, power=bool(found["power"])) + (found["power"] or ""))
    value = (-value if "-" in found["sign"] + found["sign2"] else value) / _PART[found["part"] or ""]
    if not math.isfinite(value):
        what = f"{shown}: must be a number below 1e308"
        raise ParameterError(what, fix="check its digits")
    return value


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
    return text + "0" if style == "unknown" and _EITHER.fullmatch(text.lstrip("-")) else text


def _marks_read(digits: str, style: str, shown: str, *, power: bool) -> str:
    """Digits with a decimal point, if any, and no marks of groups."""
    marks = re.sub("[0-9]", "", digits)
    last = max(digits.rfind("."), digits.rfind(","))
    spaced = any(mark in _SPACES for mark in marks)
    mark = digits[last] if last >= 0 else ""
    grouped = mark and not power and (marks.count(mark) > 1 or (marks == mark and _EITHER.fullmatch(digits) and mark == _GROUP[style]))
    head, tail = (digits, "") if last < 0 or (grouped and not spaced) else (digits[:last], digits[last + 1 :])
    if (tail and not tail.isdecimal()) or (not head.isdecimal() and head and not _GROUPS.fullmatch(head)):
        what = f"{shown}: marks between digits must part groups of three, the last one may be decimal"
        raise ParameterError(what, fix="type the number without marks of thousands")
    return f"{re.sub('[^0-9]', '', head) or '0'}.{tail or '0'}"


_GROUP = {"point": ",", "comma": ".", "unknown": ""}
