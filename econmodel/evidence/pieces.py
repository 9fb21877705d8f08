"""A curve of cumulative risk as independent pieces: events of an effective number in each interval, and exact intervals.

Events of an interval are its rise of the cumulative hazard times the mean number under observation; the effective number is
what they are a binomial share of. It is that of :mod:`econmodel.evidence.untreated`, whose likelihood takes the hazard itself.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

Numbers = tuple[float, ...]
Z = 1.959964
NEARLY_ONE = 1 - 1e-12


def interval_risks(risk: Numbers) -> list[float]:
    """Risk of each interval among those still without the event."""
    return [1 - (1 - b) / (1 - a) if a < 1 else 1.0 for a, b in zip((0.0, *risk), risk, strict=False)]


def effective_numbers(risk: Numbers, mean: Sequence[float]) -> Numbers:
    """Effective numbers: events of an interval, its rise of the cumulative hazard times those observed, over its risk."""
    return tuple(m * -math.log1p(-min(q, NEARLY_ONE)) / q if q > 0 else m for q, m in zip(interval_risks(risk), mean, strict=True))


def number_behind(risk: float, low: float, high: float) -> float:
    """Patients behind a risk and its 95% interval, on the logit scale."""
    spread = (math.log(high / (1 - high)) - math.log(low / (1 - low))) / (2 * Z)
    return 1 / (spread**2 * risk * (1 - risk))


def under_observation(months: Numbers, risk: Numbers, n: float, loss: float) -> list[float]:
    """Mean number under observation in each interval, at a constant loss a year and the hazard that the risks show.

    Examples
    --------
    >>> [round(x, 2) for x in under_observation((12.0, 36.0, 60.0), (0.16, 0.36, 0.44), 117, 0.26286)]
    [94.78, 52.07, 24.92]
    """
    found, steps = [], [(b - a) / 12 for a, b in zip((0.0, *months), months, strict=False)]
    for step, years in zip(interval_risks(risk), steps, strict=True):
        leaves = loss * years - math.log1p(-min(step, NEARLY_ONE))
        found.append(n * -math.expm1(-leaves) / leaves if leaves > 0 else n)
        n *= math.exp(-leaves)
    return found


def exact_intervals(risk: Numbers, steps: Sequence[float], at_risk: Sequence[int]) -> list[tuple[float, float]]:
    """Exact interval of each cumulative risk at the number whose binomial variance is Greenwood's."""
    found, spread = [], 0.0
    for f, q, n in zip(risk, steps, at_risk, strict=True):
        spread += q / (n * (1 - q)) if q < 1 else 0.0
        number = f / ((1 - f) * spread) if 0 < f < 1 else float(n)
        found.append(exact_binomial(f * number, number))
    return found


def exact_binomial(events: float, n: float) -> tuple[float, float]:
    """Exact (Clopper-Pearson) 95% interval of a proportion; ``n`` may be an effective number.

    Examples
    --------
    >>> [round(x, 3) for x in exact_binomial(2, 30)]
    [0.008, 0.221]
    """
    from scipy.special import betaincinv

    low = 0.0 if events <= 0 else float(betaincinv(events, n - events + 1, 0.025))
    high = 1.0 if events >= n else float(betaincinv(events + 1, n - events, 0.975))
    return low, high
