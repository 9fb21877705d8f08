"""Pairs of strategies that bleeds put in another order over the time horizon than at the headline years.

A comparator is one of them, so that a change of sign against it is a change of order with it.
"""

from __future__ import annotations

from itertools import permutations

from econmodel.economics.comparison import Totals
from econmodel.economics.results import Results
from econmodel.evidence.nnt import NumberNeededToTreat
from econmodel.records import record

PER = 100
SHOWN = 1


@record
class LifetimeSwap:
    """Fewer bleeds over the horizon, more at the headline years: per 100 patients of the two, and the NNT at either time.

    ``nnt`` is of first bleeds, of ``ahead`` against ``behind``, at the headline years and over the horizon; empty for all bleeds.
    """

    counted: str
    ahead: str
    behind: str
    headline: tuple[float, float]
    whole: tuple[float, float]
    nnt: tuple[NumberNeededToTreat, ...] = ()


def lifetime_swaps(results: Results) -> tuple[LifetimeSwap, ...]:
    """Find the pairs, those of the lead first; figures equal as they are shown put nobody ahead."""
    if len(results.strategies) < 2 or not results.beside:
        return ()
    versus = results.beside[-1]
    against = results.comparisons[versus]
    pairs = {key: (found.headline.strategy, found.whole.strategy) for key, found in against.items()}
    some = next(iter(against.values()))
    pairs[versus] = some.headline.comparator, some.whole.comparator
    found = []
    for counted in ("bleeds", "first bleeds"):
        per_100 = {key: tuple(PER * _counted(total, counted) for total in pair) for key, pair in pairs.items()}
        for a, b in permutations(per_100, 2):
            (now_a, whole_a), (now_b, whole_b) = per_100[a], per_100[b]
            if round(now_a, SHOWN) > round(now_b, SHOWN) and round(whole_a, SHOWN) < round(whole_b, SHOWN):
                gains = ((now_b - now_a) / PER, (whole_b - whole_a) / PER) if counted == "first bleeds" else ()
                nnt = tuple(NumberNeededToTreat(gain) for gain in gains)
                found.append(LifetimeSwap(counted, a, b, (now_a, now_b), (whole_a, whole_b), nnt))
    return tuple(sorted(found, key=lambda swap: results.lead not in (swap.ahead, swap.behind)))


def _counted(total: Totals[float], counted: str) -> float:
    return total.bleeds if counted == "bleeds" else total.first_bleed_risk[max(total.first_bleed_risk)]
