"""One input of the model as a registry gives it, and the intervals of the beliefs it is written with."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

INTERVAL = "95% credible interval, registry combined with the base case"
OWN_INTERVAL = "95% interval of the registry's mean"


@dataclass(frozen=True)
class LocalValue:
    """One input set by the registry.

    Parameters
    ----------
    name
        Input of the model.
    distribution
        As an input file writes it.
    reason, note
        Why it changes; which file and which counts it rests on.
    value, table
        A number, or the rows of a mix.
    range
        Low, high and what they are, for one-way analysis.
    period_years
        Period of a probability.
    """

    name: str
    distribution: dict[str, Any]
    reason: str
    note: str
    value: float | None = None
    table: tuple[dict[str, Any], ...] = ()
    range: tuple[float, float, str] | None = None
    period_years: float | None = None


def beta_interval(a: float, b: float, alpha: float = 0.05) -> tuple[float, float]:
    """Central interval of a beta belief."""
    from scipy.special import betaincinv

    return float(betaincinv(a, b, alpha / 2)), float(betaincinv(a, b, 1 - alpha / 2))


def gamma_interval(shape: float, scale: float, alpha: float = 0.05) -> tuple[float, float]:
    """Central interval of a gamma belief."""
    from scipy.special import gammaincinv

    return float(gammaincinv(shape, alpha / 2)) * scale, float(gammaincinv(shape, 1 - alpha / 2)) * scale
