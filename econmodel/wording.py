"""Words, numbers and money inside sentences, for every layer that speaks.

Rounding is for display only. ``None`` and undefined values print as an en dash, never as a number.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from difflib import get_close_matches

SYMBOLS = {"USD": "$", "GBP": "£", "EUR": "€"}
NOTHING = "–"
MINUS = "−"
CHOICE_WORDS = {
    "hospital_margin": "the hospital's margin",
    "societal": "society",
    "bottom_up": "by days and units of blood",
    "some": "some of them",
    "us_2013": "United States, 2013",
    "us_2015": "United States, 2015",
    "us_1999_2001": "United States, 1999 to 2001",
    "england_wales_2000_02": "England and Wales, 2000 to 2002",
}
IN_MONTHS = 0.005  # of a month, as far as a fraction of a year may be rounded
LONG_NAME = 100  # characters beyond which no name of ours is near, and looking for one takes minutes
FEW = 40  # as many names as a message may list


def lower(label: str) -> str:
    """Label inside a sentence: the first letter small unless the first word is an abbreviation.

    Examples
    --------
    >>> lower("No prophylaxis"), lower("EUS-guided coil")
    ('no prophylaxis', 'EUS-guided coil')
    """
    return label if label[:2].isupper() else label[:1].lower() + label[1:]


def choice_words(choice: str) -> str:
    """Choice of a setting in words, where its key is what a file says.

    Examples
    --------
    >>> choice_words("hospital_margin"), choice_words("intention_to_treat")
    ("the hospital's margin", 'intention to treat')
    """
    return CHOICE_WORDS.get(choice, choice.replace("_", " "))


def duration(years: float) -> str:
    """Say a span of time in figures: whole years, else whole months, else years and their decimals.

    Examples
    --------
    >>> duration(1), duration(5.0), duration(2.16667), duration(1 / 12), duration(2.13)
    ('1 year', '5 years', '26 months', '1 month', '2.13 years')
    """
    months = round(12 * years)
    if not months or abs(12 * years - months) > IN_MONTHS:
        return f"{years:.3g} years"
    count, unit = (months // 12, "year") if months % 12 == 0 else (months, "month")
    return f"{count:,} {unit}" if count == 1 else f"{count:,} {unit}s"


def span(years: int) -> str:
    """Say a number of years in words where small.

    Examples
    --------
    >>> span(1), span(5), span(42)
    ('one year', 'five years', '42 years')
    """
    words = ("zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")
    return f"{words[years] if 0 <= years < len(words) else years} {'year' if years == 1 else 'years'}"


def nearest(name: str, known: Iterable[str], otherwise: str = "") -> str:
    """Suggest the nearest known name, as a fix; else what there is to choose from."""
    names = list(known)
    if len(name) <= LONG_NAME and (close := get_close_matches(name, names, n=1, cutoff=0.5)):
        return f"did you mean {close[0]!r}?"
    few = f"choose one of {', '.join(sorted(names))}" if len(names) <= FEW else "run `econmodel where` to list the names"
    return otherwise or few


def number(value: float | None, digits: int = 0) -> str:
    """Format with fixed decimals, thousands separators and a true minus sign.

    Examples
    --------
    >>> number(-12345.678, 1)
    '−12,345.7'
    """
    if value is None or not math.isfinite(value):
        return NOTHING
    text = f"{abs(value):,.{digits}f}"
    return MINUS + text if value < 0 and float(text.replace(",", "")) else text


def plain_number(value: float) -> str:
    """Format a value of an input: four significant digits, whole from a thousand on.

    Examples
    --------
    >>> plain_number(0.0003285), plain_number(26449.7), plain_number(-2.5)
    ('0.0003285', '26,450', '−2.5')
    """
    return number(value) if abs(value) >= 1000 else f"{value:.4g}".replace("-", MINUS)


def money(value: float | None, currency: str, digits: int = 0) -> str:
    """Money in whole units of the currency.

    Examples
    --------
    >>> money(-1234.5, "GBP")
    '−£1,234'
    """
    text = number(value, digits)
    return text if text == NOTHING else _with_symbol(text, currency)


def money_change(value: float | None, currency: str) -> str:
    """Money with its sign, for differences.

    Examples
    --------
    >>> money_change(950.2, "USD")
    '+$950'
    """
    text = money(value, currency)
    return "+" + text if value is not None and math.isfinite(value) and round(value) > 0 else text


def money_short(value: float | None, currency: str) -> str:
    """Money in thousands or millions, for axes and tight tables.

    Examples
    --------
    >>> money_short(-2_345_000, "USD"), money_short(12_000, "USD"), money_short(900, "EUR")
    ('−$2.35m', '$12k', '€900')
    """
    if value is None or not math.isfinite(value):
        return NOTHING
    for size, suffix in ((1e6, "m"), (1e3, "k")):
        if abs(value) >= size:
            scaled = f"{abs(value) / size:.3g}{suffix}"
            return _with_symbol(MINUS + scaled if value < 0 else scaled, currency)
    return money(value, currency)


def _with_symbol(text: str, currency: str) -> str:
    sign = MINUS if text.startswith(MINUS) else ""
    return sign + SYMBOLS.get(currency, f"{currency} ") + text.removeprefix(MINUS)
