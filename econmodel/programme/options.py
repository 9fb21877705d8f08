"""Options appraisal: what each option does to cash, bleeds and harm over the budget, beside doing nothing.

Doing nothing is today's mix, every row 0. The do-minimum is usual care for all who can take it. Each strategy for all, and the
proposal, follow. All serve the same patients; delay, ramp, fixed cost and capital are carried only by an option that treats by
sessions more than is done today.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np

from econmodel.economics.activity import MonthlyProfiles
from econmodel.economics.comparison import DOMINATED, EXTENDEDLY_DOMINATED, rank_strategies
from econmodel.economics.lead import find_subjects
from econmodel.economics.prices import Prices
from econmodel.parameters.catalogue import CATEGORY
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.schema import WATCH
from econmodel.programme.budget import Budget, run_budget
from econmodel.programme.capacity import change_by_year
from econmodel.programme.headline import headline
from econmodel.programme.inputs import ProgrammeInputs
from econmodel.programme.money.rows import Row
from econmodel.programme.views import VIEWS, own_view, view_inputs
from econmodel.records import record
from econmodel.wording import duration, lower, money, number

DO_NOTHING, DO_MINIMUM, PROPOSAL = "do_nothing", "do_minimum", "proposal"
MORE_HARM, LOSS_ACCEPTED = "more_harm", 0.25
Planned = tuple[MonthlyProfiles, Prices]
BEHIND = {
    DOMINATED: "another averts as many bleeds for less cash",
    EXTENDEDLY_DOMINATED: "a mixture of others averts as many bleeds for less cash",
    MORE_HARM: "it brings more bleeds, or more deaths from bleeding, than today's mix",
}


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
    probability_cash_loss
        Chance that it is below 0 as the hospital is paid, over the draws; None without.
    starts
        Patients who start in each month.
    recurrent_cash
        Cash of the last year, working capital and equipment apart.
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
    probability_cash_loss: float | None
    peak_cash: float
    recurrent_cash: float
    bleeds_averted: float
    bleed_deaths_averted: float
    procedure_deaths: float
    embolisms: float
    starts: tuple[float, ...] = ()
    standing: str = ""
    cash_per_further_bleed: float | None = None

    @property
    def cash_per_bleed(self) -> float | None:
        """Cash for each bleed averted, below 0 where the option brings cash; None where none is averted."""
        return -self.npv_cash / self.bleeds_averted if self.bleeds_averted > 0 else None

    def to_json(self) -> dict[str, Any]:
        """Give the row for JSON."""
        own = {"mix": dict(self.mix), "npv_by_view": dict(self.npv_by_view), "starts": list(self.starts)}
        return vars(self) | own | {"cash_per_bleed": self.cash_per_bleed}


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
        """Options that nothing beats, by bleeds averted."""
        kept = [row for row in self.rows if row.standing not in BEHIND]
        return tuple(sorted(kept, key=lambda row: row.bleeds_averted))

    @property
    def sentence(self) -> str:
        """Say what the proposal does in cash, for whom, and at what harm."""
        row, cash = self.proposal, partial(money, currency=self.currency)
        does = "costs" if row.npv_cash < 0 else "brings"
        chance = "" if row.probability_cash_loss is None else f" (chance of a loss {row.probability_cash_loss:.0%})"
        each = "" if row.cash_per_bleed is None or row.npv_cash >= 0 else f": {cash(row.cash_per_bleed)} a bleed averted"
        over = f"{cash(abs(row.npv_cash))} over {duration(self.years)}{chance}"
        return (
            f"In cash this {does} {over}, averts {number(row.bleeds_averted, 1)} bleeds and "
            f"{number(row.bleed_deaths_averted, 1)} deaths from bleeding, for {number(row.procedure_deaths, 1)} deaths of "
            f"the procedure and {number(row.embolisms, 1)} embolisms{each}."
        )

    @property
    def order(self) -> str:
        """Say which options nothing beats in cash, in order, and where the proposal stands."""
        named = [lower(row.label.split(":")[0]) for row in self.frontier]
        stands = BEHIND.get(self.proposal.standing)
        where = "The proposal is among them" if stands is None else f"The proposal is ranked behind: {stands}"
        return f"In cash nothing beats, in order of bleeds averted: {', '.join(named)}. {where}."

    @property
    def reasons_against(self) -> tuple[str, ...]:
        """What speaks against approving the proposal on cash and bleeds; nothing where none does."""
        return tuple(self._against())

    def _against(self) -> Iterator[str]:
        row, cash = self.proposal, partial(money, currency=self.currency)
        if row.npv_cash < 0:
            yield f"it loses {cash(-row.npv_cash)} of cash in present value"
        if row.probability_cash_loss is not None and row.probability_cash_loss > LOSS_ACCEPTED:
            yield f"the chance of a loss is {row.probability_cash_loss:.0%}, above {LOSS_ACCEPTED:.0%}"
        if row.standing in BEHIND:
            yield BEHIND[row.standing]

    def to_json(self) -> dict[str, Any]:
        """Give the appraisal for JSON: options by key, and what the proposal's standing asks for."""
        decision = {"sentence": self.sentence, "order": self.order, "reasons_against": list(self.reasons_against)}
        return {"options": {row.key: row.to_json() for row in self.rows}, "decision": decision}


def plans(parameters: ParameterSet, inputs: ProgrammeInputs) -> tuple[Plan, ...]:
    """List the options: do nothing, do-minimum, each strategy but no prophylaxis for all, the proposal."""
    usual, able = find_subjects(parameters).usual_care, float(inputs.share_can_take_usual_care.mean())
    share = max(inputs.current_mix.get(usual, 0.0), able)
    label = {key: row.label for key, row in parameters.strategies.items()}
    least = [Plan(DO_MINIMUM, f"{label[usual]} for all who can take it", {usual: share, WATCH: 1.0 - share})] if usual != WATCH else []
    single = [Plan(key, f"{label[key]} for all", {key: 1.0}) for key in parameters.strategies if key != WATCH]
    return (
        Plan(DO_NOTHING, "Do nothing: today's mix", inputs.current_mix),
        *(least if WATCH in parameters.strategies else []),
        *single,
        Plan(PROPOSAL, "The proposal", inputs.proposed_mix),
    )


def option_inputs(parameters: ParameterSet, inputs: ProgrammeInputs, mix: Mapping[str, float]) -> ProgrammeInputs:
    """Inputs under another proposed mix; what a service of sessions needs is left out where sessions do not rise."""

    def by_session(shares: Mapping[str, float]) -> float:
        return sum(share for key, share in shares.items() if parameters.strategies[key].session)

    found = inputs.changed(proposed_mix=dict(mix))
    if by_session(mix) > by_session(inputs.current_mix):
        return found
    nothing = dict.fromkeys(("c_coordinator", "c_training", "c_service_contract", "c_exit"), 0.0)
    return found.changed(n_start_delay_months=0, ramp=(1.0,), capital=(), **nothing)


def appraise_options(
    parameters: ParameterSet, inputs: ProgrammeInputs, planned: Planned, drawn: tuple[ProgrammeInputs, Planned] | None = None
) -> Appraisal:
    """Run every option.

    Parameters
    ----------
    parameters
        The case, with all its strategies.
    inputs, planned
        Programme inputs of one draw, and activity per start of every strategy with prices.
    drawn
        The same of a batch of draws, for the chance of a loss.
    """
    rows = []
    for plan in plans(parameters, inputs):
        budget = run_budget(option_inputs(parameters, inputs, plan.mix), *planned, CATEGORY)
        chance = None
        if drawn:
            batch = run_budget(option_inputs(parameters, drawn[0], plan.mix), *drawn[1], CATEGORY)
            chance = float((batch.npv_cash < 0).mean())
        own = {own_view(budget.inputs): budget}
        views = {view: own.get(view) or run_budget(view_inputs(budget.inputs, view), *planned, CATEGORY) for view in VIEWS}
        rows.append(_row(plan, budget, {view: float(run.npv_cash.mean()) for view, run in views.items()}, chance))
    return Appraisal(rank_by_cash(rows), inputs.n_budget_years, inputs.currency)


def _row(plan: Plan, budget: Budget, views: Mapping[str, float], chance: float | None) -> OptionRow:
    def added(name: str) -> float:
        return float(change_by_year(budget, name).sum(axis=1).mean())

    found = headline(budget)
    return OptionRow(
        plan.key,
        plan.label,
        plan.mix,
        found.npv_cash,
        found.npv_with_capacity,
        views,
        chance,
        found.peak_cash,
        float(np.mean((budget.years[Row.OPERATING_CASH] - budget.years[Row.TAX])[:, -1])),
        found.bleeds_averted,
        -added("deaths_bleed"),
        added("deaths_procedure"),
        added("embolism"),
        tuple(budget.months[Row.STARTS].mean(axis=0).tolist()),
    )


def rank_by_cash(rows: Sequence[OptionRow]) -> tuple[OptionRow, ...]:
    """Rows with their standing by cash and bleeds averted; those with more bleeds or deaths from bleeding than today apart."""
    harmless = [row for row in rows if row.bleeds_averted >= 0 and row.bleed_deaths_averted >= 0]
    ranked = rank_strategies([r.key for r in harmless], [-r.npv_cash for r in harmless], [r.bleeds_averted for r in harmless])
    found = {place.key: place for place in ranked}
    return tuple(
        replace(row, standing=found[row.key].status, cash_per_further_bleed=found[row.key].icer)
        if row.key in found
        else replace(row, standing=MORE_HARM)
        for row in rows
    )
