"""What a study is worth before it is run: expected value of sample information, net of its cost, by its size.

For each draw the study is played: events among the patients seen, at that draw's own chances with death competing. Whoever
reads the report chooses by the mean net benefit given the counts (:mod:`econmodel.uncertainty.information`). A study as it
grows holds the patients of the smaller one, so that sizes differ by what is added and not by luck.

Person-years enter no summary: as the model gives them they are exact, and would tell what no study could.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from econmodel.evidence.power import assurance_two_proportions, fisher_power, sample_size
from econmodel.parameters.sampling import stream
from econmodel.parameters.trials import PastTrial, Trial
from econmodel.records import record
from econmodel.uncertainty.information import (
    ValueOfKnowing,
    appraise,
    choose_knowing,
    nested_events,
    population_factor,
    resampled_values,
)

FloatArray = NDArray[np.float64]
COUNTED_TWICE = ("retreatments",)  # a patient may have several: a mean count and no chance
ASSURANCE_DRAWS, SAME = 1000, 1e-9
LOCAL, NATIONAL = "This hospital", "The whole country"


@record
class Reach:
    """Whom a better choice would reach: patients a year by scope, share who follow it, years it counts, discount rate."""

    patients: Mapping[str, float]
    uptake: float
    years: float
    discount: float

    def starts(self, scope: str, after: float = 0.0) -> float:
        """Discounted patients of a scope who are treated by a finding that comes after some years."""
        return self.patients[scope] * self.uptake * population_factor(self.years, self.discount, after)


@record
class Cost:
    """Cost of research: fixed, and of each patient; base, low and high."""

    fixed: tuple[float, float, float]
    patient: tuple[float, float, float]

    def of(self, patients: int) -> tuple[float, float, float]:
        """Cost of a study of some patients: base, low and high."""
        base, low, high = (f + p * patients for f, p in zip(self.fixed, self.patient, strict=True))
        return base, low, high


@record
class Gain:
    """What a study of one size brings to one scope: discounted value, and that less all costs, with cost low and high."""

    value: float
    net: float
    net_low: float
    net_high: float
    se: float


@record
class SizeValue:
    """A study at one size: patients an arm and in all; the rest per study. ``lost`` is what its patients forgo.

    ``worth`` is per patient treated later; ``power`` is at the base case, ``assurance`` over the draws; None for a registry.
    """

    size: int
    patients: int
    years_to_report: float
    worth: ValueOfKnowing
    cost: tuple[float, float, float]
    lost: float
    gains: Mapping[str, Gain]
    power: float | None
    assurance: float | None


@record
class BestSize:
    """Size with the highest net value for a scope, 0 where none pays; 95% of bootstraps lie between ``low`` and ``high``."""

    size: int
    low: int
    high: int
    net: float


@record
class TrialValue:
    """A study, valued.

    ``options`` is what the choice is between, ``chances`` of its first outcome are by arm (base case), ``needed`` the patients
    an arm for a power of 80%, None where there is no difference to show, or for a registry.
    """

    trial: Trial
    options: tuple[str, ...]
    arms: tuple[str, ...]
    sizes: tuple[SizeValue, ...]
    best: Mapping[str, BestSize]
    chances: tuple[float, ...]
    needed: int | None

    def at(self, size: int) -> SizeValue | None:
        """Value at one size; None for one not asked."""
        return next((found for found in self.sizes if found.size == size), None)

    def least_loss(self, scope: str) -> SizeValue:
        """Value at the size with the highest net value for a scope, whether it pays or not."""
        return max(self.sizes, key=lambda found: found.gains[scope].net)


@record
class Played:
    """A study on a case: net benefit (draw, option) of the choice it informs, and by outcome the events per patient of its arms.

    ``chances`` is by outcome (draw, arm), ``at_base`` the same at the base values (arm,); ``forgone`` what a patient in each
    arm forgoes against the best option (arm,), 0 where a study changes nobody's treatment.
    """

    trial: Trial
    options: tuple[str, ...]
    arms: tuple[str, ...]
    benefit: FloatArray
    chances: Mapping[str, FloatArray]
    at_base: Mapping[str, FloatArray]
    forgone: FloatArray


def value_trial(played: Played, reach: Reach, cost: Cost, seed: int, sizes: Sequence[int] = ()) -> TrialValue:
    """Value a study at each size.

    Parameters
    ----------
    played
        The study on the case.
    reach, cost
        Whom it would reach, and what it costs.
    seed
        Seed of the run.
    sizes
        Patients an arm, rising; none given: the study's own.
    """
    trial, asked = played.trial, tuple(sizes or played.trial.sizes)
    told = (choose_knowing(played.benefit, data) for data in simulate(trial, played.chances, asked, seed))
    chosen = [choice for choice in told if choice is not None]
    worths = appraise(played.benefit, chosen, seed)
    scopes = [scope for scope in reach.patients if trial.place == "elsewhere" or scope == LOCAL]
    lost = float(played.forgone.sum())
    rows = tuple(_at_size(played, size, worth, lost * size, reach, scopes, cost) for size, worth in zip(asked, worths, strict=True))
    taken = np.stack([np.take_along_axis(played.benefit, choice[:, None], axis=1)[:, 0] for choice in chosen], axis=1)
    resampled = resampled_values(played.benefit, taken, seed)
    best = {scope: _best(rows, resampled, reach, scope) for scope in scopes}
    base = played.at_base[trial.outcomes[0]].tolist()
    differ = len(base) == 2 and trial.outcomes[0] not in COUNTED_TWICE and abs(base[0] - base[1]) > SAME
    needed = math.ceil(sample_size(*base) / (1 - trial.dropout)) if differ else None
    return TrialValue(trial, played.options, played.arms, rows, best, tuple(base), needed)


def simulate(trial: Trial, chances: Mapping[str, FloatArray], sizes: Sequence[int], seed: int) -> list[list[FloatArray]]:
    """Play a study in every draw: for each size, the log odds of each outcome in each arm, each (draw,)."""
    seen = [trial.seen(size) for size in sizes]
    data: list[list[FloatArray]] = [[] for _ in sizes]
    for outcome in trial.outcomes:
        single = outcome not in COUNTED_TWICE
        for arm, chance in enumerate(chances[outcome].T):
            rng = stream(seed, f"{trial.key} {outcome} {arm}")
            for i, events in enumerate(nested_events(chance, seen, rng, binomial=single)):
                data[i].append(np.log((events + 0.5) / ((seen[i] - events if single else seen[i]) + 0.5)))
    return data


def _at_size(
    played: Played, size: int, worth: ValueOfKnowing, lost: float, reach: Reach, scopes: Sequence[str], cost: Cost
) -> SizeValue:
    trial, patients = played.trial, size * len(played.trial.arms)
    after, spent = trial.years_to_report(size), cost.of(patients)
    gains = {}
    for scope in scopes:
        starts = reach.starts(scope, after)
        value = starts * worth.value
        net, high, low = (value - lost - c for c in spent)
        gains[scope] = Gain(value, net, low, high, starts * worth.se)
    power, assured = _power(played, trial.seen(size))
    return SizeValue(size, patients, after, worth, spent, lost, gains, power, assured)


def _power(played: Played, seen: int) -> tuple[float | None, float | None]:
    """Power of the first outcome at the base case, and averaged over draws."""
    first = played.trial.outcomes[0]
    if len(played.arms) < 2 or first in COUNTED_TWICE or seen < 1:
        return None, None
    some = played.chances[first][:ASSURANCE_DRAWS]
    first_arm, second_arm = played.at_base[first].tolist()
    return float(fisher_power(first_arm, second_arm, seen)), assurance_two_proportions(some[:, 0], some[:, 1], seen).mean


def _best(found: Sequence[SizeValue], resampled: FloatArray, reach: Reach, scope: str) -> BestSize:
    """Best size, not running it among them, and where the best lies in resampled draws: (bootstrap, size)."""
    sizes = np.array([0, *(row.size for row in found)])
    starts = np.array([reach.starts(scope, row.years_to_report) for row in found])
    spent = np.array([row.cost[0] + row.lost for row in found])
    net = np.array([0.0, *(row.gains[scope].net for row in found)])
    nets = np.column_stack([np.zeros(len(resampled)), resampled * starts - spent])
    low, high = np.quantile(sizes[nets.argmax(axis=1)], (0.025, 0.975), method="nearest")
    top = int(net.argmax())
    return BestSize(int(sizes[top]), int(low), int(high), float(net[top]))


def past_power(past: PastTrial) -> tuple[float, int | None]:
    """Power of a trial that has been held to show a difference as large as the one it saw; patients an arm for 80%, if any."""
    (a, b), (n, m) = past.events, past.patients
    needed = math.ceil(sample_size(a / n, b / m)) if a * m != b * n else None
    return float(fisher_power(a / n, b / m, n, m)), needed
