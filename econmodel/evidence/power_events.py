"""Expected events and power of a two-arm trial with a time-to-event endpoint.

Events to expect when patients may die or drop out first, and power of the log-rank test by the number of events.
Rates are constant, per person-year; ``alpha`` is two-sided.

References
----------
Schoenfeld D. The asymptotic properties of nonparametric tests for comparing survival distributions. Biometrika
1981;68:316-319. Cited from memory.
"""

from __future__ import annotations

import math
from statistics import NormalDist

from econmodel.errors import AnalysisError, ParameterError


def expected_events(
    n: float, rate: float, *, follow_up_years: float, accrual_years: float = 0.0, death_rate: float = 0.0, dropout_rate: float = 0.0
) -> float:
    """Give the first events to expect in an arm when death and drop-out compete, all at constant rates.

    Parameters
    ----------
    n
        Patients in the arm.
    rate, death_rate, dropout_rate
        Events, deaths without the event, and losses, per person-year.
    follow_up_years
        Follow-up of the last patient to enter.
    accrual_years
        Length of uniform accrual before that.

    Notes
    -----
    With total rate R: ``n rate / R (1 - mean of exp(-R t))``, t uniform from the follow-up to follow-up plus accrual.

    Examples
    --------
    >>> f"{expected_events(1000, 0.30, follow_up_years=5, death_rate=0.15):.1f}"
    '596.4'
    """
    values = {
        "n": n,
        "rate": rate,
        "follow_up_years": follow_up_years,
        "accrual_years": accrual_years,
        "death_rate": death_rate,
        "dropout_rate": dropout_rate,
    }
    for name, value in values.items():
        if not (math.isfinite(value) and value >= 0):
            what = f"{name} = {value:g}: must be 0 or more"
            raise ParameterError(what, fix="check the sign and the unit")
    total = rate + death_rate + dropout_rate
    if total == 0:
        return 0.0
    still_in = math.exp(-total * follow_up_years)
    if accrual_years > 0:
        still_in *= -math.expm1(-total * accrual_years) / (total * accrual_years)
    return n * rate / total * (1 - still_in)


def log_rank_power(events: float, hazard_ratio: float, *, treated_share: float = 0.5, alpha: float = 0.05) -> float:
    """Approximate the log-rank test's power from the events of both arms together [Schoenfeld 1981]."""
    signal = abs(math.log(hazard_ratio)) * math.sqrt(events * treated_share * (1 - treated_share))
    normal = NormalDist()
    critical = normal.inv_cdf(1 - alpha / 2)
    return normal.cdf(signal - critical) + normal.cdf(-signal - critical)


def events_needed(hazard_ratio: float, *, power: float = 0.80, treated_share: float = 0.5, alpha: float = 0.05) -> float:
    """Give the events of both arms together that reach a power: ``(z + z)**2 / (share (1 - share) ln(HR)**2)``.

    Raises
    ------
    AnalysisError
        A hazard ratio of 1, or not above 0.

    Examples
    --------
    >>> f"{events_needed(0.5):.2f}"
    '65.35'
    """
    if hazard_ratio <= 0 or hazard_ratio == 1:
        what = f"hazard ratio = {hazard_ratio:g}: must be above 0 and not 1"
        raise AnalysisError(what, fix="give the hazard ratio the trial should detect")
    z = NormalDist().inv_cdf(1 - alpha / 2) + NormalDist().inv_cdf(power)
    return z**2 / (treated_share * (1 - treated_share) * math.log(hazard_ratio) ** 2)
