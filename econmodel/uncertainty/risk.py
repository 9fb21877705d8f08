"""What the draws of a probabilistic analysis say: means, intervals, chances, curves, and whether the draws suffice.

Summaries are typed; JSON is made at the edge by ``to_json``. Frontier and acceptability rest on net benefit over the time
horizon, a saving on cost over the horizon or the headline years. An NNT is one over the mean ARR, its interval inverted
from quantiles of the ARR; the mean of one over the draws is never taken.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from econmodel.arrays import known
from econmodel.evidence.nnt import NumberNeededToTreat, nnt_from_draws
from econmodel.records import record
from econmodel.uncertainty.expected import Expected, expected_of
from econmodel.uncertainty.probabilistic import Psa, contract_name
from econmodel.wording import lower

FloatArray = NDArray[np.float64]
INTERVAL = (0.025, 0.975)
SUFFICIENT = 0.05
Z = 1.96
SAME_BENEFIT = 0.02
MOST_NEEDED = 10**8
PARTS = 4
NNT_YEAR = 3


@record
class Interval:
    """Mean of some draws, their 95% interval by quantiles, and the Monte Carlo standard error of the mean."""

    mean: float
    low: float
    high: float
    se: float

    def to_json(self) -> dict[str, float | None]:
        """Give the four numbers; null where they do not apply."""
        return {name: known(figure) for name, figure in vars(self).items()}


def as_good_as(gap: FloatArray) -> bool:
    """Whether two options are as good as each other, by their difference in net benefit over paired draws: (draw,).

    Within 1.96 standard errors of 0, or 2% of its standard deviation.
    """
    return bool(abs(gap.mean()) <= gap.std(ddof=1) * max(SAME_BENEFIT, Z / np.sqrt(len(gap))))


def summarise(draws: FloatArray, sequences: int = 1) -> Interval:
    """Mean, 95% interval and standard error of draws: independent ones, or as many sequences of Sobol points as are given."""
    low, high = np.quantile(draws, INTERVAL)
    return Interval(float(draws.mean()), float(low), float(high), standard_error(draws, sequences))


def standard_error(draws: FloatArray, sequences: int = 1) -> float:
    """Standard error of a mean; points of one Sobol sequence are not independent, but the means of several scramblings are."""
    apart = draws if sequences == 1 else draws.reshape(sequences, -1).mean(axis=1)
    return float(apart.std(ddof=1) / np.sqrt(len(apart)))


@record
class Ellipse:
    """Centre and covariance of the draws on the cost-effectiveness plane (QALYs, cost), from which a 95% ellipse is drawn."""

    centre: tuple[float, float]
    covariance: FloatArray

    def to_json(self) -> dict[str, Any]:
        """Give centre and covariance as lists."""
        return {"centre": list(self.centre), "covariance": self.covariance.tolist()}


def ellipse(effect: FloatArray, cost: FloatArray) -> Ellipse:
    """Centre and covariance of two outcomes, each (draw,)."""
    return Ellipse((float(effect.mean()), float(cost.mean())), np.cov(effect, cost))


@record
class ComparisonRisk:
    """Increments of one strategy against one comparator over the draws; ``headline_*`` at the headline years.

    Net benefit and its probability are None without a threshold.
    """

    incremental_cost: Interval
    headline_cost: Interval
    incremental_qalys: Interval
    incremental_life_years: Interval
    net_monetary_benefit: Interval | None
    bleeds_averted_per_100: Interval
    headline_bleeds_averted_per_100: Interval
    arr: Mapping[int, Interval]
    nnt: Mapping[int, NumberNeededToTreat]
    probability_saving: float
    headline_probability_saving: float
    probability_more_effective: float
    probability_net_benefit: float | None
    ellipse: Ellipse

    @property
    def shown_nnt(self) -> NumberNeededToTreat:
        """NNT at three years, or at the first year reported."""
        return self.nnt.get(NNT_YEAR) or next(iter(self.nnt.values()))

    def to_json(self) -> dict[str, Any]:
        """Give the block of the ``uncertainty`` document."""
        return {
            "incremental_cost": self.incremental_cost.to_json(),
            "incremental_cost_five_years": self.headline_cost.to_json(),
            "incremental_qalys": self.incremental_qalys.to_json(),
            "incremental_life_years": self.incremental_life_years.to_json(),
            "net_monetary_benefit": self.net_monetary_benefit and self.net_monetary_benefit.to_json(),
            "bleeds_averted_per_100": self.bleeds_averted_per_100.to_json(),
            "bleeds_averted_per_100_five_years": self.headline_bleeds_averted_per_100.to_json(),
            "arr": {str(year): arr.to_json() for year, arr in self.arr.items()},
            "nnt": {
                str(year): nnt.to_json() | {"interval_text": nnt.interval_text, "text": nnt.text} for year, nnt in self.nnt.items()
            },
            "probability_saving": self.probability_saving,
            "probability_saving_five_years": self.headline_probability_saving,
            "probability_more_effective": self.probability_more_effective,
            "probability_net_benefit": self.probability_net_benefit,
            "ellipse": self.ellipse.to_json(),
        }


def comparison_risk(psa: Psa, key: str, versus: str) -> ComparisonRisk:
    """Summarise one comparison over the draws."""
    whole, headline = psa.compare(key, versus), psa.compare(key, versus, headline=True)
    spread = partial(summarise, sequences=psa.sequences)
    cost, effect, benefit = whole.incremental_cost, whole.incremental_qalys, whole.net_monetary_benefit
    return ComparisonRisk(
        incremental_cost=spread(cost),
        headline_cost=spread(headline.incremental_cost),
        incremental_qalys=spread(effect),
        incremental_life_years=spread(whole.incremental_life_years),
        net_monetary_benefit=None if benefit is None else spread(benefit),
        bleeds_averted_per_100=spread(whole.bleeds_averted_per_100),
        headline_bleeds_averted_per_100=spread(headline.bleeds_averted_per_100),
        arr={year: spread(arr) for year, arr in whole.arr.items()},
        nnt={year: nnt_from_draws(arr) for year, arr in whole.arr.items()},
        probability_saving=share(cost < 0),
        headline_probability_saving=share(headline.incremental_cost < 0),
        probability_more_effective=share(effect > 0),
        probability_net_benefit=None if benefit is None else share(benefit > 0),
        ellipse=ellipse(effect, cost),
    )


def share(flags: NDArray[np.bool_]) -> float:
    """Share of the draws in which something holds."""
    return float(flags.mean())


@record
class FrontierPoint:
    """Strategy with the highest mean net benefit at a threshold, and the probability that it is the best."""

    threshold: float
    key: str
    probability: float


@record
class Acceptability:
    """Probability of highest net benefit by willingness to pay: per strategy, and along the frontier; ``own`` is the case's."""

    own: float
    thresholds: tuple[float, ...]
    probability: Mapping[str, tuple[float, ...]]
    frontier: tuple[FrontierPoint, ...]

    def to_json(self) -> dict[str, Any]:
        """Give the curves as lists."""
        return {
            "thresholds": list(self.thresholds),
            "probability": {key: list(values) for key, values in self.probability.items()},
            "frontier": [dict(vars(point)) for point in self.frontier],
        }


def acceptability(psa: Psa) -> Acceptability | None:
    """Acceptability curves and frontier from 0 to three times the case's own threshold; None without one."""
    own = psa.threshold
    if own is None:
        return None
    curves = psa.acceptability
    cost, qalys = (np.array([psa.column(name, s).mean() for s in range(len(psa.keys))]) for name in ("cost", "qalys"))
    best = [int((t * qalys - cost).argmax()) for t in psa.thresholds]
    points = zip(psa.thresholds, best, curves, strict=True)
    return Acceptability(
        own,
        tuple(psa.thresholds.tolist()),
        {key: tuple(curves[:, s].tolist()) for s, key in enumerate(psa.keys)},
        tuple(FrontierPoint(float(t), psa.keys[s], float(row[s])) for t, s, row in points),
    )


@record
class Sufficiency:
    """Whether the draws suffice for the mean of one outcome, and for its sign; and how many would.

    Enough when 1.96 standard errors are at most 5% of the mean's size or 5% of the standard deviation, the larger; the sign
    is settled when they are below the mean's size.
    """

    error: float
    limit: float
    sufficient: bool
    draws_needed: int
    sign_settled: bool
    draws_for_sign: int | None


def sufficiency(draws: FloatArray, sequences: int = 1) -> Sufficiency:
    """Judge the draws of one outcome."""
    mean, sd = float(draws.mean()), float(draws.std(ddof=1))
    error, limit = Z * standard_error(draws, sequences), SUFFICIENT * max(abs(mean), sd)
    needed = int(np.ceil(len(draws) * (error / limit) ** 2)) if limit else 0
    for_sign = int(np.ceil(min(len(draws) * (error / mean) ** 2, MOST_NEEDED))) if mean else None
    return Sufficiency(float(error), float(limit), bool(error <= limit), needed, bool(abs(mean) > error), for_sign)


@record
class Convergence:
    """Running means at some numbers of draws, Monte Carlo standard errors, and whether the draws suffice, by outcome.

    Without a threshold there is no net benefit among them, nor its ``relative_error``.
    """

    at: tuple[int, ...]
    running: Mapping[str, list[float | None]]
    se: Mapping[str, float | None]
    outcomes: Mapping[str, Sufficiency]
    relative_error: float | None
    sufficient: bool
    settled: bool
    sentence: str

    def to_json(self) -> dict[str, Any]:
        """Give the block of the ``uncertainty`` document."""
        told = {name: dict(vars(found)) for name, found in self.outcomes.items()}
        return vars(self) | {"at": list(self.at), "running": dict(self.running), "se": dict(self.se), "outcomes": told}


def convergence(psa: Psa, key: str, versus: str) -> Convergence:
    """Running means, Monte Carlo standard errors, and a sentence on whether the draws suffice, for each outcome that decides.

    An NNT is judged on its risk reduction. The rule is common practice; no source was read for its 5%.
    """
    found, now = psa.compare(key, versus), psa.compare(key, versus, headline=True)
    arr = found.arr.get(NNT_YEAR, np.zeros(psa.draws))
    benefit = found.net_monetary_benefit
    series = {
        "incremental_cost": found.incremental_cost,
        "incremental_qalys": found.incremental_qalys,
        **({} if benefit is None else {"net_monetary_benefit": benefit}),
        "arr_3_years": arr,
    }
    at = np.unique(np.linspace(min(20, psa.draws), psa.draws, 20).astype(int))
    running = {name: [known(mean) for mean in (np.cumsum(x)[at - 1] / at).tolist()] for name, x in series.items()}
    if NNT_YEAR in found.arr:
        running["nnt_3_years"] = [NumberNeededToTreat(m).value if m and m > 0 else None for m in running["arr_3_years"]]
    errors: dict[str, float | None] = {name: known(standard_error(x, psa.sequences)) for name, x in series.items()}
    errors["nnt_3_years"] = float(errors["arr_3_years"] or 0.0) / arr.mean() ** 2 if arr.mean() > 0 else None
    deciding = {
        f"net cost at {psa.headline_years} years": now.incremental_cost,
        "net cost over the horizon": found.incremental_cost,
        "QALYs": found.incremental_qalys,
        **({} if benefit is None else {"net benefit": benefit}),
        f"NNT at {psa.headline_years} years": now.arr_at_end,
    }
    judged = {name: sufficiency(x, psa.sequences) for name, x in deciding.items() if np.isfinite(x).all()}
    relative = None if benefit is None else judged["net benefit"].error / abs(benefit.mean()) if benefit.any() else np.inf
    enough, settled = (all(getattr(one, flag) for one in judged.values()) for flag in ("sufficient", "sign_settled"))
    said = _suffice(psa, key, versus, judged)
    return Convergence(
        tuple(at.tolist()), running, errors, judged, None if relative is None else float(min(relative, 1e9)), enough, settled, said
    )


def _suffice(psa: Psa, key: str, versus: str, judged: Mapping[str, Sufficiency]) -> str:
    rows = psa.parameters.strategies
    drawn = f"{psa.draws:,} Sobol points in {psa.sequences} scramblings" if psa.sobol else f"{psa.draws:,} draws"
    about = f"{rows[key].label} against {lower(rows[versus].label)}: {drawn}"
    few = [f"the mean of {name} ({one.draws_needed:,})" for name, one in judged.items() if not one.sufficient]
    few += [f"the sign of {name} ({_needed(one.draws_for_sign)})" for name, one in judged.items() if not one.sign_settled]
    if not few:
        return f"{about} suffice for every mean and its sign."
    return f"{about} are too few for {', '.join(few)}; in brackets how many it would take."


def _needed(draws: int | None) -> str:
    return "no number" if draws is None or draws >= MOST_NEEDED else f"{draws:,}"


@record
class Stability:
    """Whether the same strategy is the best value in each part of the draws."""

    best: str
    best_by_part: tuple[str, ...]
    stable: bool
    sentence: str

    def to_json(self) -> dict[str, Any]:
        """Give the block of the ``uncertainty`` document."""
        return vars(self) | {"best_by_part": list(self.best_by_part)}


def stability(psa: Psa) -> Stability | None:
    """Whether the same strategy has the highest mean net benefit in each quarter of the draws, as in runs of other seeds."""
    threshold = psa.threshold
    if threshold is None:
        return None
    bounds = np.linspace(0, psa.draws, min(PARTS, psa.draws) + 1).astype(int)
    benefits = (threshold * psa.column("qalys", s) - psa.column("cost", s) for s in range(len(psa.keys)))
    sums = np.array([np.add.reduceat(benefit, bounds[:-1]) for benefit in benefits])
    found = tuple(psa.keys[int(s)] for s in (sums / np.diff(bounds)).argmax(axis=0))
    whole = psa.keys[int(sums.sum(axis=1).argmax())]
    label, agree = psa.parameters.strategies[whole].label, len(set(found)) == 1
    sentence = (
        f"{label} has the highest mean net benefit in each quarter of the draws."
        if agree
        else f"{label} has the highest mean net benefit over all draws, but not in each quarter of them: the "
        "choice is close, or the draws are too few."
    )
    return Stability(whole, found, agree, sentence)


@record
class Risk:
    """A probabilistic analysis, summarised.

    ``outcomes`` is by outcome, then strategy; ``comparisons`` and ``convergence`` by comparator, then strategy;
    The first comparator is ``comparator``. What rests on net benefit is None without a threshold.
    """

    draws: int
    seed: int
    sobol: bool
    outcomes: Mapping[str, Mapping[str, Interval]]
    probability_cost_effective: Mapping[str, float] | None
    comparisons: Mapping[str, Mapping[str, ComparisonRisk]]
    acceptability: Acceptability | None
    convergence: Mapping[str, Mapping[str, Convergence]]
    stability: Stability | None
    expected: Expected
    headline_years: int

    @property
    def comparator(self) -> str:
        """Comparator shown first."""
        return next(iter(self.comparisons))

    def against(self, versus: str, key: str) -> ComparisonRisk | None:
        """Comparison of one strategy with one comparator; None for the comparator itself or one not shown."""
        return self.comparisons.get(versus, {}).get(key)

    def sentences(self, versus: str, key: str) -> tuple[str, ...]:
        """Say whether the draws suffice for one comparison, and of which others with the same comparator they do not."""
        found = self.convergence[versus]
        few = [lower(self.expected.strategies[k]["label"]) for k, c in found.items() if k != key and not (c.sufficient and c.settled)]
        others = [f"Against the same, too few also for: {', '.join(few)}."] if few else []
        return (found[key].sentence, *others)

    def probability_saving(self) -> dict[str, dict[str, dict[str, float]]]:
        """Chance of a lower cost at the headline years and over the horizon, by comparator, then strategy."""
        years = str(self.headline_years)
        return {
            versus: {
                key: {years: found.headline_probability_saving, "lifetime": found.probability_saving} for key, found in block.items()
            }
            for versus, block in self.comparisons.items()
        }

    def to_json(self) -> dict[str, Any]:
        """Give the ``uncertainty`` block of the result document."""
        return {
            "draws": self.draws,
            "seed": self.seed,
            "sobol": self.sobol,
            "interval": list(INTERVAL),
            **{contract_name(name): _json(block) for name, block in self.outcomes.items()},
            "comparator": self.comparator,
            "probability_saving": self.probability_saving(),
            "probability_cost_effective": self.probability_cost_effective and dict(self.probability_cost_effective),
            "comparisons": {versus: _json(block) for versus, block in self.comparisons.items()},
            "acceptability": self.acceptability and self.acceptability.to_json(),
            "convergence": {versus: _json(block) for versus, block in self.convergence.items()},
            "stability": self.stability and self.stability.to_json(),
        }


def _json(block: Mapping[str, Interval] | Mapping[str, ComparisonRisk] | Mapping[str, Convergence]) -> dict[str, Any]:
    return {key: found.to_json() for key, found in block.items()}


def risk_of(psa: Psa) -> Risk:
    """Summarise the draws of a probabilistic analysis."""
    best = None if psa.threshold is None else psa.best(psa.threshold)
    pairs = {versus: [key for key in psa.keys if key != versus] for versus in psa.comparators}
    return Risk(
        psa.draws,
        psa.seed,
        psa.sobol,
        {name: {key: summarise(psa.column(name, s), psa.sequences) for s, key in enumerate(psa.keys)} for name in psa.outcomes},
        None if best is None else {key: share(best == s) for s, key in enumerate(psa.keys)},
        {versus: {key: comparison_risk(psa, key, versus) for key in keys} for versus, keys in pairs.items()},
        acceptability(psa),
        {versus: {key: convergence(psa, key, versus) for key in keys} for versus, keys in pairs.items()},
        stability(psa),
        expected_of(psa),
        psa.headline_years,
    )
