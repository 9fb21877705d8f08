"""Dates as people type them, read column by column.

Rules
-----
- A year first, or a month by name, leaves no doubt. ``25/03/2021`` does not either; ``04/03/2021`` does: the column's
  own days above 12 settle it, and if none is there (or they contradict each other) the caller must say.
- Five-digit numbers are spreadsheet serial days (1 January 1900 is day 1; the day counted on 29 February 1900, which
  never was, is allowed for by counting from 30 December 1899).
- ``Mar 21`` and ``03/2021`` are months: the 15th, flagged, with the month's first and last day as bounds.
- A two-digit year is the latest century that does not lie in the future.
- A date that does not exist, lies in the future, or does not fit its column's order is a fault, never mended.
"""

from __future__ import annotations

import calendar
import re
from datetime import date, timedelta

import numpy as np
import pandas as pd

from econmodel.evidence.registry.columns import plain
from econmodel.evidence.registry.settings import DateOrder
from econmodel.records import record

EARLIEST_YEAR = 1950
SERIAL_ZERO = date(1899, 12, 30)
BLANK_WORDS = {
    "",
    "na",
    "n a",
    "nan",
    "nat",
    "null",
    "none",
    "nil",
    "unknown",
    "not known",
    "not recorded",
    "never",
    "no",
    "missing",
    "tbc",
    "not applicable",
}
_MONTHS = {name.lower()[:3]: n for n, name in enumerate(calendar.month_abbr) if name}
_YEAR = r"(\d{4}|'?\d{2})"
_SEP = r"[-/. ]"
_ISO = re.compile(rf"(\d{{4}}){_SEP}(\d{{1,2}}){_SEP}(\d{{1,2}})$")
_COMPACT = re.compile(r"((?:19|20)\d{2})(\d{2})(\d{2})$")
_NUMERIC = re.compile(rf"(\d{{1,2}}){_SEP}(\d{{1,2}}){_SEP}{_YEAR}$")
_DAY_NAME = re.compile(rf"(\d{{1,2}})(?:st|nd|rd|th)?[-/., ]*([a-z]{{3,9}})[-/., ]*{_YEAR}$")
_NAME_DAY = re.compile(rf"([a-z]{{3,9}})[-/. ]*(\d{{1,2}})(?:st|nd|rd|th)?[-/., ]+{_YEAR}$")
_NAME_YEAR = re.compile(rf"([a-z]{{3,9}})[-/., ]*{_YEAR}$")
_MONTH_YEAR = re.compile(r"(\d{1,2})[-/.](\d{4})$")
_YEAR_MONTH = re.compile(r"(\d{4})[-/.](\d{1,2})$")
_SERIAL = re.compile(r"(\d{5})(?:[.,]\d+)?$")
_TIME = re.compile(r"[T ]+\d{1,2}:\d{2}(?::\d{2}(?:\.\d+)?)?\s*(?:[ap]m)?(?:z|[+-]\d\d:?\d\d)?$", re.IGNORECASE)


@record
class Reading:
    """One text read as a date.

    ``kind`` is blank, full, month, serial, numeric (day and month still open) or fault; ``parts`` holds the two open
    numbers and the year of a numeric one; ``fault`` says what is wrong.
    """

    kind: str
    day: date | None = None
    parts: tuple[int, int, int] = (0, 0, 0)
    fault: str = ""
    short_year: bool = False


@record
class DateColumn:
    """A column of dates.

    Parameters
    ----------
    dates, earliest, latest
        datetime64 series; they differ only where a month alone was given; missing where blank or faulty.
    faults
        Fault by row label, for the rows that must be held.
    serials, months
        Row labels of serial numbers and of months without a day.
    short_years
        Number of cells whose year had two digits.
    order
        ``day_first``, ``month_first`` or "" (nothing depended on it).
    """

    dates: pd.Series
    earliest: pd.Series
    latest: pd.Series
    faults: pd.Series
    serials: pd.Index
    months: pd.Index
    short_years: int
    order: str


def read_one(text: str, as_of: date) -> Reading:
    """Read one text; a numeric date stays open until its column's order is known.

    Examples
    --------
    >>> read_one("Mar 21", date(2026, 1, 1)).day
    datetime.date(2021, 3, 15)
    >>> read_one("44300", date(2026, 1, 1)).day
    datetime.date(2021, 4, 14)
    >>> read_one("2021-02-30", date(2026, 1, 1)).fault
    'no such day'
    """
    word = text.strip().lower()
    if plain(word) in BLANK_WORDS:
        return Reading("blank")
    if m := _ISO.match(word) or _COMPACT.match(word):
        return _full(int(m[1]), int(m[2]), int(m[3]))
    if m := _NUMERIC.match(word):
        year, short = _year(m[3], as_of)
        return Reading("numeric", parts=(int(m[1]), int(m[2]), year), short_year=short)
    if (m := _DAY_NAME.match(word)) and m[2][:3] in _MONTHS:
        year, short = _year(m[3], as_of)
        return _full(year, _MONTHS[m[2][:3]], int(m[1]), short)
    if (m := _NAME_DAY.match(word)) and m[1][:3] in _MONTHS:
        year, short = _year(m[3], as_of)
        return _full(year, _MONTHS[m[1][:3]], int(m[2]), short)
    return _month_or_serial(word, as_of)


def _month_or_serial(word: str, as_of: date) -> Reading:
    if (m := _NAME_YEAR.match(word)) and m[1][:3] in _MONTHS:
        year, short = _year(m[2], as_of)
        return _full(year, _MONTHS[m[1][:3]], 15, short, kind="month")
    if m := _MONTH_YEAR.match(word):
        return _full(int(m[2]), int(m[1]), 15, kind="month")
    if m := _YEAR_MONTH.match(word):
        return _full(int(m[1]), int(m[2]), 15, kind="month")
    if m := _SERIAL.match(word):
        return Reading("serial", SERIAL_ZERO + timedelta(days=int(m[1])))
    return Reading("fault", fault="not a date")


def _year(text: str, as_of: date) -> tuple[int, bool]:
    digits = text.lstrip("'")
    if len(digits) == 4:
        return int(digits), False
    year = as_of.year - as_of.year % 100 + int(digits)
    return (year if year <= as_of.year else year - 100), True


def _full(year: int, month: int, day: int, short: bool = False, kind: str = "full") -> Reading:
    try:
        return Reading(kind, date(year, month, day), short_year=short)
    except ValueError:
        return Reading("fault", fault="no such day")


def infer_order(readings: list[Reading]) -> str:
    """Say what a column's numeric dates show: day_first, month_first, ambiguous, mixed, or "" if it does not matter."""
    numeric = [r.parts for r in readings if r.kind == "numeric"]
    day, month = any(a > 12 for a, _, _ in numeric), any(b > 12 for _, b, _ in numeric)
    if day and month:
        return "mixed"
    if day or month:
        return "day_first" if day else "month_first"
    return "ambiguous" if any(a != b for a, b, _ in numeric) else ""


def settle(reading: Reading, order: DateOrder) -> Reading:
    """Close a numeric date by the column's order."""
    if reading.kind != "numeric":
        return reading
    first, second, year = reading.parts
    day, month = (first, second) if order == "day_first" else (second, first)
    done = _full(year, month, day, reading.short_year)
    if done.kind == "fault" and month > 12 >= day:
        return Reading("fault", fault=f"not written {order.replace('_', ' ')} like the rest of its column")
    return done


def read_uniques(cells: pd.Series, as_of: date) -> tuple[np.ndarray, list[str], list[Reading]]:
    """Read each different text of a column once, without its time of day; returns codes, texts and readings."""
    raw_codes, raw = pd.factorize(cells)
    day_codes, days = pd.factorize(np.array([_TIME.sub("", t) if ":" in t else t for t in raw], dtype=object))
    texts = [str(t) for t in days]
    return day_codes[raw_codes], texts, [read_one(text, as_of) for text in texts]


def build_column(cells: pd.Series, codes: np.ndarray, readings: list[Reading], order: str, as_of: date) -> DateColumn:
    """Turn readings into a column; ``order`` settles the numeric ones."""
    used: DateOrder = "month_first" if order == "month_first" else "day_first"
    settled = [_check(settle(r, used), as_of) for r in readings]
    kinds = np.array([r.kind for r in settled], dtype=object)[codes]
    faults = pd.Series(np.array([r.fault for r in settled], dtype=object)[codes], index=cells.index)
    short = np.array([r.short_year for r in settled])[codes]
    return DateColumn(
        _dates([r.day for r in settled], codes, cells.index),
        _dates([_edge(r, first=True) for r in settled], codes, cells.index),
        _dates([_edge(r, first=False) for r in settled], codes, cells.index),
        faults[kinds == "fault"],
        cells.index[kinds == "serial"],
        cells.index[kinds == "month"],
        int(short.sum()),
        order,
    )


def _check(reading: Reading, as_of: date) -> Reading:
    if reading.day is None:
        return reading
    first = _edge(reading, first=True)
    if first is not None and first > as_of:
        return Reading("fault", fault="in the future")
    return reading if reading.day.year >= EARLIEST_YEAR else Reading("fault", fault=f"before {EARLIEST_YEAR}")


def _edge(reading: Reading, *, first: bool) -> date | None:
    if reading.kind != "month" or reading.day is None:
        return reading.day
    last = calendar.monthrange(reading.day.year, reading.day.month)[1]
    return reading.day.replace(day=1 if first else last)


def _dates(days: list[date | None], codes: np.ndarray, index: pd.Index) -> pd.Series:
    values = np.array([np.datetime64(d, "D") if d else np.datetime64("NaT") for d in days], dtype="datetime64[ns]")
    return pd.Series(values[codes], index=index)
