"""Power and assurance of a two-arm trial with a yes-or-no endpoint, by Fisher's exact two-sided test.

*Assurance* is the power averaged over draws of the truth, so over what is not known about it. A small trial without a
significant result shows little: see its power first. ``alpha`` is two-sided throughout.

References
----------
O'Hagan A, Stevens JW, Campbell MJ. Assurance in clinical trial design. Pharmaceutical Statistics 2005;4:187-201. Cited from
memory.
"""

from __future__ import annotations

import math
from functools import lru_cache
from statistics import NormalDist

import numpy as np
from numpy.typing import ArrayLike, NDArray

from econmodel.errors import AnalysisError
from econmodel.evidence.printed import checked_counts, checked_risk
from econmodel.records import record

FloatArray = NDArray[np.float64]
TIE = 1 + 1e-7  # tables as likely as the one seen, within rounding, count as at least as extreme


@record
class Assurance:
    """Power averaged over draws of the truth, its Monte Carlo standard error, and how many draws."""

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
    for n in (n_treated, n_control):
        checked_counts((0, n), "patients per arm")
    ways_treated, ways_control, ways = (_log_ways(n) for n in (n_treated, n_control, n_treated + n_control))
    p_values = np.ones((n_treated + 1, n_control + 1))
    for total in range(n_treated + n_control + 1):
        events = np.arange(max(0, total - n_control), min(n_treated, total) + 1)
        chance = np.exp(ways_treated[events] + ways_control[total - events] - ways[total])
        rising = np.sort(chance)
        as_extreme = np.searchsorted(rising, chance * TIE, side="right")
        p_values[events, total - events] = np.minimum(np.cumsum(rising)[as_extreme - 1], 1.0)
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
    return np.asarray(((_chances(n_treated, treated) @ rejects) * _chances(size, control)).sum(axis=-1))


def sample_size(p_treated: float, p_control: float, *, power: float = 0.80, alpha: float = 0.05, continuity: bool = True) -> float:
    """Give the patients per arm, unrounded, that reach a power by the normal approximation, equal arms.

    Parameters
    ----------
    p_treated, p_control
        True risks; must differ.
    power, alpha
        Wanted power and two-sided significance level.
    continuity
        Add the continuity correction, which comes close to Fisher's test.

    Raises
    ------
    AnalysisError
        The risks are equal.

    Examples
    --------
    >>> f"{sample_size(0.25, 0.50, continuity=False):.2f} {sample_size(0.25, 0.50):.2f}"
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


def assurance_two_proportions(
    p_treated: ArrayLike, p_control: ArrayLike, n_treated: int, n_control: int | None = None, *, alpha: float = 0.05
) -> Assurance:
    """Average the exact Fisher power over draws of the two risks, each of shape (draws,).

    Raises
    ------
    AnalysisError
        There are no draws.
    """
    powers = np.atleast_1d(fisher_power(p_treated, p_control, n_treated, n_control, alpha=alpha))
    if powers.size == 0:
        what = "there are no draws to average over"
        raise AnalysisError(what, fix="give at least one draw")
    se = float(powers.std(ddof=1) / math.sqrt(powers.size)) if powers.size > 1 else 0.0
    return Assurance(float(powers.mean()), se, int(powers.size))


def _chances(n: int, risk: FloatArray) -> FloatArray:
    """Give the binomial chance of 0 to n events, on the log scale so that risks next to 0 do not overflow."""
    from scipy.special import xlog1py, xlogy

    k = np.arange(n + 1)
    return np.asarray(np.exp(_log_ways(n) + xlogy(k, risk[..., None]) + xlog1py(n - k, -risk[..., None])), dtype=float)


def _log_ways(n: int) -> FloatArray:
    """Log of the ways to choose 0 to n out of n."""
    from scipy.special import gammaln

    k = np.arange(n + 1)
    return np.asarray(gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1))
