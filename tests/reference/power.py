"""Power by other roads than Fisher's test, kept beside it as checks: normal approximation, events, the log-rank test.

``alpha`` is two-sided throughout. Of a time-to-event endpoint: events to expect when patients may die or drop out first, and
power of the log-rank test by the number of events. Rates are constant, per person-year.

References
----------
Schoenfeld D. The asymptotic properties of nonparametric tests for comparing survival distributions. Biometrika
1981;68:316-319. Cited from memory.
"""

from __future__ import annotations

import math
from statistics import NormalDist

from econmodel.errors import AnalysisError, ParameterError
from econmodel.evidence.power import fisher_power, sample_size
from econmodel.evidence.printed import checked_counts


def normal_power(p_treated: float, p_control: float, n_treated: int, n_control: int | None = None, *, alpha: float = 0.05) -> float:
    """Approximate the power by the normal test of two proportions, variance pooled under the null.

    Examples
    --------
    >>> f"{normal_power(0.25, 0.50, 16):.6f}"
    '0.302813'
    """
    from statsmodels.stats.proportion import power_proportions_2indep

    size = n_treated if n_control is None else n_control
    return float(
        power_proportions_2indep(
            p_treated - p_control, p_control, n_treated, ratio=size / n_treated, alpha=alpha, return_results=False
        )
    )


def fisher_sample_size(p_treated: float, p_control: float, *, power: float = 0.80, alpha: float = 0.05, largest: int = 400) -> int:
    """Give the fewest patients per arm at which Fisher's exact power reaches a target.

    Raises
    ------
    AnalysisError
        The target is not reached by ``largest`` patients per arm.

    Notes
    -----
    Exact power saws up and down with the sample size; this is the first size that reaches the target.
    """
    start = max(2, math.floor(0.7 * sample_size(p_treated, p_control, power=power, alpha=alpha, continuity=False)))
    for n in range(start, largest + 1):
        if fisher_power(p_treated, p_control, n, alpha=alpha) >= power:
            return n
    what = f"Fisher power {power:g} is not reached by {largest} patients per arm"
    raise AnalysisError(what, fix="use sample_size for large trials")


def exact_upper_bound(events: int, n: int, *, confidence: float = 0.95) -> float:
    """Give the one-sided exact (Clopper-Pearson) upper bound of a risk: what "none seen" still allows.

    Examples
    --------
    >>> f"{exact_upper_bound(0, 16):.6f}"
    '0.170750'
    """
    from scipy.stats import beta

    counts = checked_counts((events, n), "events/patients")
    if counts.events == counts.n:
        return 1.0
    return float(beta.ppf(confidence, counts.events + 1, counts.n - counts.events))


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
