"""Follow-up protocols of one strategy, compared on cost and bleeds: how often to look, with what, and for how long.

Every protocol is the same strategy with another schedule, so that they run side by side as strategies do; hazard ratios are
held, since a schedule changes what is found and not what the trials saw. The effect is a process here whatever the case
says: under intention to treat visits cost money and change no outcome. The schedule that the case gives the strategy stands
among the protocols, as ``own`` where it is none of them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from econmodel.economics.comparison import Comparison, rank_strategies
from econmodel.economics.evaluate import Evaluation, evaluate
from econmodel.economics.lead import BY_RULE, find_subjects
from econmodel.errors import AnalysisError
from econmodel.evidence.nnt import NumberNeededToTreat
from econmodel.parameters.catalogue import HEADLINE_COMPLICATIONS, LABELS
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.rules import check
from econmodel.parameters.sampling import sample
from econmodel.parameters.schema import PROCESS, Protocol, StrategyRow, Surveillance
from econmodel.parameters.structures import choose, gather, structures_of
from econmodel.records import record
from econmodel.wording import lower, nearest

FloatArray = NDArray[np.float64]
OWN = "own"
HARMS = ("deaths_procedure", *HEADLINE_COMPLICATIONS)


@record
class Plans:
    """One strategy under several schedules: a case whose strategies they are, what they are held against, the one asked about."""

    parameters: ParameterSet
    strategy: str
    label: str
    against: str
    asked: str


@record
class Followed:
    """One protocol, per patient treated.

    Attributes
    ----------
    now, whole
        Against the comparator over the headline years, and over the time horizon.
    examinations, retreatments
        Visits and further courses over the headline years.
    harms
        Procedure deaths and complications over the time horizon.
    status, edge
        On the frontier of cost and QALYs over the time horizon, and of cost and bleeds averted over the headline years.
    best
        Share of draws in which it has the highest net benefit; None without draws or threshold.
    """

    key: str
    label: str
    now: Comparison[float]
    whole: Comparison[float]
    examinations: float
    retreatments: float
    harms: Mapping[str, float]
    status: str
    edge: str
    best: float | None

    @property
    def nnt(self) -> NumberNeededToTreat:
        """Patients followed up per first bleed averted by the end of the headline years."""
        return NumberNeededToTreat(self.now.arr_at_end)

    @property
    def cost_per_bleed_averted(self) -> float | None:
        """Net cost of the headline years by all bleeds averted; None where none is."""
        return self.now.net_cost_per_any_bleed_averted if self.now.bleeds_averted > 0 else None

    @property
    def net_benefit(self) -> float | None:
        """Net monetary benefit over the time horizon; None without a threshold."""
        whole = self.whole
        return None if whole.threshold is None else whole.threshold * whole.strategy.qalys - whole.strategy.cost

    def to_json(self) -> dict[str, Any]:
        """Give the row of the document."""
        now, whole = self.now, self.whole
        return {
            "key": self.key,
            "label": self.label,
            "cost": now.strategy.cost,
            "first_bleeds_per_100": 100 * max(now.strategy.first_bleed_risk.items())[1],
            "bleeds_per_100": 100 * now.strategy.bleeds,
            "incremental_cost": now.incremental_cost,
            "bleeds_averted_per_100": now.bleeds_averted_per_100,
            "nnt": self.nnt.to_json(),
            "cost_per_bleed_averted": self.cost_per_bleed_averted,
            "examinations": self.examinations,
            "retreatments": self.retreatments,
            "frontier_bleeds": self.edge,
            "lifetime_cost": whole.strategy.cost,
            "qalys": whole.strategy.qalys,
            "net_benefit": self.net_benefit,
            "frontier_qalys": self.status,
            "harms": dict(self.harms),
            "probability_best": self.best,
        }


@record
class Protocols:
    """Protocols of one strategy, and what their figures are of."""

    strategy: str
    label: str
    against: str
    asked: str
    years: int
    horizon: int
    place: str
    currency: str
    price_year: str
    draws: int
    rows: tuple[Followed, ...]

    @property
    def money_of(self) -> str:
        """Currency and price year."""
        return f"{self.currency}, {self.price_year} prices"

    @property
    def labels(self) -> dict[str, str]:
        """What each protocol is called."""
        return {row.key: row.label for row in self.rows}

    def named(self, key: str) -> str:
        """Name of a protocol within a sentence."""
        return lower(self.labels[key])

    def row(self, key: str) -> Followed:
        """Give one protocol."""
        return next(row for row in self.rows if row.key == key)

    def to_json(self) -> dict[str, Any]:
        """Give the document."""
        told = {name: value for name, value in vars(self).items() if name != "rows"}
        return told | {"protocols": [row.to_json() for row in self.rows]}


def lay_protocols(
    parameters: ParameterSet, strategy: str | None = None, keys: Sequence[str] = (), against: str | None = None
) -> Plans:
    """Lay protocols beside each other as the strategies of a case, in the order of their file.

    Parameters
    ----------
    parameters
        The case.
    strategy
        Who is followed up; None is the lead of the case.
    keys
        Protocols beside the comparator; empty for all.
    against
        The protocol they are held against; None is the first without visits.

    Raises
    ------
    AnalysisError
        The strategy or a protocol is unknown, the strategy is never followed up, there is nothing to compare, or the cohort has bled.
    """
    parameters.need_never_bled("surveillance")
    row = _followed_up(parameters, strategy or find_subjects(parameters).lead)
    _as_process(parameters, {row.key: row}, row.key)
    known, present = _known(parameters, row)
    base = against or next((key for key, p in known.items() if not (p.surveillance.months or p.surveillance.interval)), None)
    if base is None:
        what = "no protocol is without visits, so there is nothing to compare with"
        raise AnalysisError(what, fix="choose a comparator with --against, or add [protocol.none] with months = [] and interval = 0")
    for option, key in (("--against", base), *(("--protocol", key) for key in keys)):
        if key not in known:
            what = f"protocol {key!r}: must be one of {', '.join(known)}"
            raise AnalysisError(what, where=option, fix=nearest(key, known, "choose one of them"))
    wanted = [key for key in known if key == base or not keys or key in keys]
    asked = next((key for key in (present, *wanted) if key in wanted and key != base), None)
    if asked is None:
        what = f"protocol {base!r} is compared with itself"
        raise AnalysisError(what, where="--protocol, --against", fix="choose another protocol, or another comparator")
    rows = {key: replace(row, key=key, label=known[key].label, surveillance=known[key].surveillance) for key in wanted}
    laid = _as_process(parameters, rows, base)
    return Plans(laid.evidence_held(), row.key, row.label, base, asked)


def _as_process(parameters: ParameterSet, rows: dict[str, StrategyRow], base: str) -> ParameterSet:
    """Case of these strategies alone, their effect a process, checked as a whole."""
    settings = {"comparator": base, "usual_care": base, "lead": BY_RULE}
    process = choose(parameters, {"effect_basis": PROCESS})
    inputs = process.parameters | {name: replace(process[name], value=value) for name, value in settings.items()}
    laid = replace(process, parameters=inputs, strategies=rows)
    check(laid, subset=True)
    return laid


def treated(parameters: ParameterSet) -> list[str]:
    """Keys of the strategies that treat a varix, which a visit can find open."""
    return [key for key, row in parameters.strategies.items() if row.starts_in == "in_course"]


def _followed_up(parameters: ParameterSet, strategy: str) -> StrategyRow:
    known = treated(parameters)
    if strategy not in known:
        listed = ", ".join(known) or "none here"
        what = f"strategy {strategy!r}: must be one that treats a varix, which visits can find open: {listed}"
        raise AnalysisError(what, where="--strategy", fix=nearest(strategy, known, "choose one of them"))
    return parameters.strategies[strategy]


def _known(parameters: ParameterSet, row: StrategyRow) -> tuple[dict[str, Protocol], str]:
    """Protocols with the case's own schedule of a strategy among them, and the key of that."""
    known = parameters.protocols
    present = next((key for key, p in known.items() if p.surveillance == row.surveillance), OWN)
    if present in known:
        return known, present
    return known | {OWN: Protocol(OWN, plan_words(row.surveillance), row.surveillance, row.where)}, OWN


def plan_words(plan: Surveillance) -> str:
    """Say a schedule.

    Examples
    --------
    >>> plan_words(Surveillance((3, 6, 12), 9, "surveillance_eus", 5)), plan_words(Surveillance())
    ('Surveillance EUS at 3, 6 and 12 months, then every 9, to year 5', 'No surveillance')
    """
    if not (plan.months or plan.interval):
        return "No surveillance"
    *first, last = [str(month) for month in plan.months] or [""]
    at = f" at {', '.join(first)} and {last} months" if first else f" at {last} months" if last else ""
    on = f"{', then' if at else ''} every {plan.interval}{'' if at else ' months'}" if plan.interval else ""
    return f"{LABELS[plan.visit]}{at}{on}{f', to year {plan.until_year}' if plan.until_year else ''}"


def compare_protocols(plans: Plans, place: str, *, draws: int = 0) -> Protocols:
    """Run the protocols side by side; with draws, how often each is the best value. ``place`` names the hospital on pictures."""
    p = plans.parameters
    e = evaluate(p, yearly=False, by_group=False)
    rows = _rows(e, plans, _best(p, draws, p.threshold) if draws and p.threshold is not None else {})
    texts = (place, p.text("currency"), p.text("price_year"))
    return Protocols(plans.strategy, plans.label, plans.against, plans.asked, e.headline, e.horizon, *texts, draws, rows)


def _rows(e: Evaluation, plans: Plans, best: Mapping[str, float]) -> tuple[Followed, ...]:
    now = {key: e.compare_means(key, plans.against, e.headline) for key in e.keys}
    whole = {key: e.compare_means(key, plans.against) for key in e.keys}
    status = _ranked(whole, [c.strategy.qalys for c in whole.values()])
    edge = _ranked(now, [c.bleeds_averted for c in now.values()])

    def count(name: str, key: str, years: int | None = None) -> float:
        return float(e.count(name, years)[0, e.index(key), 0])

    return tuple(
        Followed(
            key=key,
            label=plans.parameters.strategies[key].label,
            now=now[key],
            whole=whole[key],
            examinations=count("visits", key, e.headline),
            retreatments=count("retreatments", key, e.headline),
            harms={name: count(name, key) for name in HARMS},
            status=status[key],
            edge=edge[key],
            best=best.get(key),
        )
        for key in e.keys
    )


def _ranked(compared: Mapping[str, Comparison[float]], effects: Sequence[float]) -> dict[str, str]:
    costs = [c.strategy.cost for c in compared.values()]
    return {r.key: r.status for r in rank_strategies(tuple(compared), costs, effects)}


def _best(parameters: ParameterSet, draws: int, threshold: float) -> dict[str, float]:
    """Share of draws in which each protocol has the highest net benefit; effects vary with the evidence, as in any draw."""
    free = replace(
        parameters, parameters={n: replace(p, evidence=p.evidence if p.changed_by else None) for n, p in parameters.parameters.items()}
    )
    values = sample(free, draws, seed=int(parameters.number("seed")))
    benefit = gather(
        (part.rows, evaluate(part.parameters, part.values, yearly=False, by_group=False).net_benefit(threshold)[:, :, 0])
        for part in structures_of(free).parts(values)
    )
    share = np.bincount(benefit.argmax(axis=1), minlength=len(free.strategies)) / draws
    return dict(zip(free.strategies, share.tolist(), strict=True))
