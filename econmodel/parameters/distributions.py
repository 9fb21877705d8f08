"""Distributions of inputs: fitted to a mean and standard error, sampled through their quantile function.

Takes the ``distribution`` field of an input and its value. ``value`` is the mean for beta, gamma and normal, the median for
lognormal; a setting is categorical. A gamma may give its standard error as a share of the value (``cv``) and be shifted
(``shift``), a lognormal truncated above (``upper``). The method of moments is that of NICE CG144 appendix H: gamma shape
``(mean/se)^2``, beta from mean and variance.
"""

from __future__ import annotations

import math
from dataclasses import field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from econmodel.errors import ParameterError
from econmodel.records import record

FloatArray = NDArray[np.float64]
WEIGHTS_OFF = 1e-9
FIELDS: dict[str, tuple[set[str], ...]] = {
    "fixed": ({"reason"},),
    "beta": ({"a", "b"}, {"se"}),
    "gamma": ({"se"}, {"cv"}, {"shape", "scale"}),
    "lognormal": ({"se_log"},),
    "normal": ({"se"},),
    "dirichlet": ({"n"},),
    "categorical": ({"weights", "basis"},),
}
OPTIONAL: dict[str, set[str]] = {"gamma": {"shift"}, "lognormal": {"upper"}}


@record
class Distribution:
    """A fitted distribution; ``fields`` holds its numbers as resolved by :func:`fit`."""

    family: str
    fields: dict[str, float] = field(default_factory=dict)
    reason: str = ""

    def ppf(self, u: FloatArray) -> FloatArray:
        """Quantiles at probabilities ``u`` (any shape)."""
        from scipy import special

        f = self.fields
        match self.family:
            case "beta":
                return np.asarray(special.betaincinv(f["a"], f["b"], u))
            case "gamma":
                return np.asarray(f["shift"] + f["scale"] * special.gammaincinv(f["shape"], u))
            case "normal":
                return np.asarray(f["mean"] + f["se"] * special.ndtri(u))
            case "lognormal":
                top = special.ndtr((math.log(f["upper"]) - f["mu"]) / f["sigma"]) if math.isfinite(f["upper"]) else 1.0
                return np.asarray(np.exp(f["mu"] + f["sigma"] * special.ndtri(u * top)))
            case "categorical":
                edges = np.cumsum(list(f.values()))
                return np.searchsorted(edges[:-1] / edges[-1], u, side="right").astype(float)
        return np.full_like(u, f["value"])

    def cdf(self, x: FloatArray) -> FloatArray:
        """Probability below each value drawn (any shape), of a family that is spread out."""
        from scipy import special

        f = self.fields
        match self.family:
            case "beta":
                return np.asarray(special.betainc(f["a"], f["b"], x))
            case "gamma":
                return np.asarray(special.gammainc(f["shape"], (x - f["shift"]) / f["scale"]))
            case "normal":
                return np.asarray(special.ndtr((x - f["mean"]) / f["se"]))
        assert self.family == "lognormal"
        top = special.ndtr((math.log(f["upper"]) - f["mu"]) / f["sigma"]) if math.isfinite(f["upper"]) else 1.0
        return np.asarray(special.ndtr((np.log(x) - f["mu"]) / f["sigma"]) / top)

    def draw(self, rng: np.random.Generator, n: int) -> FloatArray:
        """Draw ``n`` values; much quicker than the quantile function for beta and gamma."""
        f = self.fields
        match self.family:
            case "beta":
                return rng.beta(f["a"], f["b"], n)
            case "gamma":
                return f["shift"] + rng.gamma(f["shape"], f["scale"], n)
        return self.ppf(np.maximum(rng.random(n), 2.0**-54))

    @property
    def mean(self) -> float:
        """Mean of the distribution."""
        f = self.fields
        match self.family:
            case "beta":
                return f["a"] / (f["a"] + f["b"])
            case "gamma":
                return f["shift"] + f["shape"] * f["scale"]
            case "normal":
                return f["mean"]
            case "lognormal":
                return math.exp(f["mu"] + f["sigma"] ** 2 / 2) * self._truncated_share()
        return f.get("value", math.nan)

    @property
    def sd(self) -> float:
        """Standard deviation (of the untruncated distribution for a lognormal)."""
        f = self.fields
        match self.family:
            case "beta":
                n = f["a"] + f["b"]
                return math.sqrt(f["a"] * f["b"] / (n * n * (n + 1)))
            case "gamma":
                return math.sqrt(f["shape"]) * f["scale"]
            case "normal":
                return f["se"]
            case "lognormal":
                return math.exp(f["mu"] + f["sigma"] ** 2 / 2) * math.sqrt(math.expm1(f["sigma"] ** 2))
        return 0.0

    def _truncated_share(self) -> float:
        f = self.fields
        if not math.isfinite(f["upper"]):
            return 1.0
        z = (math.log(f["upper"]) - f["mu"]) / f["sigma"]
        return _normal_cdf(z - f["sigma"]) / _normal_cdf(z)

    def outside(self, low: float, high: float) -> float:
        """Share of the distribution below ``low`` or above ``high``."""
        return self._below(low) + 1.0 - self._below(high)

    def _below(self, x: float) -> float:
        """Share below ``x``, which may be infinite."""
        f = self.fields
        match self.family:
            case "normal":
                return _normal_cdf((x - f["mean"]) / f["se"])
            case "lognormal":
                z = (
                    ((math.log(min(x, f["upper"])) if x < math.inf else math.log(f["upper"])) - f["mu"]) / f["sigma"]
                    if x > 0
                    else -math.inf
                )
                return _normal_cdf(z) / _normal_cdf((math.log(f["upper"]) - f["mu"]) / f["sigma"])
            case "beta" | "gamma" if self._start() < x < self._end():
                from scipy import special

                if self.family == "beta":
                    return float(special.betainc(f["a"], f["b"], x))
                return float(special.gammainc(f["shape"], (x - f["shift"]) / f["scale"]))
        return 1.0 if x >= self._end() else 0.0

    def _start(self) -> float:
        return self.fields.get("shift", 0.0)

    def _end(self) -> float:
        return 1.0 if self.family == "beta" else math.inf

    def describe(self) -> str:
        """Short text such as ``beta(18, 82)``."""
        f = self.fields
        match self.family:
            case "beta":
                return f"beta({f['a']:.4g}, {f['b']:.4g})"
            case "gamma":
                shift = f"{f['shift']:g} + " if f["shift"] else ""
                return f"{shift}gamma(shape {f['shape']:.4g}, scale {f['scale']:.4g})"
            case "lognormal":
                cut = f", below {f['upper']:g}" if math.isfinite(f["upper"]) else ""
                return f"lognormal(median {math.exp(f['mu']):.4g}, log SE {f['sigma']:.3g}{cut})"
            case "normal":
                return f"normal({f['mean']:.4g}, SE {f['se']:.3g})"
            case "dirichlet":
                return f"dirichlet(n {f['n']:g})"
            case "categorical":
                return ", ".join(f"{choice} {weight:g}" for choice, weight in f.items())
        return f"fixed ({self.reason})" if self.reason else "fixed"


def _normal_cdf(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


def fixed(value: float, reason: str) -> Distribution:
    """Build the distribution of an input held certain."""
    return Distribution("fixed", {"value": value}, reason)


def fit(spec: dict[str, Any], value: float | None) -> Distribution:
    """Fit a distribution to an input's value.

    Parameters
    ----------
    spec
        The ``distribution`` field: ``family`` and its numbers.
    value
        The input's value (mean; median for lognormal); None for a table or text.

    Raises
    ------
    ParameterError
        Unknown family, missing or unknown field, an infeasible pair (beta with ``se**2 >= m (1 - m)``), or shape
        numbers whose mean is not the value.

    Examples
    --------
    >>> fit({"family": "gamma", "se": 1487.0}, 5294.0).describe()
    'gamma(shape 12.67, scale 417.7)'
    """
    family = check_fields(spec)
    if family == "fixed":
        return Distribution("fixed", {} if value is None else {"value": value}, str(spec["reason"]))
    if family == "dirichlet":
        return Distribution("dirichlet", {"n": _positive(spec, "n")})
    if family == "categorical":
        return Distribution("categorical", _weights(spec["weights"]), str(spec["basis"]))
    if value is None:
        what = f"distribution {family!r} needs a number as value"
        raise ParameterError(what, fix='use family = "fixed" with a reason, or dirichlet for shares')
    return _FITTERS[family](spec, value)


def check_fields(spec: dict[str, Any]) -> str:
    """Check that the family is known and has exactly its fields; give the family."""
    family = spec.get("family", "")
    if not isinstance(family, str) or family not in FIELDS:
        what = f"distribution family {family!r} is unknown: must be one of {', '.join(FIELDS)}"
        raise ParameterError(what, fix="choose a family from the list")
    given = set(spec) - {"family"}
    if not any(need <= given and given <= need | OPTIONAL.get(family, set()) for need in FIELDS[family]):
        needs = " or ".join(", ".join(sorted(n)) for n in FIELDS[family])
        what = f"distribution {family!r} has fields {sorted(given)}: must be {needs}"
        optional = f"; optional {', '.join(sorted(OPTIONAL[family]))}" if family in OPTIONAL else ""
        raise ParameterError(what, fix=f"give {needs}{optional}")
    return family


def rescale(distribution: Distribution, value: float) -> Distribution:
    """Move a distribution to a new value, keeping its relative spread.

    Beta keeps its effective sample size ``a + b``, gamma its shape, lognormal its log SE, normal its SE. A value
    at the edge of the support (a probability of 0, a gamma at its shift) becomes fixed.
    """
    f = distribution.fields
    match distribution.family:
        case "beta" if 0 < value < 1:
            n = f["a"] + f["b"]
            return Distribution("beta", {"a": n * value, "b": n * (1 - value)})
        case "gamma" if value > f["shift"]:
            return Distribution("gamma", f | {"scale": (value - f["shift"]) / f["shape"]})
        case "lognormal" if value > 0:
            upper = f["upper"] if value < f["upper"] else math.inf
            return Distribution("lognormal", f | {"mu": math.log(value), "upper": upper})
        case "normal":
            return Distribution("normal", f | {"mean": value})
    return fixed(value, distribution.reason or "set to the edge of its distribution")


def _weights(raw: Any) -> dict[str, float]:
    """Weights of the choices of a setting: shares that sum to 1."""
    numbers = list(raw.values()) if isinstance(raw, dict) else []
    good = all(isinstance(w, int | float) and not isinstance(w, bool) and 0 <= w <= 1 for w in numbers)
    if not numbers or not good or abs(sum(numbers) - 1) > WEIGHTS_OFF:
        total = f"; they sum to {sum(numbers):g}" if numbers and good else ""
        what = f"weights {raw!r} must be shares from 0 to 1 that sum to 1{total}"
        raise ParameterError(what, fix="weights = { one = 0.7, other = 0.3 }; they are not rescaled for you")
    return {choice: float(weight) for choice, weight in raw.items()}


def _number(spec: dict[str, Any], name: str, default: float = math.nan) -> float:
    raw = spec.get(name, default)
    if isinstance(raw, bool) or not isinstance(raw, int | float):
        what = f"distribution field {name} = {raw!r}: must be a number"
        raise ParameterError(what, fix="give a plain number")
    return float(raw)


def _optional(spec: dict[str, Any], name: str, default: float) -> float:
    number = _number(spec, name, default)
    if name in spec and not math.isfinite(number):
        what = f"distribution field {name} = {number:g}: must be finite"
        raise ParameterError(what, fix="give a plain number, or leave it out")
    return number


def _positive(spec: dict[str, Any], name: str) -> float:
    number = _number(spec, name)
    if not (number > 0 and math.isfinite(number)):
        what = f"distribution field {name} = {number:g}: must be > 0"
        raise ParameterError(what, fix="give the standard error of the mean, on the value's scale")
    return number


def _check_mean(family: str, mean: float, value: float) -> None:
    if abs(mean - value) > 1e-3 * abs(value):
        what = f"distribution {family} has mean {mean:.6g} but the value is {value:.6g}"
        raise ParameterError(what, fix="make them agree, or give se instead")


def _fit_beta(spec: dict[str, Any], value: float) -> Distribution:
    if "se" in spec:
        se = _positive(spec, "se")
        spread = value * (1 - value)
        if se**2 >= spread:
            what = f"beta with mean {value:g} and se {se:g}: se squared must be below mean x (1 - mean) = {spread:.4g}"
            raise ParameterError(what, fix="give a smaller se; it is the standard error of the mean")
        n = spread / se**2 - 1
        return Distribution("beta", {"a": value * n, "b": (1 - value) * n})
    a, b = _positive(spec, "a"), _positive(spec, "b")
    _check_mean("beta", a / (a + b), value)
    return Distribution("beta", {"a": a, "b": b})


def _fit_gamma(spec: dict[str, Any], value: float) -> Distribution:
    shift = _optional(spec, "shift", 0.0)
    if value <= shift:
        what = f"gamma with value {value:g}: must be above its shift {shift:g}"
        raise ParameterError(what, fix='use family = "fixed" with a reason for a value at the edge')
    if "se" in spec or "cv" in spec:
        se = _positive(spec, "se") if "se" in spec else _positive(spec, "cv") * value
        return Distribution("gamma", {"shape": ((value - shift) / se) ** 2, "scale": se**2 / (value - shift), "shift": shift})
    shape, scale = _positive(spec, "shape"), _positive(spec, "scale")
    _check_mean("gamma", shift + shape * scale, value)
    return Distribution("gamma", {"shape": shape, "scale": scale, "shift": shift})


def _fit_lognormal(spec: dict[str, Any], value: float) -> Distribution:
    upper = _optional(spec, "upper", math.inf)
    if not 0 < value < upper:
        below = f" and below upper = {upper:g}" if upper < math.inf else ""
        what = f"lognormal with median {value:g}: must be > 0{below}"
        raise ParameterError(what, fix="the value is the median, on the natural scale (not its logarithm)")
    return Distribution("lognormal", {"mu": math.log(value), "sigma": _positive(spec, "se_log"), "upper": upper})


def _fit_normal(spec: dict[str, Any], value: float) -> Distribution:
    return Distribution("normal", {"mean": value, "se": _positive(spec, "se")})


_FITTERS = {"beta": _fit_beta, "gamma": _fit_gamma, "lognormal": _fit_lognormal, "normal": _fit_normal}
