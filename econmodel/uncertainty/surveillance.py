"""Follow-up protocols of one strategy, compared on cost and bleeds: how often to look, with what, and for how long.

Every protocol is the same strategy with another schedule, so that they run side by side as strategies do; hazard ratios are
held, since a schedule changes what is found and not what the trials saw. The effect is a process here whatever the case
says: under intention to treat visits cost money and change no outcome.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from econmodel.economics.comparison import rank_strategies
from econmodel.economics.evaluate import Evaluation, evaluate
from econmodel.errors import AnalysisError
from econmodel.evidence.nnt import patients_per_event
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.rules import check
from econmodel.parameters.sampling import sample
from econmodel.parameters.schema import PROCESS
from econmodel.records import record
from econmodel.uncertainty.deterministic import Grid, ask, lead_pair, two_way
from econmodel.uncertainty.thresholds import thresholds
from econmodel.wording import nearest

FloatArray = NDArray[np.float64]
ASKED = "eus_yearly"
MAP_POINTS = 9


@record
class Followed:
    """One protocol, per patient treated: money, bleeds and visits of the headline years; QALYs and net benefit of a lifetime.

    ``nnt`` is patients followed per first bleed averted against no surveillance, ``cost_per_bleed_averted`` the cost of the
    headline years against it by all bleeds averted; None where none is. ``best`` is the share of draws in which the
    protocol has the highest net benefit, None without draws.
    """

    key: str
    label: str
    cost: float
    first_bleeds_per_100: float
    bleeds_per_100: float
    nnt: float | None
    cost_per_bleed_averted: float | None
    qalys: float
    lifetime_cost: float
    net_benefit: float
    examinations: float
    retreatments: float
    status: str
    best: float | None


@record
class Protocols:
    """Protocols of one strategy against none, where what they are worth turns, and recurrence by the price of an examination."""

    strategy: str
    label: str
    none: str
    years: int
    rows: tuple[Followed, ...]
    sentences: tuple[str, ...]
    map: Grid | None

    def to_json(self) -> dict[str, Any]:
        """Give the document."""
        return {
            "strategy": self.strategy,
            "against": self.none,
            "headline_years": self.years,
            "protocols": [asdict(row) for row in self.rows],
            "sentences": list(self.sentences),
            "map": self.map.rows() if self.map else [],
        }


def with_protocols(parameters: ParameterSet, strategy: str, keys: Sequence[str] = ()) -> tuple[ParameterSet, str]:
    """Case whose strategies are the protocols of one strategy, no surveillance first; and the key of that.

    Raises
    ------
    AnalysisError
        The strategy or a protocol is unknown, the strategy is never followed up, or no protocol is without visits.
    """
    row, known = parameters.strategies.get(strategy), parameters.protocols
    if row is None or row.starts_in != "in_course":
        followed = [key for key, r in parameters.strategies.items() if r.starts_in == "in_course"]
        what = f"strategy {strategy!r}: must be one that treats a varix, which visits can find open: {', '.join(followed)}"
        raise AnalysisError(what, where="--strategy", fix=nearest(strategy, followed, "choose one of them"))
    for key in keys:
        if key not in known:
            what = f"protocol {key!r}: must be one of {', '.join(known)}"
            raise AnalysisError(what, where="--protocol", fix=nearest(key, known, "choose one of them"))
    none = next((key for key, p in known.items() if not p.surveillance.months and not p.surveillance.interval), None)
    if none is None:
        what = "no protocol is without visits, so there is nothing to compare with"
        raise AnalysisError(what, fix="add [protocol.none] with months = [] and interval = 0")
    chosen = dict.fromkeys((none, *(keys or known)))
    rows = {key: replace(row, key=key, label=known[key].label, surveillance=known[key].surveillance) for key in chosen}
    basis, comparator = replace(parameters["effect_basis"], value=PROCESS), replace(parameters["comparator"], value=none)
    inputs = parameters.parameters | {"effect_basis": basis, "comparator": comparator}
    followed_up = replace(parameters, parameters=inputs, strategies=rows)
    check(followed_up, subset=True)
    return followed_up.evidence_held(), none


def compare_protocols(
    parameters: ParameterSet, strategy: str | None = None, keys: Sequence[str] = (), *, draws: int = 0, map_points: int = MAP_POINTS
) -> Protocols:
    """Compare follow-up protocols.

    Parameters
    ----------
    parameters
        The case.
    strategy
        Who is followed up; None is the lead of the case.
    keys
        Protocols beside none; empty for all.
    draws
        Draws of all inputs together for the probability of being best; 0 leaves it out.
    map_points
        Points a side of the map; 0 leaves it out.
    """
    key = strategy or lead_pair(parameters)[0]
    followed, none = with_protocols(parameters, key, keys)
    e = evaluate(followed, yearly=False, by_group=False)
    rows = _rows(e, none, _best(followed, draws) if draws else {})
    asked = ASKED if ASKED in followed.strategies and none != ASKED else next(k for k in (*followed.strategies, none) if k != none)
    row = followed.strategies[asked]
    question = ask(followed, asked, none, "nmb")
    turning = (row.r_recurrence, f"c_{row.surveillance.visit}", "hr_patent", row.r_lost)
    turns = thresholds(question, [name for name in turning if followed[name].range])
    grid = two_way(question, row.r_recurrence, f"c_{row.surveillance.visit}", map_points) if map_points else None
    label = parameters.strategies[key].label
    return Protocols(key, label, none, e.headline, rows, tuple(turn.sentence for turn in turns), grid)


def _rows(e: Evaluation, none: str, best: dict[str, float]) -> tuple[Followed, ...]:
    years, threshold = e.headline, e.parameters.number("willingness_to_pay")
    costs, qalys = e.cost()[0, :, 0], e.qalys()[0, :, 0]
    status = {r.key: r.status for r in rank_strategies(e.keys, costs.tolist(), qalys.tolist())}

    def at(name: str, s: int) -> float:
        return float(e.count(name, years)[0, s, 0])

    found = []
    for s, key in enumerate(e.keys):
        against = None if key == none else e.compare(key, none, years)
        averted = float(against.bleeds_averted[0]) if against else 0.0
        number = float(patients_per_event(against.arr_at_end)[0]) if against else float("nan")
        found.append(
            Followed(
                key=key,
                label=e.parameters.strategies[key].label,
                cost=float(e.cost(years)[0, s, 0]),
                first_bleeds_per_100=100 * at("first_bleeds", s),
                bleeds_per_100=100 * float(e.bleeds(years)[0, s, 0]),
                nnt=None if np.isnan(number) else number,
                cost_per_bleed_averted=float(against.incremental_cost[0]) / averted if against and averted > 0 else None,
                qalys=float(qalys[s]),
                lifetime_cost=float(costs[s]),
                net_benefit=float(threshold * qalys[s] - costs[s]),
                examinations=at("visits", s),
                retreatments=at("retreatments", s),
                status=status[key],
                best=best.get(key),
            )
        )
    return tuple(found)


def _best(parameters: ParameterSet, draws: int) -> dict[str, float]:
    """Share of draws in which each protocol has the highest net benefit; effects vary with the evidence, as in any draw."""
    free = replace(
        parameters, parameters={n: replace(p, evidence=p.evidence if p.changed_by else None) for n, p in parameters.parameters.items()}
    )
    values = sample(free, draws, seed=int(parameters.number("seed")))
    e = evaluate(free, values, yearly=False, by_group=False)
    benefit = e.net_benefit(parameters.number("willingness_to_pay"))[:, :, 0]
    share = np.bincount(benefit.argmax(axis=1), minlength=len(e.keys)) / draws
    return dict(zip(e.keys, share.tolist(), strict=True))
