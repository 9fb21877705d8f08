"""Numbers as text, in one place: money, NNT, percentages, rates.

Money itself is put in words by ``wording``, which the lower layers share; its names are offered here too.
Rounding is for display only. ``None`` and undefined values print as an en dash, never as a number.
"""

from __future__ import annotations

from econmodel.economics.results import Settings
from econmodel.evidence.nnt import NumberNeededToTreat
from econmodel.wording import MINUS as MINUS
from econmodel.wording import NOTHING as NOTHING
from econmodel.wording import choice_words as choice_words
from econmodel.wording import duration as duration
from econmodel.wording import money as money
from econmodel.wording import money_change as money_change
from econmodel.wording import money_short as money_short
from econmodel.wording import number as number
from econmodel.wording import plain_number
from econmodel.wording import span as span


def percent(value: float | None, digits: int = 0) -> str:
    """Share as a percentage.

    Examples
    --------
    >>> percent(0.1234, 1)
    '12.3%'
    """
    text = number(None if value is None else 100 * value, digits)
    return text if text == NOTHING else text + "%"


def per(value: float | None, size: int, digits: int = 1) -> str:
    """Frequency per ``size`` patients, for example per 100 or per 1,000.

    Examples
    --------
    >>> per(0.0057, 1000)
    '5.7'
    """
    return number(None if value is None else size * value, digits)


def nnt(found: NumberNeededToTreat | None) -> str:
    """NNT in short: that of harm says so, and a difference that does not matter is none.

    Examples
    --------
    >>> nnt(NumberNeededToTreat(1 / 4.93)), nnt(NumberNeededToTreat(-0.05)), nnt(NumberNeededToTreat(1e-4))
    ('4.9', 'NNTH 20', 'about equal')
    """
    if found is None:
        return NOTHING
    if not found.applies:
        return found.text
    if found.value is None or found.about_equal:
        return "about equal"
    text = number(found.value, 1 if found.value < 10 else 0)
    return text if found.kind == "NNTB" else f"NNTH {text}"


def signed_nnt(value: float | None) -> str:
    """As :func:`nnt`, of an NNT below 0 where a strategy harms; a dash where there is none.

    Examples
    --------
    >>> signed_nnt(7.84), signed_nnt(-47.1), signed_nnt(None)
    ('7.8', 'NNTH 47', '–')
    """
    return NOTHING if value is None or value != value else nnt(NumberNeededToTreat(1.0 / value))


def plain(value: float | str | None) -> str:
    """Value of an input as short text: four significant digits, whole numbers in full.

    Examples
    --------
    >>> plain(0.0003285), plain(15000.0), plain("hospital"), plain(None)
    ('0.0003285', '15,000', 'hospital', '–')
    """
    if value is None:
        return NOTHING
    if isinstance(value, str):
        return value
    return plain_number(value)


def price_note(settings: Settings) -> str:
    """Currency and price year, as put on every money label, such as ``USD, 2024 prices``."""
    return f"{settings.currency}, {settings.price_year} prices"
