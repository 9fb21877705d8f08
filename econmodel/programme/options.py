"""Options appraisal: what each option does to cash, bleeds and harm over the budget, beside doing nothing.

Doing nothing is today's mix, every row 0. The do-minimum is usual care for all who can take it. Each strategy for all, and the
proposal, follow. All serve the same patients; delay, ramp, fixed cost and capital are carried only by an option that treats by
sessions more than is done today.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from econmodel.arrays import known
from econmodel.economics.activity import MonthlyProfiles
from econmodel.economics.comparison import DOMINATED, EXTENDEDLY_DOMINATED, ON_FRONTIER, REFERENCE, rank_strategies
from econmodel.economics.evaluate import Evaluation
from econmodel.economics.lead import find_subjects
from econmodel.economics.prices import Prices
from econmodel.parameters.catalogue import CATEGORY, HARMS
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.schema import WATCH
from econmodel.programme.budget import Budget, run_budget
from econmodel.programme.capacity import change_by_year, posts_by_year
from econmodel.programme.headline import headline
from econmodel.programme.inputs import ProgrammeInputs, more_sessions
from econmodel.programme.luck import DOUBTS
from econmodel.programme.money.finance import by_year
from econmodel.programme.money.rows import Row
from econmodel.programme.views import VIEWS, own_view, view_inputs
from econmodel.records import record

DO_NOTHING, DO_MINIMUM, PROPOSAL = "do_nothing", "do_minimum", "proposal"
MORE_HARM = "more_harm"
NAMED_OTHERWISE = ("npv_by_view", "p_cash_loss", "recurrent_cash", "standing", "posts")
Planned = tuple[MonthlyProfiles, Prices]
BEHIND = {
    DOMINATED: "another averts as many bleeds for less cash",
    EXTENDEDLY_DOMINATED: "a mixture of others averts as many bleeds for less cash",
    MORE_HARM: "it brings more bleeds, or more deaths from bleeding, than today's mix",
}
STANDING = BEHIND | {REFERENCE: "none costs less cash", ON_FRONTIER: "none averts as many bleeds for less cash"}


@record
class Plan:
    """One option: its shares of strategies."""

    key: str
    label: str
    mix: Mapping[str, float]


@record
class OptionRow:
    """What an option does over the budget against today's mix, expected; money in the basis of the cash.

    Attributes
    ----------
    npv_by_view
        Net present value in cash were every payment per episode, or none.
    p_cash_loss
        Chance that cash is below 0 as the hospital is paid, by what is in doubt: inputs, luck, both; empty without draws.
    starts
        Patients who start in each month.
    payback_years
        Years until cumulative cash is back at 0 for good; None where it is not within the budget.
    recurrent_cash
        Cash of the last year, working capital and equipment apart.
    harms
        Complications of treatment added, by kind; NaN, as are deaths of the procedure, in patients who have bled: not counted.
    qalys, full_cost
        QALYs gained and full cost added over a lifetime by those who start within the budget, against today's mix, discounted to
        their start; the cost is never cash.
    slots, posts
        Slots used more than today by place, and whole-time posts added, by year.
    peak_cash_after_financing
        Lowest cumulative cash once loans and a capital charge paid are taken off; None without any.
    waiting
        Patients waiting for a slot at the end of the budget.
    unable
        Share of patients given usual care who cannot take it.
    standing
        By cash and bleeds averted: ``reference`` (least cash), ``on_frontier``, ``dominated``, ``extendedly_dominated`` or
        ``more_harm``.
    cash_per_further_bleed
        Cash for each further bleed averted against the option before it on the frontier; None off it.
    """

    key: str
    label: str
    mix: Mapping[str, float]
    npv_cash: float
    npv_with_capacity: float
    npv_by_view: Mapping[str, float]
    p_cash_loss: Mapping[str, float]
    peak_cash: float
    payback_years: float | None
    irr: float | None
    recurrent_cash: float
    bleeds_averted: float
    bleed_deaths_averted: float
    procedure_deaths: float
    harms: Mapping[str, float]
    qalys: float
    full_cost: float
    slots: tuple[Mapping[str, float], ...]
    waiting: float
    unable: float = 0.0
    starts: tuple[float, ...] = ()
    posts: tuple[float, ...] = ()
    peak_cash_after_financing: float | None = None
    standing: str = ""
    cash_per_further_bleed: float | None = None

    @property
    def probability_cash_loss(self) -> float | None:
        """Chance of a loss in cash, of inputs and luck together; None without draws."""
        return self.p_cash_loss.get(DOUBTS[-1])

    @property
    def cash_per_bleed(self) -> float | None:
        """Cash for each bleed averted, below 0 where the option brings cash; None where none is averted."""
        return -self.npv_cash / self.bleeds_averted if self.bleeds_averted > 0 else None

    @property
    def cash_per_death(self) -> float | None:
        """Cash for each death from bleeding averted; None where none is averted."""
        return -self.npv_cash / self.bleed_deaths_averted if self.bleed_deaths_averted > 0 else None

    @property
    def cost_per_qaly(self) -> float | None:
        """Full cost for each QALY gained, over a lifetime; None where none is gained or nothing is paid for it."""
        return self.full_cost / self.qalys if self.qalys > 0 and self.full_cost > 0 else None

    @property
    def embolisms(self) -> float:
        """Embolisms of glue or coil added."""
        return self.harms["embolism"]

    @property
    def blocked_by(self) -> tuple[str, ...]:
        """What stands in the way: slots that keep patients waiting at the end, or patients who cannot take it."""
        return (*(("slots",) if self.waiting >= 0.5 else ()), *(("ability",) if self.unable > 0 else ()))

    def to_json(self) -> dict[str, Any]:
        """Give the row for JSON."""
        named = {
            "mix": dict(self.mix),
            "harms": {name: known(n) for name, n in self.harms.items()},
            "procedure_deaths": known(self.procedure_deaths),
            "views": dict(self.npv_by_view),
            "p_cash_loss": {doubt: self.p_cash_loss.get(doubt) for doubt in DOUBTS},
            "recurrent_cash_last_year": self.recurrent_cash,
            "frontier": {REFERENCE: "first", ON_FRONTIER: "step"}.get(self.standing, self.standing),
            "wte": list(self.posts),
            "starts": list(self.starts),
            "slots": list(self.slots),
            "blocked_by": list(self.blocked_by),
        }
        same = {name: value for name, value in vars(self).items() if name not in NAMED_OTHERWISE}
        per = {"cash_per_bleed": self.cash_per_bleed, "cash_per_death": self.cash_per_death, "cost_per_qaly": self.cost_per_qaly}
        return same | named | per


@record
class Appraisal:
    """Options of one programme, doing nothing first and the proposal last."""

    rows: tuple[OptionRow, ...]
    years: int
    currency: str

    @property
    def proposal(self) -> OptionRow:
        """The proposal."""
        return self.rows[-1]

    @property
    def frontier(self) -> tuple[OptionRow, ...]:
        """Options that nothing beats, by bleeds averted; of those that do the same, the last."""
        kept = {(row.npv_cash, row.bleeds_averted): row for row in self.rows if row.standing not in BEHIND}
        return tuple(sorted(kept.values(), key=lambda row: row.bleeds_averted))

    def to_json(self) -> dict[str, Any]:
        """Give the appraisal for JSON: options by key."""
        return {row.key: row.to_json() for row in self.rows}


def plans(parameters: ParameterSet, inputs: ProgrammeInputs) -> tuple[Plan, ...]:
    """List the options: do nothing, do-minimum, each strategy but no prophylaxis for all, the site's own, the proposal."""
    usual, share = _able(parameters, inputs)
    label = {key: row.label for key, row in parameters.strategies.items()}
    least = [Plan(DO_MINIMUM, f"{label[usual]} for all who can take it", {usual: share, WATCH: 1.0 - share})] if usual != WATCH else []
    beyond = usual != WATCH and share < 1.0
    single = [
        Plan(key, f"{label[key]} for all" + (", able or not" if key == usual and beyond else ""), {key: 1.0})
        for key in parameters.strategies
        if key != WATCH
    ]
    return (
        Plan(DO_NOTHING, "Do nothing: today's mix", inputs.current_mix),
        *(least if WATCH in parameters.strategies else []),
        *single,
        *(Plan(key, option.label, option.mix) for key, option in parameters.options.items()),
        Plan(PROPOSAL, "The proposal", inputs.proposed_mix),
    )


def _able(parameters: ParameterSet, inputs: ProgrammeInputs) -> tuple[str, float]:
    """Usual care, and the share of patients who have it today or can take it."""
    usual = find_subjects(parameters).usual_care
    return usual, max(inputs.current_mix.get(usual, 0.0), float(inputs.share_can_take_usual_care.mean()))


def option_inputs(parameters: ParameterSet, inputs: ProgrammeInputs, mix: Mapping[str, float]) -> ProgrammeInputs:
    """Inputs under another proposed mix; what a service of sessions needs is left out where sessions do not rise."""
    return inputs.changed(proposed_mix=dict(mix), adds_sessions=more_sessions(parameters, inputs.current_mix, mix))


def appraise_options(
    parameters: ParameterSet,
    inputs: ProgrammeInputs,
    planned: Planned,
    lifetime: Evaluation,
    chances: Mapping[str, Mapping[str, float]],
) -> Appraisal:
    """Run every option.

    Parameters
    ----------
    parameters
        The case, with all its strategies.
    inputs, planned
        Programme inputs of one draw, and activity per start of every strategy with prices.
    lifetime
        The case evaluated, one draw.
    chances
        Chance of a loss of each option, by what is in doubt; empty without draws.
    """
    rows = []
    for plan in plans(parameters, inputs):
        budget = run_budget(option_inputs(parameters, inputs, plan.mix), *planned, CATEGORY)
        own = {own_view(budget.inputs): budget}
        views = {view: own.get(view) or run_budget(view_inputs(budget.inputs, view), *planned, CATEGORY) for view in VIEWS}
        by_view = {view: float(run.npv_cash.mean()) for view, run in views.items()}
        row = _row(plan, budget, by_view, chances.get(plan.key, {}), per_start(lifetime, inputs.current_mix, plan.mix))
        rows.append(replace(row, unable=_unable(parameters, inputs, plan.mix)))
    return Appraisal(rank_by_cash(rows), inputs.n_budget_years, inputs.currency)


def _unable(parameters: ParameterSet, inputs: ProgrammeInputs, mix: Mapping[str, float]) -> float:
    """Share of a mix given usual care beyond today's share and those who can take it."""
    usual, able = _able(parameters, inputs)
    return 0.0 if usual == WATCH else max(0.0, mix.get(usual, 0.0) - able)


def per_start(lifetime: Evaluation, current: Mapping[str, float], mix: Mapping[str, float]) -> tuple[float, float]:
    """QALYs gained and full cost added by one start over a lifetime, against today's mix."""
    change = np.array([mix.get(key, 0.0) - current.get(key, 0.0) for key in lifetime.keys])
    return float(change @ lifetime.qalys()[0, :, 0]), float(change @ lifetime.cost()[0, :, 0])


def _row(
    plan: Plan, budget: Budget, views: Mapping[str, float], chances: Mapping[str, float], lifetime: tuple[float, float]
) -> OptionRow:
    def added(name: str) -> float:
        return float(change_by_year(budget, name).sum(axis=1).mean())

    def harm(name: str) -> float:
        return float("nan") if budget.inputs.bled else added(name)

    found, starts = headline(budget), float(budget.totals[Row.STARTS].mean())
    return OptionRow(
        key=plan.key,
        label=plan.label,
        mix=plan.mix,
        npv_cash=found.npv_cash,
        npv_with_capacity=found.npv_with_capacity,
        npv_by_view=views,
        p_cash_loss=chances,
        peak_cash=found.peak_cash,
        payback_years=found.payback_years,
        irr=found.irr,
        recurrent_cash=float(np.mean((budget.years[Row.OPERATING_CASH] - budget.years[Row.TAX])[:, -1])),
        bleeds_averted=found.bleeds_averted,
        bleed_deaths_averted=-added("deaths_bleed"),
        procedure_deaths=harm("deaths_procedure"),
        harms={name: harm(name) for name in HARMS},
        qalys=starts * lifetime[0],
        full_cost=starts * lifetime[1],
        slots=tuple(
            {key: float(by_year(taken)[:, year].mean()) for key, taken in budget.volume.slots.items()}
            for year in range(budget.inputs.n_budget_years)
        ),
        posts=tuple(map(float, np.broadcast_to(posts_by_year(budget).mean(axis=0), budget.inputs.n_budget_years))),
        peak_cash_after_financing=None if budget.peak_after_financing is None else float(budget.peak_after_financing.mean()),
        waiting=float(budget.intake.waiting[:, -1].mean()),
        starts=tuple(map(float, budget.intake.starts.mean(axis=0))),
    )


def rank_by_cash(rows: Sequence[OptionRow]) -> tuple[OptionRow, ...]:
    """Rows with their standing by cash and bleeds averted; those with more bleeds or deaths from bleeding than today apart.

    Options that do the same, as a proposal of one strategy for all and that strategy, stand alike.
    """
    harmless = [row for row in rows if row.bleeds_averted >= 0 and row.bleed_deaths_averted >= 0]
    ranked = rank_strategies([r.key for r in harmless], [-r.npv_cash for r in harmless], [r.bleeds_averted for r in harmless])
    found = {(place.cost, place.effect): place for place in reversed(ranked)}
    places = [found[-row.npv_cash, row.bleeds_averted] if row in harmless else None for row in rows]
    return tuple(
        replace(row, standing=place.status, cash_per_further_bleed=place.icer) if place else replace(row, standing=MORE_HARM)
        for row, place in zip(rows, places, strict=True)
    )
