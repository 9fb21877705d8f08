"""Probabilistic analysis: all inputs varied together, within their distributions.

Draws run in blocks, and what is kept is one number per outcome, draw and strategy, beyond a size in a temporary file: so
memory does not grow with the number of draws. Strategies share every draw. Blocks run on as many threads as there are
processors where the compiled engine is used; the result is the same. Axis order: (draw, strategy).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property, partial
from os import cpu_count
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from econmodel.economics.evaluate import Evaluation, evaluate
from econmodel.economics.lead import find_subjects
from econmodel.economics.prices import VIEWS
from econmodel.economics.results import comparators
from econmodel.evidence.nnt import nnt_from_draws
from econmodel.model.compiled import warm_up
from econmodel.model.inputs import horizon_years
from econmodel.parameters.catalogue import KEPT
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.sampling import Sampler
from econmodel.uncertainty.draw_store import DrawStore
from econmodel.uncertainty.threads import in_order

if TYPE_CHECKING:
    import pandas as pd

FloatArray = NDArray[np.float64]
Progress = Callable[[int, int], None]
LANES_PER_BLOCK = 16384
MANY_DRAWS = 50_000
INTERVAL = (0.025, 0.975)
CURVE_POINTS = 41
SUFFICIENT = 0.1
PARTS = 4


@dataclass(frozen=True)
class Psa:
    """Draws of every outcome kept; arrays are (draw, strategy).

    ``held`` counts draws whose six-week mortality was impossible and was held at certain death.
    """

    parameters: ParameterSet
    keys: tuple[str, ...]
    risk_years: tuple[int, ...]
    headline_years: int
    seed: int
    sobol: bool
    outcomes: Mapping[str, FloatArray]
    held: int
    comparators: tuple[str, ...]

    @property
    def draws(self) -> int:
        """Number of draws."""
        return len(self.outcomes["cost"])

    @property
    def threshold(self) -> float:
        """Willingness to pay for a QALY."""
        return self.parameters.number("willingness_to_pay")

    def column(self, name: str, strategy: int) -> FloatArray:
        """Outcome of one strategy: (draw,); of draws on disk, only this is read."""
        return np.array(self.outcomes[name][:, strategy])

    def gap(self, name: str, key: str, versus: str) -> FloatArray:
        """Outcome of a strategy less that of its comparator: (draw,)."""
        return self.column(name, self.keys.index(key)) - self.column(name, self.keys.index(versus))

    def net_benefit(self, threshold: float) -> FloatArray:
        """Net monetary benefit over the time horizon: (draw, strategy)."""
        return np.asarray(threshold * self.outcomes["qalys"] - self.outcomes["cost"])

    @cached_property
    def thresholds(self) -> FloatArray:
        """Willingness-to-pay values of the acceptability curves, from 0 to three times the case's own."""
        return np.linspace(0.0, 3.0 * self.threshold, CURVE_POINTS)

    def best(self, threshold: float) -> NDArray[np.int64]:
        """Strategy with the highest net benefit, the first of equals: (draw,)."""
        highest, best = np.full(self.draws, -np.inf), np.zeros(self.draws, dtype=np.int64)
        for s in range(len(self.keys)):
            benefit = threshold * self.column("qalys", s) - self.column("cost", s)
            better = benefit > highest
            best[better], highest[better] = s, benefit[better]
        return best

    @cached_property
    def acceptability(self) -> FloatArray:
        """Probability that each strategy has the highest net benefit: (threshold, strategy); rows sum to 1."""
        n = len(self.keys)
        return np.stack([np.bincount(self.best(t), minlength=n) / self.draws for t in self.thresholds])

    @cached_property
    def acceptability_frontier(self) -> list[dict[str, Any]]:
        """Strategy with the highest mean net benefit at each threshold, and the probability that it is the best."""
        rows, (cost, qalys) = (
            [],
            (np.array([self.column(name, s).mean() for s in range(len(self.keys))]) for name in ("cost", "qalys")),
        )
        for t, probabilities in zip(self.thresholds, self.acceptability, strict=True):
            s = int((t * qalys - cost).argmax())
            rows.append({"threshold": float(t), "key": self.keys[s], "probability": float(probabilities[s])})
        return rows

    def draws_frame(self, start: int = 0, end: int | None = None) -> pd.DataFrame:
        """Every kept outcome, one row per draw and strategy; of some draws only when asked."""
        import pandas as pd

        draws = range(start, self.draws if end is None else min(end, self.draws))
        index = pd.MultiIndex.from_product([draws, self.keys], names=["draw", "strategy"])
        kept = {name: array[start : draws.stop].reshape(-1) for name, array in self.outcomes.items()}
        return pd.DataFrame(kept, index=index).reset_index()

    def to_dict(self) -> dict[str, Any]:
        """Give the ``uncertainty`` block of the result document."""
        best = self.best(self.threshold)
        main = self.comparators[0]
        return {
            "draws": self.draws,
            "seed": self.seed,
            "sobol": self.sobol,
            "interval": list(INTERVAL),
            "held_at_certain_death": self.held,
            **{name: {key: summarise(self.column(name, s)) for s, key in enumerate(self.keys)} for name in self.outcomes},
            "comparator": main,
            "probability_saving": {key: _share(self.gap("cost", key, main) < 0) for key in self.keys if key != main},
            "probability_saving_five_years": {
                key: _share(self.gap("cost_five_years", key, main) < 0) for key in self.keys if key != main
            },
            "probability_cost_effective": {key: _share(best == s) for s, key in enumerate(self.keys)},
            "comparisons": {
                versus: {key: self.comparison(key, versus) for key in self.keys if key != versus} for versus in self.comparators
            },
            "acceptability": {
                "thresholds": self.thresholds.tolist(),
                "probability": {key: self.acceptability[:, s].tolist() for s, key in enumerate(self.keys)},
                "frontier": self.acceptability_frontier,
            },
            "convergence": {
                versus: {key: convergence(self, key, versus) for key in self.keys if key != versus} for versus in self.comparators
            },
            "stability": stability(self),
        }

    def comparison(self, key: str, versus: str) -> dict[str, Any]:
        """Increments of one strategy against one comparator, with intervals."""
        cost, effect = self.gap("cost", key, versus), self.gap("qalys", key, versus)
        cost_5 = self.gap("cost_five_years", key, versus)
        benefit = self.threshold * effect - cost
        arrs = {y: -self.gap(f"first_bleed_risk_{y}", key, versus) for y in self.risk_years}
        return {
            "incremental_cost": summarise(cost),
            "incremental_cost_five_years": summarise(cost_5),
            "incremental_qalys": summarise(effect),
            "incremental_life_years": summarise(self.gap("life_years", key, versus)),
            "net_monetary_benefit": summarise(benefit),
            "bleeds_averted_per_100": summarise(-100 * self.gap("bleeds", key, versus)),
            "bleeds_averted_per_100_five_years": summarise(-100 * self.gap("bleeds_five_years", key, versus)),
            "arr": {str(y): summarise(a) for y, a in arrs.items()},
            "nnt": {str(y): nnt_block(a) for y, a in arrs.items()},
            "probability_saving": _share(cost < 0),
            "probability_saving_five_years": _share(cost_5 < 0),
            "probability_more_effective": _share(effect > 0),
            "probability_net_benefit": _share(benefit > 0),
            "ellipse": ellipse(effect, cost),
        }


def _share(flags: NDArray[np.bool_]) -> float:
    return float(flags.mean())


def summarise(draws: FloatArray) -> dict[str, float]:
    """Mean, 95% interval by quantiles, and Monte Carlo standard error of the mean."""
    low, high = np.quantile(draws, INTERVAL)
    return {"mean": float(draws.mean()), "low": float(low), "high": float(high), "se": float(draws.std(ddof=1) / np.sqrt(len(draws)))}


def nnt_block(arr: FloatArray) -> dict[str, Any]:
    """Number needed to treat as 1 / mean(ARR), its interval inverted from quantiles of ARR; never the mean of 1/ARR."""
    found = nnt_from_draws(arr)
    return {"value": found.value, "kind": found.kind, "interval_text": found.interval_text, "text": found.text}


def ellipse(effect: FloatArray, cost: FloatArray) -> dict[str, Any]:
    """Centre and covariance of the draws on the cost-effectiveness plane, from which a 95% ellipse is drawn."""
    return {"centre": [float(effect.mean()), float(cost.mean())], "covariance": np.cov(effect, cost).tolist()}


def convergence(psa: Psa, key: str, versus: str) -> dict[str, Any]:
    """Running means, Monte Carlo standard errors, and a sentence on whether the draws suffice.

    Rule of the trade: enough when 1.96 standard errors of mean net benefit are small beside its size (common practice,
    no source for the tenth used here), and the sign cannot turn.
    """
    cost, effect = psa.gap("cost", key, versus), psa.gap("qalys", key, versus)
    arr = -psa.gap("first_bleed_risk_3", key, versus) if 3 in psa.risk_years else np.zeros(psa.draws)
    series = {
        "incremental_cost": cost,
        "incremental_qalys": effect,
        "net_monetary_benefit": psa.threshold * effect - cost,
        "arr_3_years": arr,
    }
    at = np.unique(np.linspace(min(20, psa.draws), psa.draws, 60).astype(int))
    running = {name: (np.cumsum(x)[at - 1] / at).tolist() for name, x in series.items()}
    if 3 in psa.risk_years:
        running["nnt_3_years"] = [1.0 / m if m > 0 else None for m in running["arr_3_years"]]
    benefit = summarise(series["net_monetary_benefit"])
    relative = 1.96 * benefit["se"] / abs(benefit["mean"]) if benefit["mean"] else np.inf
    enough = bool(relative < SUFFICIENT)
    verdict = (
        f"{psa.draws:,} draws suffice: the error of mean net benefit is {100 * relative:.1f}% of its size."
        if enough
        else f"{psa.draws:,} draws leave an error of {100 * min(relative, 9.99):.0f}% in mean net benefit; run more "
        "before resting a close decision on it."
    )
    errors: dict[str, float | None] = {name: summarise(x)["se"] for name, x in series.items()}
    errors["nnt_3_years"] = float(errors["arr_3_years"] or 0.0) / arr.mean() ** 2 if arr.mean() > 0 else None
    return {
        "at": at.tolist(),
        "running": running,
        "se": errors,
        "relative_error": float(min(relative, 1e9)),
        "sufficient": enough,
        "sentence": verdict,
    }


def stability(psa: Psa) -> dict[str, Any]:
    """Whether the same strategy has the highest mean net benefit in each quarter of the draws, as in runs of other seeds."""
    bounds = np.linspace(0, psa.draws, min(PARTS, psa.draws) + 1).astype(int)
    sums = np.array(
        [np.add.reduceat(psa.threshold * psa.column("qalys", s) - psa.column("cost", s), bounds[:-1]) for s in range(len(psa.keys))]
    )
    found = [psa.keys[int(s)] for s in (sums / np.diff(bounds)).argmax(axis=0)]
    whole = psa.keys[int(sums.sum(axis=1).argmax())]
    label, agree = psa.parameters.strategies[whole].label, len(set(found)) == 1
    return {
        "best": whole,
        "best_by_part": found,
        "stable": agree,
        "sentence": (
            f"{label} has the highest mean net benefit in each quarter of the draws."
            if agree
            else f"{label} has the highest mean net benefit over all draws, but not in each quarter of them: the "
            "choice is close, or the draws are too few."
        ),
    }


def kept_outcomes(e: Evaluation, headline: int) -> dict[str, FloatArray]:
    """Outcomes kept for each draw, all patients: (draw, strategy)."""
    found = {
        "cost": e.cost(),
        "cost_five_years": e.cost(headline),
        "qalys": e.qalys(),
        "qalys_five_years": e.qalys(headline),
        "life_years": e.life_years(),
        "bleeds": e.bleeds(),
        "bleeds_five_years": e.bleeds(headline),
        **{f"{view}_cost": e.cost(perspective=view) for view in VIEWS},
        **{f"{view}_cost_five_years": e.cost(headline, perspective=view) for view in VIEWS},
        **{name: e.count(name) for name in KEPT},
        **{f"first_bleed_risk_{y}": e.count("first_bleeds", y) for y in e.risk_years},
    }
    return {name: np.ascontiguousarray(array[:, :, 0]) for name, array in found.items()}


def _lanes(parameters: ParameterSet) -> int:
    """Strategies times cells of the case mix: what runs side by side in each draw."""
    return len(parameters.strategies) * len(parameters.rows("case_mix"))


def warm_engine(parameters: ParameterSet, draws: int) -> bool:
    """Load the compiled engine if this many draws repay it; returns whether it is loaded."""
    return warm_up(draws * _lanes(parameters) * 12 * horizon_years(parameters))


def run_psa(
    parameters: ParameterSet, draws: int, *, seed: int, sobol: bool = False, block: int | None = None, progress: Progress | None = None
) -> Psa:
    """Run a probabilistic analysis.

    Parameters
    ----------
    parameters
        The case.
    draws
        Number of draws, at least 3.
    seed
        Seed; the same seed gives the same result to the bit on one machine.
    sobol
        Scrambled Sobol points; draws must be a power of two.
    block
        Draws per block; None chooses one that fits the cache.
    progress
        Called with draws done and draws wanted after each block.

    Raises
    ------
    EconModelError
        The draws are too few, or the case cannot be evaluated.
    """
    lanes = _lanes(parameters)
    threads = cpu_count() or 1 if warm_engine(parameters, draws) else 1
    at_once = LANES_PER_BLOCK // threads if draws < MANY_DRAWS else LANES_PER_BLOCK // (4 * threads)
    samples = Sampler(parameters, seed, sobol=sobol).blocks(draws, block or max(1, at_once // lanes))
    against = comparators(parameters, find_subjects(parameters).usual_care)
    store: DrawStore | None = None
    held = done = 0
    for outcomes, e_held, e_years in in_order(partial(_evaluate_block, parameters), samples, threads):
        if store is None:
            store, years = DrawStore(list(outcomes), draws, len(parameters.strategies)), e_years
        store.write(done, outcomes)
        held += e_held
        done += len(outcomes["cost"])
        if progress:
            progress(done, draws)
    assert store is not None
    return Psa(
        parameters, tuple(parameters.strategies), years, int(parameters.number("headline_years")), seed, sobol, store, held, against
    )


def _evaluate_block(parameters: ParameterSet, values: dict[str, FloatArray]) -> tuple[dict[str, FloatArray], int, tuple[int, ...]]:
    """Outcomes of a block of draws, how many were held, and the years of risk."""
    e = evaluate(parameters, values, yearly=False, by_group=False, sampled=True)
    outcomes = kept_outcomes(e, min(int(parameters.number("headline_years")), e.horizon))
    return outcomes, int(e.inputs.held_at_certain_death.sum()), e.risk_years
