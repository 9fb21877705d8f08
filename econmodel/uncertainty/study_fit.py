"""Inputs fitted to studies by likelihood: a posterior, with its uncertainty, that an override file can hold.

The prior is what the inputs declare; a study of patients who never bled brings a deviation of its own site, which is
integrated out. Everything happens on the sampling scale, where each input is a standard normal quantile of its distribution:
the mode, Laplace's normal around it, and draws from a wider one of the same shape, weighted to the posterior. The likelihood
is binomial over the pieces of a study that no input rests on yet.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from econmodel.errors import AnalysisError
from econmodel.evidence.study_files import Study
from econmodel.model.inputs import base_values
from econmodel.parameters.distributions import Distribution
from econmodel.parameters.following import follow_draws
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.sampling import stream
from econmodel.records import record
from econmodel.uncertainty.studies import predict, read_studies, steps_of, without_study

FloatArray = NDArray[np.float64]
MOST, DRAWS, FEWEST_EFFECTIVE = 5, 4_000, 400
NOT_INFORMED = 0.9
STEP = 0.05  # of differences, on the sampling scale
FURTHEST = 4.5  # standard deviations: one draw in 150,000 lies beyond
TAIL = 5  # degrees of freedom of what is drawn from: heavier tails than the posterior's
SITE = "log_rate_site"
LEAST = 1e-300


@record
class FittedInput:
    """Prior and posterior of one input; ``ratio`` is the posterior's standard deviation over the prior's, on the sampling scale.

    ``distribution`` is the posterior in the input's own family; ``low`` and ``high`` hold 95% of it.
    """

    name: str
    label: str
    unit: str
    prior_mean: float
    prior_sd: float
    value: float
    mean: float
    sd: float
    low: float
    high: float
    ratio: float
    informed: bool
    distribution: dict[str, Any]


@record
class Fitted:
    """Inputs fitted to studies; ``effective`` draws stand behind it, ``pieces`` observations."""

    studies: tuple[str, ...]
    sources: tuple[str, ...]
    inputs: tuple[FittedInput, ...]
    pieces: int
    draws: int
    effective: float
    correlation: tuple[tuple[float, ...], ...]

    def to_json(self) -> dict[str, Any]:
        """Plain data."""
        return asdict(self)


@record
class _Problem:
    """Log posterior on the sampling scale: columns are the inputs, then the deviation of each site, which a source is."""

    studies: tuple[Study, ...]
    parameters: ParameterSet
    names: tuple[str, ...]
    sites: tuple[str, ...]
    precision: FloatArray

    def distribution(self, column: int) -> Distribution:
        return self.parameters[(*self.names, *(SITE for _ in self.sites))[column]].distribution

    def log_posterior(self, z: FloatArray) -> FloatArray:
        """Up to a constant, of points on the sampling scale: (point, column) to (point,); none beyond what is ever drawn."""
        inside = (np.abs(z) <= FURTHEST).all(axis=1)
        found, z = np.full(len(z), -np.inf), z[inside]
        if len(z):
            prior = -0.5 * np.einsum("mi,ij,mj->m", z, self.precision, z)
            found[inside] = prior + sum(self._log_likelihood(i, z) for i in range(len(self.studies)))
        return found

    def values(self, i: int, z: FloatArray) -> dict[str, FloatArray]:
        """Inputs of one study at each point."""
        at = {name: np.full(len(z), value[0]) for name, value in base_values(self.parameters).items()}
        named = [(name, column) for column, name in enumerate(self.names)]
        source = self.studies[i].source
        named += [(SITE, len(self.names) + self.sites.index(source))] if source in self.sites else []
        return follow_draws(self.parameters, at | {name: natural(self.distribution(c), z[:, c]) for name, c in named})

    def _log_likelihood(self, i: int, z: FloatArray) -> FloatArray:
        study = self.studies[i]
        risks, found = predict(study, self.parameters, self.values(i, z)), np.zeros(len(z))
        for end in study.endpoints:
            step = np.clip(steps_of(risks[end.key]), LEAST, 1 - 1e-12)
            d, n = np.array(end.events), np.array(end.at_risk, dtype=float)
            found += (d * np.log(step) + (n - d) * np.log1p(-step)).sum(axis=1)
        return found


def natural(distribution: Distribution, z: FloatArray) -> FloatArray:
    """Values of an input at standard normal quantiles."""
    from scipy.special import ndtr

    return distribution.ppf(ndtr(z))


def fit_studies(parameters: ParameterSet, paths: Sequence[Path], names: Sequence[str], *, leave_out: bool = False) -> Fitted:
    """Read studies and fit inputs to them; see :func:`fit_inputs`.

    Raises
    ------
    AnalysisError
        No study is given.
    """
    if not paths:
        what = "no study to fit to"
        raise AnalysisError(what, where="--fit", fix="name the studies: econmodel study mishra2011 --fit hr_glue --leave-out")
    return fit_inputs(read_studies(paths, parameters), parameters, names, leave_out=leave_out)


def fit_inputs(
    studies: Sequence[Study], parameters: ParameterSet, names: Sequence[str], *, leave_out: bool = False, draws: int = DRAWS
) -> Fitted:
    """Fit named inputs to studies.

    Parameters
    ----------
    studies
        Their pieces that no input rests on make the likelihood.
    names
        At most five uncertain inputs.
    leave_out
        Take the studies out of the tables of evidence first, so that prior and data do not count them twice.

    Raises
    ------
    AnalysisError
        Too many inputs, one that is certain, nothing left to fit to, a posterior without a peak, or too few effective draws.
    """
    freed = frozenset[str]()
    for study in (study for study in studies if leave_out and study.source):
        parameters, moved = without_study(parameters, study.source)
        freed |= moved
    problem = _problem([_unused(study, freed) for study in studies], parameters, names)
    mode, spread = _laplace(problem)
    points, weights = _weighted(problem, mode, spread, draws)
    effective = float(weights.sum() ** 2 / (weights**2).sum())
    if effective < FEWEST_EFFECTIVE:
        what = f"only {effective:.0f} effective draws of {draws:,}: must be at least {FEWEST_EFFECTIVE}"
        raise AnalysisError(what, where="--fit", fix="fit fewer inputs, or inputs that the study tells apart")
    weights = weights / weights.sum()
    inputs = tuple(_posterior(parameters, name, points[:, c], weights) for c, name in enumerate(problem.names))
    centred = points[:, : len(names)] - weights @ points[:, : len(names)]
    covariance = (centred * weights[:, None]).T @ centred
    correlation = covariance / np.sqrt(np.outer(np.diag(covariance), np.diag(covariance)))
    pieces = sum(len(end.months) for study in problem.studies for end in study.endpoints)
    keys, sources = tuple(s.key for s in studies), tuple(s.source for s in studies)
    return Fitted(keys, sources, inputs, pieces, draws, effective, tuple(map(tuple, correlation.tolist())))


def _unused(study: Study, freed: frozenset[str]) -> Study:
    """Study with only what no input rests on, each patient once."""
    return replace(study, endpoints=tuple(e for e in study.endpoints if not e.again and not set(e.used_in) - freed))


def _problem(studies: Sequence[Study], parameters: ParameterSet, names: Sequence[str]) -> _Problem:
    if not 1 <= len(names) <= MOST or len(set(names)) < len(names):
        what = f"{len(names)} inputs to fit: must be 1 to {MOST}, each once"
        raise AnalysisError(what, where="--fit", fix="a study of a few hundred patients tells few inputs apart")
    for name in names:
        if not parameters[name].is_uncertain:
            what = f"{name} is certain, or follows other inputs: it has no prior of its own"
            raise AnalysisError(what, where="--fit", fix="give it a distribution, or fit what it follows (log_rate_mean)")
    if not any(study.endpoints for study in studies):
        what = "everything these studies saw is behind an input already: fitting to it would count it twice"
        raise AnalysisError(what, where="--fit", fix="add --leave-out, where their tables of evidence can do without them")
    known = parameters[SITE].is_uncertain and SITE not in names
    sites = tuple(dict.fromkeys(s.source for s in studies if known and s.start == "never_bled" and s.endpoints))
    k = len(names) + len(sites)
    together = np.eye(k)
    for group in parameters.correlated:
        places = [(names.index(m), j) for j, m in enumerate(group.members) if m in names]
        for a, i in places:
            for b, j in places:
                together[a, b] = group.correlation[i][j]
    return _Problem(tuple(studies), parameters, tuple(names), sites, np.asarray(np.linalg.inv(together)))


def _laplace(problem: _Problem) -> tuple[FloatArray, FloatArray]:
    """Mode and covariance of the posterior on the sampling scale.

    Raises
    ------
    AnalysisError
        There is no peak.
    """
    from scipy.optimize import minimize

    k = len(problem.precision)
    steps = STEP * np.eye(k)

    def fall(z: FloatArray) -> tuple[float, FloatArray]:
        points = problem.log_posterior(np.concatenate([z[None], z + steps, z - steps]))
        return -float(points[0]), -(points[1 : k + 1] - points[k + 1 :]) / (2 * STEP)

    reach = FURTHEST - 2 * STEP
    mode = np.asarray(minimize(fall, np.zeros(k), jac=True, method="L-BFGS-B", bounds=[(-reach, reach)] * k).x)
    pairs = [mode + a * steps[i] + b * steps[j] for i in range(k) for j in range(k) for a in (1, -1) for b in (1, -1)]
    corner = problem.log_posterior(np.array(pairs)).reshape(k, k, 2, 2)
    curvature = -(corner[:, :, 0, 0] - corner[:, :, 0, 1] - corner[:, :, 1, 0] + corner[:, :, 1, 1]) / (4 * STEP**2)
    if np.linalg.eigvalsh(curvature).min() <= 0:
        what = "the posterior has no peak at its highest point"
        raise AnalysisError(what, where="--fit", fix="fit fewer inputs")
    return mode, np.asarray(np.linalg.inv(curvature))


def _weighted(problem: _Problem, mode: FloatArray, spread: FloatArray, draws: int) -> tuple[FloatArray, FloatArray]:
    """Points around the mode and their weights: posterior over a multivariate t, whose normalising constants cancel."""
    k, rng = len(mode), stream(int(problem.parameters.number("seed")), "study fit")
    scaled = rng.standard_normal((draws, k)) / np.sqrt(rng.chisquare(TAIL, draws) / TAIL)[:, None]
    points = mode + scaled @ np.linalg.cholesky(spread).T
    log_weight = problem.log_posterior(points) + (TAIL + k) / 2 * np.log1p((scaled**2).sum(axis=1) / TAIL)
    inside = np.isfinite(log_weight)
    return points[inside], np.exp(log_weight[inside] - log_weight.max())


def _posterior(parameters: ParameterSet, name: str, z: FloatArray, weights: FloatArray) -> FittedInput:
    p = parameters[name]
    prior = p.distribution
    x = natural(prior, z)
    mean, sd = _moments(x, weights)
    low, high = _quantiles(x, weights)
    ratio = _moments(z, weights)[1]
    value, spread = _in_family(prior, x, weights)
    return FittedInput(name, p.label, p.unit, prior.mean, prior.sd, value, mean, sd, low, high, ratio, ratio <= NOT_INFORMED, spread)


def _moments(x: FloatArray, weights: FloatArray) -> tuple[float, float]:
    mean = float(weights @ x)
    return mean, float(np.sqrt(weights @ (x - mean) ** 2))


def _quantiles(x: FloatArray, weights: FloatArray) -> tuple[float, float]:
    order = np.argsort(x)
    low, high = np.interp((0.025, 0.975), np.cumsum(weights[order]), x[order])
    return float(low), float(high)


def _in_family(prior: Distribution, x: FloatArray, weights: FloatArray) -> tuple[float, dict[str, Any]]:
    """Value and distribution of the prior's family with the posterior's moments."""
    log = prior.family == "lognormal"
    mean, sd = _moments(np.log(x) if log else x, weights)
    value, spread = float(f"{np.exp(mean) if log else mean:.6g}"), float(f"{sd:.4g}")
    kept = {key: prior.fields[key] for key in ("shift", "upper") if np.isfinite(prior.fields.get(key, np.inf)) and prior.fields[key]}
    return value, {"family": prior.family, "se_log" if log else "se": spread} | kept


def _cited(found: Fitted, quoted: Callable[[Any], str]) -> list[str]:
    """Provenance of a fitted value: published studies, or a site's own patients."""
    if "" in found.sources:
        return ['status = "local"']
    return [
        'status = "derived"',
        f"source = {quoted(found.sources[0])}",
        'locator = "as in its study file"',
        f"as_published = {quoted('As in the study files: ' + ', '.join(found.studies))}",
        'derive_not = "a posterior, fitted by econmodel study --fit"',
    ]


def fit_override(found: Fitted, parameters: ParameterSet) -> str:
    """Text of the override file: the inputs that the studies inform, each with its posterior."""
    quoted: Callable[[Any], str] = lambda text: json.dumps(text, ensure_ascii=False)  # noqa: E731
    cited = "; ".join(parameters.sources[key].reference if key else "own patients" for key in dict.fromkeys(found.sources))
    rationale = f"Posterior by likelihood over {found.pieces} observations, {found.effective:.0f} effective draws. {cited}"
    rows = [
        f"title = {quoted('Fitted to ' + ', '.join(found.studies))}",
        f"rationale = {quoted(rationale)}",
        'baseline = "base_case"',
        'note = "Correlations between the inputs fitted are not kept here."',
    ]
    for x in found.inputs:
        if not x.informed:
            rows += ["", f"# {x.name}: not informed (standard deviation {x.ratio:.2f} of the prior's), left as it was"]
            continue
        spread = ", ".join(f"{key} = {quoted(value)}" for key, value in x.distribution.items())
        low, high = min(x.low, x.value), max(x.high, x.value)
        rows += [
            "",
            f"[override.{x.name}]",
            f"value = {x.value!r}",
            f"distribution = {{ {spread} }}",
            f'range = {{ low = {low:.6g}, high = {high:.6g}, basis = "95% of the posterior" }}',
            *([f"period_years = {years!r}"] if (years := parameters[x.name].period_years) else []),
            *_cited(found, quoted),
            f"derivation = {quoted(f'Prior mean {x.prior_mean:.4g} (SD {x.prior_sd:.3g}), posterior {x.mean:.4g} ({x.sd:.3g})')}",
            'reason = "Fitted to what these studies saw"',
        ]
    return "\n".join(rows) + "\n"
