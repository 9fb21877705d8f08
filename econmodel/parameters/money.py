"""Money as text, in one place, for every layer that speaks of it.

Rounding is for display only. ``None`` and undefined values print as an en dash, never as a number.
"""

from __future__ import annotations

import math

SYMBOLS = {"USD": "$", "GBP": "£", "EUR": "€"}
NOTHING = "–"
MINUS = "−"


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
