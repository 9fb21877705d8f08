"""Number needed to treat: from an ARR, counts, rates and draws, with intervals through infinity.

Defines, at one horizon: absolute risk reduction ``ARR = untreated risk - treated risk``; number needed to treat
``NNT = 1 / |ARR|``, called NNTB (to benefit) when the ARR is above 0 and NNTH (to harm) when below; none when it is 0.
The interval comes from that of the ARR. When the ARR's interval spans 0 the NNT's passes through infinity and reads
``NNTB 4 to ∞ to NNTH 20``: the two ends are never joined directly. Rounding up is for display only. This is the one place
where an ARR becomes an NNT; the model's comparisons come here too. Two strategies of the model whose risks differ by fewer than
``ABOUT_EQUAL``, one patient in 200, are shown as about equal; documents keep the number.

What an NNT costs: with ``Cp`` the prophylaxis cost of one patient and ``Ce`` the cost of one event, of one horizon, one
discounting and one definition of the event, prophylaxis saves if and only if the NNT is below ``Ce / Cp``, which is the
same as a net cost per patient below 0.

One over a difference of rates is *person-years per event averted*, not patients; results from rates say so.

References
----------
Newcombe RG. Interval estimation for the difference between independent proportions: comparison of eleven methods.
Statistics in Medicine 1998;17:873-890 (method 10). Altman DG. Confidence intervals for the number needed to treat. BMJ
1998;317:1309. Altman DG, Andersen PK. Calculating the number needed to treat for trials where the outcome is time to an
event. BMJ 1999;319:1492. Suissa S. Rambam Maimonides Medical Journal 2015 (person-time and NNT). Gouskova 2014, PubMed
24038032 (competing risks).
"""

from __future__ import annotations

import math
from statistics import NormalDist
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from econmodel.arrays import choose
from econmodel.evidence.printed import Counts, checked_counts
from econmodel.evidence.rates import check_years, cumulative_risk
from econmodel.records import record

Kind = Literal["NNTB", "NNTH", "none"]
FloatArray = NDArray[np.float64]
NO_DIFFERENCE, ABOUT_EQUAL = 1e-12, 0.005
NOT_APPLICABLE = "not applicable"
NO_HORIZON = "No horizon is stated: an NNT means nothing without the time by which events are counted."
PERSON_TIME = (
    "One over the rate difference is {years:.3g} person-years per event averted, not patients; the NNT here "
    "is one over the difference in first-event risk at the horizon."
)
NO_DEATH = "Death is not counted as competing: where patients die first, the true reduction differs."


@record
class NumberNeededToTreat:
    """An NNT at one horizon, with the risk reduction and interval it comes from.

    Attributes
    ----------
    arr, arr_low, arr_high
        Absolute risk reduction and its interval (None where the inputs carry none).
    years
        Horizon; None if not stated.
    method
        How estimate and interval were made.
    warnings
        Sentences that must stand beside the number.
    """

    arr: float
    arr_low: float | None = None
    arr_high: float | None = None
    years: float | None = None
    method: str = ""
    warnings: tuple[str, ...] = ()

    @property
    def kind(self) -> Kind:
        """NNTB, NNTH or none."""
        return nnt_kind(self.arr)

    @property
    def value(self) -> float | None:
        """Patients per event averted (NNTB) or caused (NNTH), unrounded; None when the ARR is 0."""
        return patients_treated(self.arr)

    @property
    def about_equal(self) -> bool:
        """Whether the two differ by less than matters."""
        return self.applies and abs(self.arr) < ABOUT_EQUAL

    @property
    def text(self) -> str:
        """The NNT with its kind, such as ``NNTB 5``."""
        return format_nnt(self.arr) if self.applies else NOT_APPLICABLE

    @property
    def interval_text(self) -> str | None:
        """The interval in NNTB and NNTH form; None without an interval."""
        if self.arr_low is None or self.arr_high is None or not self.applies:
            return None
        return format_nnt_interval(self.arr_low, self.arr_high)

    @property
    def applies(self) -> bool:
        """Whether there is an ARR at all: not of an event that cannot happen."""
        return not math.isnan(self.arr)

    def to_json(self) -> dict[str, float | str | None]:
        """Give value and kind, as result documents hold them; both null where it does not apply."""
        return {"value": self.value, "kind": self.kind if self.applies else None}


def patients_per_event(arr: ArrayLike) -> FloatArray:
    """Patients treated per event averted, ``1 / ARR``: below 0 per event caused, NaN where there is no difference.

    Examples
    --------
    >>> patients_per_event([0.25, -0.05, 0.0]).tolist()
    [4.0, -20.0, nan]
    """
    values = np.asarray(arr, dtype=float)
    known = np.isfinite(values) & (np.abs(values) > NO_DIFFERENCE)
    return np.asarray(np.divide(1.0, values, out=np.full(values.shape, np.nan), where=known))


def patients_treated(arr: float) -> float | None:
    """Patients treated per event averted or caused, ``1 / |ARR|``; None where there is no difference."""
    if isinstance(arr, float) and not math.isfinite(arr):
        return None
    return choose(abs(arr) <= NO_DIFFERENCE, lambda: None, lambda: 1.0 / abs(arr))  # type: ignore[no-any-return]


def nnt_kind(arr: float) -> Kind:
    """Say whether an ARR benefits (NNTB), harms (NNTH) or does neither (none)."""
    if isinstance(arr, float) and not math.isfinite(arr):
        return "none"
    signed = choose(arr > 0, lambda: "NNTB", lambda: "NNTH")
    return choose(abs(arr) <= NO_DIFFERENCE, lambda: "none", lambda: signed)  # type: ignore[no-any-return]


def format_nnt(arr: float) -> str:
    """Write the NNT of an ARR with its kind."""
    kind = nnt_kind(arr)
    return "none (no difference)" if kind == "none" else f"{kind} {format_patients(abs(float(patients_per_event(arr))))}"


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


def wilson(counts: Counts, z: float) -> tuple[float, float]:
    """Wilson's score interval of one risk."""
    p, n = counts.risk, counts.n
    middle, half = p + z * z / (2 * n), z * math.sqrt(p * (1 - p) / n + z * z / (4 * n * n))
    return (middle - half) / (1 + z * z / n), (middle + half) / (1 + z * z / n)


def newcombe(one: Counts, other: Counts, z: float) -> tuple[float, float]:
    """Newcombe's hybrid score interval of the difference, untreated less treated (method 10)."""
    (l1, u1), (l0, u0) = wilson(one, z), wilson(other, z)
    gap = other.risk - one.risk
    return gap - math.hypot(other.risk - l0, u1 - one.risk), gap + math.hypot(u0 - other.risk, one.risk - l1)


def nnt_from_counts(
    treated: Counts | tuple[int, int], untreated: Counts | tuple[int, int], *, years: float | None = None, alpha: float = 0.05
) -> NumberNeededToTreat:
    """Compare two arms of counts (events, patients), with Newcombe's hybrid score interval.

    Raises
    ------
    ParameterError
        Impossible counts, such as 7/5, -1/10 or 0/0.

    Examples
    --------
    >>> found = nnt_from_counts((4, 16), (8, 16), years=0.5)
    >>> found.text, found.interval_text
    ('NNTB 4', 'NNTB 1.94 to ∞ to NNTH 12.6')
    """
    a, b = checked_counts(treated, "treated"), checked_counts(untreated, "untreated")
    low, high = newcombe(a, b, NormalDist().inv_cdf(1 - alpha / 2))
    return NumberNeededToTreat(b.risk - a.risk, float(low), float(high), _horizon(years), "counts, Newcombe interval", _unless(years))


def nnt_from_rates(treated_rate: float, untreated_rate: float, *, years: float, death_rate: float = 0.0) -> NumberNeededToTreat:
    """Turn two constant rates per person-year into an NNT at a horizon, with death competing at one rate in both arms.

    Examples
    --------
    >>> f"{nnt_from_rates(0.75, 1.00, years=1).value:.2f}"
    '9.57'
    """
    check_years(years)
    arr = cumulative_risk(untreated_rate, death_rate, years) - cumulative_risk(treated_rate, death_rate, years)
    return NumberNeededToTreat(
        float(arr), years=years, method="constant rates", warnings=_person_time_warnings(treated_rate, untreated_rate, death_rate)
    )


def nnt_from_draws(arr: ArrayLike, *, years: float | None = None, alpha: float = 0.05) -> NumberNeededToTreat:
    """Summarise draws of the ARR: one over their mean, interval inverted from their quantiles.

    Notes
    -----
    The mean of one over the draws has no finite expectation when the ARR can be near 0, so it is never taken.
    """
    values = np.asarray(arr, dtype=float)
    low, high = np.quantile(values, [alpha / 2, 1 - alpha / 2])
    return NumberNeededToTreat(
        float(values.mean()), float(low), float(high), _horizon(years), "one over the mean ARR of the draws", _unless(years)
    )


def _person_time_warnings(treated_rate: float, untreated_rate: float, death_rate: float) -> tuple[str, ...]:
    difference = abs(untreated_rate - treated_rate)
    trap = (PERSON_TIME.format(years=1 / difference),) if difference > 0 else ()
    return (*trap, *(() if death_rate > 0 else (NO_DEATH,)))


def _horizon(years: float | None) -> float | None:
    if years is not None:
        check_years(years)
    return years


def _unless(years: float | None) -> tuple[str, ...]:
    return (NO_HORIZON,) if years is None else ()


def break_even_nnt(prophylaxis_cost: float, event_cost: float) -> float | None:
    """Give ``Ce / Cp``: the NNT below which prophylaxis saves; None when prophylaxis costs nothing."""
    return choose(prophylaxis_cost == 0, lambda: None, lambda: event_cost / prophylaxis_cost)  # type: ignore[no-any-return]
