"""Power, sample size and assurance of a two-arm trial with a yes-or-no endpoint.

Exact power of Fisher's two-sided test by enumeration, and the normal approximation with pooled variance under the null.
``alpha`` is two-sided throughout.

*Assurance* is the power averaged over draws of the truth, so over what is not known about it. A small trial without a
significant result shows little: see its power first.

Of a time-to-event endpoint: events to expect when patients may die or drop out first, and power of the log-rank test by
the number of events. Rates are constant, per person-year.

References
----------
O'Hagan A, Stevens JW, Campbell MJ. Assurance in clinical trial design. Pharmaceutical Statistics 2005;4:187-201.
Schoenfeld D. The asymptotic properties of nonparametric tests for comparing survival distributions. Biometrika
1981;68:316-319. Both cited from memory.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import lru_cache
from statistics import NormalDist

import numpy as np
from numpy.typing import ArrayLike, NDArray

from econmodel.errors import AnalysisError, ParameterError
from econmodel.evidence.printed import checked_counts, checked_risk

FloatArray = NDArray[np.float64]
# Tables as likely as the one seen, within rounding, count as at least as extreme.
TIE = 1 + 1e-7


@dataclass(frozen=True)
class Assurance:
    """Power averaged over draws of the truth.

    Attributes
    ----------
    mean
        The average.
    se
        Its Monte Carlo standard error.
    n_draws
        How many draws.
    """

    mean: float
    se: float
    n_draws: int


@lru_cache(maxsize=32)
def fisher_p_values(n_treated: int, n_control: int) -> FloatArray:
    """Give the two-sided Fisher p of every outcome of a trial.

    Returns
    -------
    ndarray of shape (n_treated + 1, n_control + 1)
        Indexed by the events of each arm. Read-only.

    Examples
    --------
    >>> f"{fisher_p_values(16, 16)[4, 8]:.5f}"
    '0.27337'
    """
    from scipy.stats import hypergeom

    for n in (n_treated, n_control):
        checked_counts((0, n), "patients per arm")
    p_values = np.ones((n_treated + 1, n_control + 1))
    for total in range(n_treated + n_control + 1):
        events = np.arange(max(0, total - n_control), min(n_treated, total) + 1)
        chance = hypergeom.pmf(events, n_treated + n_control, total, n_treated)
        as_extreme = chance[None, :] <= chance[:, None] * TIE
        p_values[events, total - events] = np.minimum((as_extreme * chance).sum(axis=1), 1.0)
    p_values.flags.writeable = False
    return p_values


def fisher_power(
    p_treated: ArrayLike, p_control: ArrayLike, n_treated: int, n_control: int | None = None, *, alpha: float = 0.05
) -> FloatArray:
    """Give the exact power of Fisher's two-sided test, for one truth or for many draws of it.

    Parameters
    ----------
    p_treated, p_control
        True risks; scalars or arrays of shape (draws,).
    n_treated, n_control
        Patients per arm; equal arms when the second is left out.
    alpha
        Two-sided significance level.

    Returns
    -------
    ndarray of shape () or (draws,)

    Examples
    --------
    >>> f"{fisher_power(0.25, 0.50, 16):.6f}"
    '0.183808'
    """
    size = n_treated if n_control is None else n_control
    rejects = (fisher_p_values(n_treated, size) <= alpha).astype(float)
    treated, control = np.broadcast_arrays(np.asarray(p_treated, dtype=float), np.asarray(p_control, dtype=float))
    for risk in (*treated.flat, *control.flat):
        checked_risk(float(risk), "risk")
    return np.asarray(np.einsum("...i,ij,...j->...", _chances(n_treated, treated), rejects, _chances(size, control)))


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


def sample_size(p_treated: float, p_control: float, *, power: float = 0.80, alpha: float = 0.05, continuity: bool = False) -> float:
    """Give the patients per arm, unrounded, that reach a power by the normal approximation, equal arms.

    Parameters
    ----------
    p_treated, p_control
        True risks; must differ.
    power, alpha
        Wanted power and two-sided significance level.
    continuity
        Add the continuity correction, which comes closer to Fisher's test.

    Raises
    ------
    AnalysisError
        The risks are equal.

    Examples
    --------
    >>> f"{sample_size(0.25, 0.50):.2f} {sample_size(0.25, 0.50, continuity=True):.2f}"
    '57.67 65.43'
    """
    gap = abs(p_treated - p_control)
    if gap == 0:
        what = f"both risks are {p_treated:g}: no sample size shows a difference that is not there"
        raise AnalysisError(what, fix="give two different risks")
    z_alpha, z_power = (NormalDist().inv_cdf(q) for q in (1 - alpha / 2, power))
    pooled = (p_treated + p_control) / 2
    spread = z_alpha * math.sqrt(2 * pooled * (1 - pooled)) + z_power * math.sqrt(
        p_treated * (1 - p_treated) + p_control * (1 - p_control)
    )
    n = (spread / gap) ** 2
    return n / 4 * (1 + math.sqrt(1 + 4 / (n * gap))) ** 2 if continuity else n


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
    start = max(2, math.floor(0.7 * sample_size(p_treated, p_control, power=power, alpha=alpha)))
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


def assurance(power: Callable[..., float], draws: Iterable[tuple[float, ...]]) -> Assurance:
    """Average a power over draws of the truth.

    Parameters
    ----------
    power
        Takes one draw's values and gives the power there.
    draws
        One tuple for each draw.
    """
    return _average(np.asarray([power(*draw) for draw in draws], dtype=float))


def assurance_two_proportions(
    p_treated: ArrayLike, p_control: ArrayLike, n_treated: int, n_control: int | None = None, *, alpha: float = 0.05
) -> Assurance:
    """Average the exact Fisher power over draws of the two risks, of shape (draws,)."""
    return _average(np.atleast_1d(fisher_power(p_treated, p_control, n_treated, n_control, alpha=alpha)))


def _chances(n: int, risk: FloatArray) -> FloatArray:
    """Give the binomial chance of 0 to n events, on the log scale so that risks next to 0 do not overflow."""
    from scipy.special import gammaln, xlog1py, xlogy

    k = np.arange(n + 1)
    ways = gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1)
    return np.asarray(np.exp(ways + xlogy(k, risk[..., None]) + xlog1py(n - k, -risk[..., None])), dtype=float)


def _average(powers: FloatArray) -> Assurance:
    if powers.size == 0:
        what = "there are no draws to average over"
        raise AnalysisError(what, fix="give at least one draw")
    se = float(powers.std(ddof=1) / math.sqrt(powers.size)) if powers.size > 1 else 0.0
    return Assurance(float(powers.mean()), se, int(powers.size))


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
