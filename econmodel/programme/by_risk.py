"""Treat by risk: the untreated year-1 risk from which each strategy is better than usual care, and what choosing by it is worth.

Risk moves alone, over its declared range, with effects held. For all patients it is the risk of the reference mix; for one
patient group it is that group's own, so that one threshold can be held against one patient. Without a threshold for a QALY life-years
and cash remain, and patient groups have no line of their own.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from econmodel.arrays import bracketed_roots
from econmodel.economics.evaluate import Evaluation, evaluate
from econmodel.economics.lead import find_subjects
from econmodel.model.inputs import ModelInputs
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.schema import WATCH
from econmodel.programme.planned import budget_of, in_the_mix
from econmodel.records import record
from econmodel.uncertainty.deterministic import needed_input, varied

FloatArray = NDArray[np.float64]
RISK, LEVEL = "p_first_bleed_year_1", ("log_rate_mean", "log_rate_site")
GRID, SURE, CLOSE = 25, 1.96, 1e-6


@record
class Turn:
    """Where a difference changes sign as the risk rises: better ``above`` it, or below; ``risk`` None: the same sign throughout."""

    risk: float | None
    above: bool


@record
class StrategyTurns:
    """Risk of the reference mix at which a strategy becomes better than usual care, in life-years and in net benefit, if any."""

    strategy: str
    life_years: Turn
    net_benefit: Turn | None = None


@record
class GroupTurn:
    """One patient group: its share, its own untreated risk, and the one from which the lead is worth its price there."""

    name: str
    share: float
    risk: float
    net_benefit: float
    turn: Turn


@record
class TreatByRisk:
    """Thresholds by strategy and, for the lead, by patient group.

    ``labels`` are of all strategies. ``treat_all`` and ``treat_some`` are net benefit per patient of the lead over usual care,
    given to all, and to the groups in which it is above 0; None, and no ``groups``, without a threshold for a QALY. ``cash`` is
    where the programme's net present value in cash turns. ``person_years`` of untreated follow-up would tell on which side of its
    threshold the site stands; None where its level is known, or has none.
    """

    lead: str
    usual_care: str
    labels: Mapping[str, str]
    now: float
    strategies: tuple[StrategyTurns, ...]
    cash: Turn
    groups: tuple[GroupTurn, ...] = ()
    treat_all: float | None = None
    treat_some: float | None = None
    person_years: float | None = None

    def to_json(self) -> dict[str, Any]:
        """Give the thresholds for JSON."""
        return asdict(self)


def treat_by_risk(parameters: ParameterSet) -> TreatByRisk:
    """Find, for a case, the risks from which each strategy is better than usual care.

    Raises
    ------
    AnalysisError
        The year-1 risk has no declared range, or the cohort has bled.
    """
    parameters.need_never_bled("whom to treat, by risk,")
    held, subjects = parameters.evidence_held(), find_subjects(parameters)
    lead, usual, now = subjects.lead, subjects.usual_care, parameters.number(RISK)
    worth, others = held.threshold, [key for key in held.strategies if key not in (usual, WATCH)]
    bounds = needed_input(parameters, RISK).range
    assert bounds is not None

    def run(risks: FloatArray) -> tuple[Evaluation, FloatArray]:
        """Evaluation at some risks, and what is gained: (risk, column), one or two a strategy, one a group of the lead, cash."""
        values = varied(held, [{RISK: float(x)} for x in risks])
        e = evaluate(held, values, yearly=False)
        measures = (e.life_years(), *(() if worth is None else (e.net_benefit(worth),)))
        gained = [array - array[:, [e.index(usual)]] for array in measures]
        whole = [array[:, e.index(key), 0] for key in others for array in gained]
        of_groups = (column for benefit in gained[1:] for column in benefit[:, e.index(lead), 1:].T)
        return e, np.stack([*whole, *of_groups, budget_of(in_the_mix(held), values, died=e.died).npv_cash], axis=1)

    turns = _turns(lambda risks: run(risks)[1], np.linspace(bounds.low, bounds.high, GRID))
    base, gained = run(np.array([now]))
    each = 1 if worth is None else 2
    strategies = tuple(StrategyTurns(key, *turns[each * i : each * (i + 1)]) for i, key in enumerate(others))
    found = TreatByRisk(lead, usual, {key: row.label for key, row in parameters.strategies.items()}, now, strategies, turns[-1])
    of_lead = strategies[others.index(lead)].net_benefit
    if of_lead is None:
        return found

    def own(turn: Turn, group: int) -> Turn:
        return turn if turn.risk is None else Turn(own_risk(run(np.array([turn.risk]))[0].inputs, group), turn.above)

    first, rows = each * len(others), held.rows("case_mix")
    gains, shares = gained[0, first:-1], np.array([float(row["share"]) for row in rows])
    return replace(
        found,
        groups=tuple(
            GroupTurn(str(row["name"]), float(row["share"]), own_risk(base.inputs, g), float(gains[g]), own(turns[first + g], g))
            for g, row in enumerate(rows)
        ),
        treat_all=float(shares @ gains),
        treat_some=float(shares @ np.maximum(gains, 0.0)),
        person_years=_person_years(parameters, now, of_lead.risk),
    )


def _turns(gains: Callable[[FloatArray], FloatArray], grid: FloatArray) -> list[Turn]:
    """Where each column changes sign first, going up the grid."""
    values = gains(grid)
    better = values > 0
    changes = better[1:] != better[:-1]
    columns = np.flatnonzero(changes.any(axis=0))
    if not columns.size:
        return [Turn(None, bool(last)) for last in better[-1]]
    at = changes[:, columns].argmax(axis=0)
    roots = bracketed_roots(lambda x: gains(x)[np.arange(columns.size), columns], grid[at], grid[at + 1], tolerance=CLOSE)
    turned = dict(zip(columns.tolist(), roots.tolist(), strict=True))
    return [Turn(turned.get(c), bool(last)) for c, last in enumerate(better[-1])]


def own_risk(inputs: ModelInputs, group: int) -> float:
    """Untreated risk of a first gastric bleed in year 1 of one group of the site's mix, nobody dying."""
    cells = inputs.relative[0, inputs.group_of_cell == group]
    return float(np.mean(-np.expm1(-inputs.r_first_bleed[0] * cells)))


def _person_years(parameters: ParameterSet, now: float, turn: float | None) -> float | None:
    """Untreated person-years after which a 95% interval of the site's own rate would leave the threshold out, at today's risk.

    The prior is the evidence on a setting not yet seen; a bleed adds one to the precision of the log rate.
    """
    spread = [parameters[name].distribution.sd for name in LEVEL if name in parameters.parameters and parameters[name].is_uncertain]
    if turn is None or not spread or parameters[RISK].derive is None:
        return None
    rate, other = -np.log1p(-now), -np.log1p(-turn)
    bleeds = (SURE / np.log(other / rate)) ** 2 - 1.0 / float(np.square(spread).sum())
    return float(max(bleeds, 0.0) / rate)
