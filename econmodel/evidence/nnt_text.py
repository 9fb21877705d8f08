"""How an NNT and its interval are written: NNTB, NNTH, and through infinity where the risk reduction spans 0.

An interval of the absolute risk reduction that spans 0 must never be written by joining the two inverted ends: the NNT
passes through infinity between them [Altman DG. BMJ 1998;317:1309].
"""

from __future__ import annotations

from typing import Literal

Kind = Literal["NNTB", "NNTH", "none"]


def nnt_kind(arr: float) -> Kind:
    """Say whether an ARR benefits (NNTB), harms (NNTH) or does neither (none)."""
    return "none" if arr == 0 else "NNTB" if arr > 0 else "NNTH"


def format_nnt(arr: float) -> str:
    """Write the NNT of an ARR with its kind."""
    return "none (no difference)" if arr == 0 else f"{nnt_kind(arr)} {format_patients(1.0 / abs(arr))}"


def format_nnt_interval(arr_low: float, arr_high: float) -> str:
    """Write the NNT interval of an ARR interval, from most to least favourable, through infinity where the ARR spans 0.

    Examples
    --------
    >>> format_nnt_interval(-0.05, 0.25)
    'NNTB 4 to ∞ to NNTH 20'
    >>> format_nnt_interval(0.009, 0.322)
    'NNTB 3.11 to 111'
    """
    low, high = sorted((arr_low, arr_high))
    if low == high == 0:
        return "∞"
    if low >= 0:
        return f"NNTB {format_patients(1 / high)} to {format_patients(1 / low) if low > 0 else '∞'}"
    if high <= 0:
        return f"NNTH {format_patients(1 / -low)} to {format_patients(1 / -high) if high < 0 else '∞'}"
    return f"NNTB {format_patients(1 / high)} to ∞ to NNTH {format_patients(1 / -low)}"


def format_patients(number: float) -> str:
    """Write a number of patients to three significant digits, whole above a thousand."""
    return f"{number:.3g}" if number < 999.5 else f"{number:.0f}"
