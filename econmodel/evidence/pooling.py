"""Pool relative effects from study rows: fixed and random effects, heterogeneity, and what a new site may see.

Takes effects on the log scale with standard errors (:mod:`econmodel.evidence.studies` makes them from rows) and gives
the pooled ratio. Methods:

- ``fixed``: inverse variance;
- ``dersimonian-laird``: random effects, one-step variance between studies, normal interval;
- ``paule-mandel``: random effects, iterated variance, Hartung-Knapp interval on t with k - 1 degrees of freedom.

The *predictive interval* is for the true effect at a new site: t with k - 2 degrees of freedom, so from three studies
up.

References
----------
DerSimonian R, Laird N. Controlled Clinical Trials 1986;7:177-188. Paule RC, Mandel J. J Res Natl Bur Stand
1982;87:377-385. Hartung J, Knapp G. Statistics in Medicine 2001;20:3875-3889. Higgins JPT, Thompson SG, Spiegelhalter
DJ. J R Stat Soc A 2009;172:137-159. Cited from memory.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Sequence
from statistics import NormalDist
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from econmodel.errors import AnalysisError
from econmodel.evidence.studies import EffectMeasure, StudyEffect, StudyRow, study_effect
from econmodel.records import record

FloatArray = NDArray[np.float64]
Method = Literal["fixed", "dersimonian-laird", "paule-mandel"]
METHODS = ("fixed", "dersimonian-laird", "paule-mandel")


@record
class Pooled:
    """A pooled ratio.

    Attributes
    ----------
    measure, method
        What was pooled and how.
    effects
        The studies, in order.
    log_ratio, se_log
        Pooled log ratio and its standard error (Hartung-Knapp's for Paule-Mandel).
    low, high
        95% interval of the ratio.
    weights
        Each study's share of the weight; sums to 1.
    tau2
        Variance between studies on the log scale; 0 under ``fixed``.
    q, q_p_value, i2
        Cochran's Q, its p, and the share of variation beyond chance, 0 to 1.
    predictive
        95% interval of the true ratio at a new site; None below three studies or under ``fixed``.
    notes
        What must be said beside the number.
    """

    measure: str
    method: Method
    effects: tuple[StudyEffect, ...]
    log_ratio: float
    se_log: float
    low: float
    high: float
    weights: tuple[float, ...]
    tau2: float
    q: float
    q_p_value: float | None
    i2: float
    predictive: tuple[float, float] | None
    notes: tuple[str, ...]

    @property
    def ratio(self) -> float:
        """The pooled ratio."""
        return math.exp(self.log_ratio)


def pool(effects: Sequence[StudyEffect], method: Method = "dersimonian-laird", *, measure: str = "ratio") -> Pooled:
    """Pool study effects.

    Parameters
    ----------
    effects
        At least one.
    method
        ``fixed``, ``dersimonian-laird`` or ``paule-mandel`` (with Hartung-Knapp).
    measure
        Name carried to the result.

    Raises
    ------
    AnalysisError
        No study, or an unknown method.
    """
    if not effects or method not in METHODS:
        what = f"cannot pool {len(effects)} studies by {method!r}: needs one or more, by {', '.join(METHODS)}"
        raise AnalysisError(what, fix="check the contrast and design")
    effect = np.array([e.log_ratio for e in effects])
    variance = np.array([e.se_log**2 for e in effects])
    df = len(effects) - 1
    fixed = 1 / variance
    q = float((fixed * (effect - np.average(effect, weights=fixed)) ** 2).sum())
    tau2 = _between(effect, variance, method)
    weight = 1 / (variance + tau2)
    mean = float(np.average(effect, weights=weight))
    se, reach, notes = _standard_error(effect, weight, mean, method)
    predictive = None
    if df >= 2 and method != "fixed":
        spread = _t_quantile(df - 1) * math.sqrt(tau2 + se**2)
        predictive = (math.exp(mean - spread), math.exp(mean + spread))
    shared = tuple(dict.fromkeys(note for e in effects for note in e.notes))
    return Pooled(
        measure,
        method,
        tuple(effects),
        mean,
        se,
        math.exp(mean - reach),
        math.exp(mean + reach),
        tuple((weight / weight.sum()).tolist()),
        tau2,
        q,
        _chi2_p(q, df),
        max(0.0, (q - df) / q) if q > 0 else 0.0,
        predictive,
        shared + notes + _few(len(effects)),
    )


def pool_contrast(
    rows: Sequence[StudyRow],
    contrast: str,
    measure: EffectMeasure = "hazard ratio",
    *,
    method: Method = "dersimonian-laird",
    design: str | None = None,
    analysis: EffectMeasure | None = None,
) -> Pooled:
    """Pool the rows of one contrast.

    Parameters
    ----------
    rows
        Study rows, from ``load_studies``.
    contrast
        Such as ``glue_vs_none``.
    measure
        What to compute from each row.
    method
        See :func:`pool`.
    design
        Keep one design, such as ``randomised trial``; all when left out.
    analysis
        Which rows to use where a study has one for each measure; the measure's own when left out. Asking for a hazard
        ratio from the rows kept for the risk ratio is the sensitivity analysis "crude counts".

    Raises
    ------
    AnalysisError
        No row is left.
    """
    kept = [
        row
        for row in rows
        if row.contrast == contrast and row.measure in ("both", analysis or measure) and design in (None, row.design)
    ]
    if not kept:
        known = ", ".join(sorted({row.contrast for row in rows}))
        what = f"no study row for contrast {contrast!r}" + (f" with design {design!r}" if design else "")
        raise AnalysisError(what, fix=f"the contrasts are {known}")
    return pool([study_effect(row, measure) for row in kept], method, measure=measure)


def _between(effect: FloatArray, variance: FloatArray, method: Method) -> float:
    """Estimate the variance between studies; the library's one-step estimate may be negative, which means none."""
    if method == "fixed" or len(effect) < 2:
        return 0.0
    if method == "paule-mandel":
        return _paule_mandel(effect, variance)
    from statsmodels.stats.meta_analysis import combine_effects

    with warnings.catch_warnings(), np.errstate(invalid="ignore"):
        # A negative one-step estimate gives square roots of negatives in parts of the library's result not used here.
        warnings.simplefilter("ignore", RuntimeWarning)
        return max(0.0, float(combine_effects(effect, variance, method_re="dl").tau2))


def _paule_mandel(effect: FloatArray, variance: FloatArray) -> float:
    """Variance between studies at which Q equals its degrees of freedom; 0 where Q is below them without any.

    Newton's steps from 0 approach the root from below, as Q falls and is convex in it. (The library's own iteration
    stops at 0 for some sets of studies whose Q is far above.)
    """
    tau2 = 0.0
    for _ in range(200):
        weight = 1 / (variance + tau2)
        squares = (effect - np.average(effect, weights=weight)) ** 2
        excess = float((weight * squares).sum()) - (len(effect) - 1)
        step = excess / float((weight**2 * squares).sum()) if excess > 0 else 0.0
        tau2 += step
        if step <= 1e-14 * tau2:
            break
    return tau2


def _standard_error(effect: FloatArray, weight: FloatArray, mean: float, method: Method) -> tuple[float, float, tuple[str, ...]]:
    """Give the standard error, half the interval's width on the log scale, and what to say of it."""
    df, plain, z = len(effect) - 1, float(weight.sum() ** -0.5), NormalDist().inv_cdf(0.975)
    if method != "paule-mandel" or df == 0:
        return plain, z * plain, ()
    scale = float((weight * (effect - mean) ** 2).sum()) / df
    se = plain * math.sqrt(scale)
    note = (
        f"Hartung-Knapp scale {scale:.2f} is below 1: the studies agree by more than chance, and its interval may "
        f"be too narrow; the normal one is {math.exp(mean - z * plain):.2f} to {math.exp(mean + z * plain):.2f}.",
    )
    return se, _t_quantile(df) * se, note if scale < 1 else ()


def _few(k: int) -> tuple[str, ...]:
    studies = "study" if k == 1 else "studies"
    return () if k > 4 else (f"Only {k} {studies}: the variance between studies is hardly known.",)


def _t_quantile(df: int) -> float:
    from scipy.special import stdtrit

    return float(stdtrit(df, 0.975))


def _chi2_p(q: float, df: int) -> float | None:
    from scipy.special import chdtrc

    return float(chdtrc(df, q)) if df > 0 else None
