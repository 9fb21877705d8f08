"""Figures as printed: counts such as 6/80, risks such as 41% or 0.41, and what rounding allows behind them.

A printed figure covers half a unit of its last printed digit either way: 7.5% may be 7.45% to 7.55%. Text keeps
trailing zeros ("0.40"), plain numbers do not, so give text where they matter. A risk is read as printed to a whole
percent at least.
"""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Callable
from decimal import Decimal

from econmodel.errors import ParameterError
from econmodel.numbers import read_digits
from econmodel.records import record

COUNTS = re.compile(r"\s*([+-]?\d{1,12})\s*/\s*([+-]?\d{1,12})\s*")


@record
class Counts:
    """Patients with the event, of patients in the arm."""

    events: int
    n: int

    @property
    def risk(self) -> float:
        """The share with the event."""
        return self.events / self.n

    def __str__(self) -> str:
        return f"{self.events}/{self.n}"


@record
class Span:
    """A figure and the range that rounding allows for it.

    Attributes
    ----------
    value
        The figure as printed or computed.
    low, high
        The least and greatest values that would print the same.
    """

    value: float
    low: float
    high: float

    @classmethod
    def exact(cls, value: float) -> Span:
        """Give a figure without rounding, such as a ratio of counts."""
        return cls(value, value, value)

    def overlaps(self, other: Span, slack: float = 1e-9) -> bool:
        """Say whether some value prints as both."""
        return self.low <= other.high + slack and other.low <= self.high + slack


def combine(function: Callable[..., float], *spans: Span) -> Span:
    """Apply a function that is monotone in each argument to spans: its value, and its extremes over their corners.

    Examples
    --------
    >>> combine(lambda a, b: a - b, Span(0.4, 0.35, 0.45), Span.exact(0.1)).high.__round__(9)
    0.35
    """
    corners = [function(*corner) for corner in itertools.product(*({s.low, s.high} for s in spans))]
    return Span(function(*(s.value for s in spans)), min(corners), max(corners))


def parse_counts(given: str | tuple[int, int] | Counts, where: str) -> Counts:
    """Read counts as ``6/80`` or (6, 80).

    Raises
    ------
    ParameterError
        Not of that form, or impossible: 7/5, -1/10, 0/0.

    Examples
    --------
    >>> parse_counts("6/80", "--treated")
    Counts(events=6, n=80)
    """
    if not isinstance(given, str):
        return checked_counts(given, where)
    match = COUNTS.fullmatch(given)
    if match is None:
        what = f"{given!r} is not events/patients"
        raise ParameterError(what, where=where, fix="write two whole numbers, for example 6/80")
    return checked_counts((int(match[1]), int(match[2])), where)


def checked_counts(given: Counts | tuple[int, int], where: str) -> Counts:
    """Refuse impossible counts.

    Raises
    ------
    ParameterError
        No patients, fewer than 0 events, more events than patients, or a part that is not whole.
    """
    events, n = (given.events, given.n) if isinstance(given, Counts) else given
    if int(events) != events or int(n) != n or n < 1 or not 0 <= events <= n:
        rule = (
            "needs at least one patient"
            if n < 1
            else "events cannot be below 0"
            if events < 0
            else "events cannot exceed patients"
            if events > n
            else "both must be whole numbers"
        )
        what = f"counts {events}/{n}: {rule}"
        raise ParameterError(what, where=where, fix="write events/patients, for example 6/80")
    return Counts(int(events), int(n))


def checked_risk(value: float, name: str, where: str = "") -> float:
    """Refuse a risk (or survival) outside 0 to 1."""
    if not (math.isfinite(value) and 0.0 <= value <= 1.0):
        what = f"{name} = {value:g}: must lie between 0 and 1"
        raise ParameterError(what, where=where, fix="write a fraction such as 0.41, or 41% with its sign")
    return value


def parse_risk(given: str | float | Span, name: str, where: str) -> Span:
    """Read a risk written as 0.41 or 41%, with the range its last digit allows.

    Examples
    --------
    >>> parse_risk("41%", "untreated risk", "--untreated-risk")
    Span(value=0.41, low=0.405, high=0.415)
    """
    if isinstance(given, Span):
        return given
    number, unit, scale = _decimal(str(given), name, where)
    value = float(number / scale)
    checked_risk(value, name, where)
    half = min(unit / scale, Decimal("0.01")) / 2
    centre = number / scale
    return Span(value, float(max(centre - half, Decimal(0))), float(min(centre + half, Decimal(1))))


def parse_number(given: str | float | Span, name: str, where: str, *, at_least: float = -math.inf, above: float = -math.inf) -> Span:
    """Read a number, with the range its last digit allows.

    Raises
    ------
    ParameterError
        Not a finite number, or outside its bound.
    """
    if isinstance(given, Span):
        return given
    number, unit, part = _decimal(str(given), name, where)
    if part > 1:
        what = f"{name} = {given}: must be a plain number, not a share"
        raise ParameterError(what, where=where, fix="give it without % or per")
    if number < at_least or number <= above:
        rule = f"must be above {above:g}" if number <= above else f"must be {at_least:g} or more"
        what = f"{name} = {given}: {rule}"
        raise ParameterError(what, where=where, fix="check the sign and the unit")
    return Span(float(number), max(float(number - unit / 2), at_least, above), float(number + unit / 2))


def possible_counts(risk: Span, largest: int = 100) -> tuple[Counts, ...]:
    """List every events/patients, up to ``largest`` patients, that could print as this risk.

    Examples
    --------
    >>> [str(c) for c in possible_counts(parse_risk("7.5%", "risk", ""), 80)]
    ['3/40', '4/53', '5/67', '6/80']
    """
    slack = 1e-12
    return tuple(
        Counts(events, n)
        for n in range(1, largest + 1)
        for events in range(math.ceil(risk.low * n - slack), math.floor(risk.high * n + slack) + 1)
        if events <= n
    )


def as_printed(counts: Counts) -> Span:
    """Give the percentage that counts would usually be printed as, to one decimal."""
    return parse_risk(f"{100 * counts.risk:.1f}%", "risk", "")


def _decimal(text: str, name: str, where: str) -> tuple[Decimal, Decimal, int]:
    """Read a number, the unit of its last printed digit, and of how many it is a share."""
    try:
        digits, part = read_digits(text, "point", where)
    except ParameterError as fault:
        what = f"{name} = {fault.what}"
        raise ParameterError(what, where=where, fix=fault.fix) from None
    number = Decimal(digits)
    if not math.isfinite(float(number)):
        what = f"{name} = {text!r}: must be a finite number"
        raise ParameterError(what, where=where, fix="check its digits")
    exponent = number.as_tuple().exponent
    return number, Decimal(1).scaleb(int(exponent) if int(exponent) < 0 else 0), part
