"""The programme of a case: from its inputs to its budget with all that a decision needs, and its form as JSON."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, replace
from functools import partial
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from econmodel.economics.activity import MonthlyProfiles
from econmodel.economics.evaluate import Evaluation, evaluate
from econmodel.economics.lead import find_subjects
from econmodel.economics.prices import Prices
from econmodel.errors import AnalysisError
from econmodel.model.inputs import base_values
from econmodel.parameters.catalogue import CATEGORY
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.programme.after_bleed import check_start, profiles_of
from econmodel.programme.break_even import BreakEven, break_even
from econmodel.programme.budget import Budget, Memo, run_budget
from econmodel.programme.calendar import carried, year_names
from econmodel.programme.capacity import CapacityYear, Savings, capacity_by_year, savings
from econmodel.programme.charts import BleedsYear, CumulativeCash, bleeds_by_year, cumulative_cash
from econmodel.programme.contract import BudgetInputs, budget_inputs
from econmodel.programme.decision import Decision, decide
from econmodel.programme.doubt import draw_programme
from econmodel.programme.downside import (
    WORST_THREE,
    Downside,
    DownsideRow,
    Rerun,
    downside_budgets,
    downside_table,
    favourable_budget,
    own_rows,
)
from econmodel.programme.headline import Headline, ProgrammeUncertainty, headline, uncertainty
from econmodel.programme.inputs import ProgrammeInputs, is_change, read_inputs
from econmodel.programme.intake import FunnelStep, funnel_steps
from econmodel.programme.luck import Luck
from econmodel.programme.money.levels import price_indices
from econmodel.programme.money.rows import Row, Rows
from econmodel.programme.money.summary import SummaryLine, summary_lines
from econmodel.programme.money_question import ask_money
from econmodel.programme.options import Appraisal, appraise_options, per_start
from econmodel.programme.planned import in_the_mix, prices_of, rerun_under, years_needed
from econmodel.programme.reality import RealityCheck, reality_check
from econmodel.programme.reconciliation import BridgeStep, later_cash, reconcile
from econmodel.programme.sentences import amount, not_overlooked, uncomfortable_truths, verdict
from econmodel.programme.site_budgets import PlaceMoney, money_by_place
from econmodel.programme.switching import Switching, find_switching
from econmodel.programme.views import PaymentView, own_view, payment_views
from econmodel.records import record

FloatArray = NDArray[np.float64]
Name = TypeVar("Name", bound=str)
QUARTERS_SHOWN = 8
SCHEMA = 2
MOST_DRAWS = 500


@record
class Basis:
    """What the money is counted in and by, and what is compared with what.

    ``year_names`` are of the start and each year, ``carry`` prices of year 1 over those of the price year, ``carried`` the sentence.
    """

    cash: str
    finance_rate: float
    capital: str
    budget_years: int
    year_names: tuple[str, ...]
    carry: dict[str, float]
    carried: str
    payment_view: str
    is_change: bool
    currency: str
    current_mix: dict[str, float]
    proposed_mix: dict[str, float]


@record
class BudgetYear:
    """Rows of one year with what stands beside the cash (means over draws)."""

    year: int
    rows: dict[Row, float]
    memo: Memo[float]


@record
class BudgetQuarter:
    """Rows of one quarter (means over draws)."""

    year: int
    quarter: int
    rows: dict[Row, float]


@record
class RunOff:
    """What starters still bring in the months after the last year; outside the net present value."""

    months: int
    rows: dict[Row, float]


@record
class Ending:
    """How the budget ends (``going_concern`` or ``closure``), and present values of what that decides on."""

    convention: str
    book_value: float
    debtors: float
    exit_cost: float
    duty: float
    run_off: float


@record
class ProgrammeResult:
    """The programme of a case: one deterministic budget, and what is read from it.

    Attributes
    ----------
    budget
        The deterministic budget itself.
    years
        Year 0 (the start) only where something is paid then.
    quarters
        The first :data:`QUARTERS_SHOWN`.
    downside
        The three worst together last; empty where it was left out, as are then ``worse`` and the sentences.
    uncertainty, npv_by_draw
        Spread over draws, and net present value in cash of each, (draw,); None without draws.
    luck
        What chance alone does to so few patients, beside the doubt about the inputs; None without draws.
    inputs
        Everything that the budget and its options rest on, resolved; None of a budget without the case it belongs to, as are
        ``options``, what each option does to cash, bleeds and harm.
    switching
        Inputs that alone, within their range, turn the sign of the cash; None likewise, or where nothing is proposed.
    decision
        What the options come to, and what a board is asked for; None likewise.
    reconciliation
        From full cost over a lifetime to cash; empty likewise.
    later_cash
        Net cash of years 6 to 10, were the programme to go on; None likewise, or where they cannot be told.
    reality
        Last year's count of bleeds beside what today's mix predicts; None where the hospital's file has no count.
    worse
        Rows of the downside table with their budgets.
    sentences, not_overlooked
        What a decision maker must not overlook, and the part of it that a short paper must hold.
    """

    budget: Budget
    basis: Basis
    years: tuple[BudgetYear, ...]
    quarters: tuple[BudgetQuarter, ...]
    totals: dict[Row, float]
    summary: tuple[SummaryLine, ...]
    headline: Headline
    funnel: tuple[FunnelStep, ...]
    capacity: tuple[CapacityYear, ...]
    savings: Savings
    run_off: RunOff
    ending: Ending
    views: Mapping[str, PaymentView]
    downside: tuple[DownsideRow, ...]
    break_even: BreakEven
    switching: Switching | None
    uncertainty: ProgrammeUncertainty | None
    npv_by_draw: FloatArray | None
    luck: Luck | None
    verdict: str
    sentences: tuple[str, ...]
    not_overlooked: tuple[str, ...]
    inputs: BudgetInputs | None
    options: Appraisal | None
    decision: Decision | None
    reconciliation: tuple[BridgeStep, ...]
    later_cash: float | None
    reality: RealityCheck | None
    places: tuple[PlaceMoney, ...]
    worse: Mapping[str, tuple[Downside, Budget]]
    cumulative_cash: CumulativeCash
    bleeds: tuple[BleedsYear, ...]

    @property
    def probability_cash_loss(self) -> float | None:
        """Chance of a net present value in cash below 0; None without draws."""
        return None if self.uncertainty is None else self.uncertainty.probability_cash_loss

    @property
    def frames(self) -> dict[str, list[dict[str, Any]]]:
        """Rows behind each chart, as files give them; of the downside the base case first."""
        base = {"key": "base", "label": "Base case", "npv_cash": self.headline.npv_cash, "npv_cash_change": 0.0}
        worse = [{"key": r.key, "label": r.label, "npv_cash": r.npv_cash, "npv_cash_change": r.npv_cash_change} for r in self.downside]
        return {
            "cumulative_cash": self.cumulative_cash.to_json(),
            "bridge": [step.to_json() for step in self.reconciliation],
            "downside": [base, *worse],
            "bleeds": [year.to_json() for year in self.bleeds],
        }

    def contract(self) -> dict[str, Any]:
        """Give the contract of ``econmodel budget --json``: the result, the months, and the inputs to work both out again from."""
        inputs, months = None if self.inputs is None else self.inputs.to_json(), self.budget.months
        by_month = [{"month": m + 1, **_column(months, m)} for m in range(self.budget.inputs.n_months)]
        return {"schema": SCHEMA, "inputs": inputs, **self.to_json(), "months": by_month}

    @property
    def peak_cash_after_financing(self) -> float | None:
        """Lowest cumulative cash once loans and a capital charge paid are taken off; None without any."""
        found = self.budget.peak_after_financing
        return None if found is None else float(found.mean())

    def to_json(self) -> dict[str, Any]:
        """Give the result for JSON."""
        return {
            "basis": asdict(self.basis),
            "rows": {row: row.label for row in Row},
            "years": [{"year": y.year, **y.rows, "memo": asdict(y.memo)} for y in self.years],
            "quarters": [{"year": q.year, "quarter": q.quarter, **q.rows} for q in self.quarters],
            "totals": self.totals,
            "headline": self._headline(),
            "funnel": [asdict(step) for step in self.funnel],
            "capacity": [asdict(year) for year in self.capacity],
            "savings": self.savings.to_json(),
            "run_off": {"months": self.run_off.months} | self.run_off.rows,
            "at_end": asdict(self.ending),
            "peak_cash_after_financing": self.peak_cash_after_financing,
            "views": {name: view.to_json() for name, view in self.views.items()},
            "downside": [row.to_json() for row in self.downside],
            "break_even": self.break_even.to_json(),
            "switching": self.switching.to_json() if self.switching else [],
            "uncertainty": None if self.uncertainty is None else self.uncertainty.to_json(),
            "luck": None if self.luck is None else self.luck.to_json(),
            "sentences": list(self.sentences),
            "not_overlooked": list(self.not_overlooked),
            "options": None if self.options is None else self.options.to_json(),
            "decision": None if self.decision is None else self.decision.to_json(),
            "bridge": [step.to_json() for step in self.reconciliation],
            "later_cash": self.later_cash,
            "reality": None if self.reality is None else self.reality.to_json(),
            "places": {place.name: place.to_json() for place in self.places[:-1]},
            "system": self.places[-1].to_json() if self.places else None,
            "frames": self.frames,
        }

    def _headline(self) -> dict[str, Any]:
        return self.headline.to_json() | {
            "break_even_starts_per_year": self.break_even.searched,
            "expected_starts_per_year": self.break_even.expected,
            "verdict": self.verdict,
            "probability_cash_loss": self.probability_cash_loss,
        }


def programme_case(
    inputs: ProgrammeInputs,
    profiles: MonthlyProfiles,
    prices: Prices,
    categories: Mapping[str, str],
    rerun: Rerun,
    draws: Budget | None = None,
    more: tuple[Downside, ...] | None = (),
) -> ProgrammeResult:
    """Run the deterministic budget with everything the decision needs.

    Parameters
    ----------
    inputs, profiles, prices, categories
        As in :func:`econmodel.programme.budget.run_budget`, one draw.
    rerun
        Gives new activity per start and new prices for changed inputs of the model; see :mod:`econmodel.programme.downside`.
    draws
        Budget of a batch of draws, for intervals and P(NPV < 0).
    more
        Rows of the downside table that this case has of its own; None leaves the whole table out, which takes longer than all else.

    Raises
    ------
    AnalysisError
        The inputs hold more than one draw, or a name is unknown.
    """
    budget = run_budget(inputs, profiles, prices, categories)
    if len(budget.npv_cash) != 1:
        what = f"the deterministic budget has {len(budget.npv_cash)} draws, must be one"
        raise AnalysisError(what, fix="run the batch with run_budget and give it as draws")
    runs = {} if more is None else downside_budgets(budget, profiles, prices, categories, rerun, more)
    favourable = favourable_budget(budget, profiles, prices, categories)
    views, rows = payment_views(budget, profiles, prices, categories), downside_table(budget, runs) if runs else ()
    volume, numbers = break_even(budget), headline(budget)
    return ProgrammeResult(
        budget=budget,
        basis=_basis(budget),
        years=budget_years(budget),
        quarters=_quarters(budget),
        totals=means(budget.totals),
        summary=summary_lines(budget),
        headline=numbers,
        funnel=funnel_steps(inputs),
        capacity=capacity_by_year(budget),
        savings=savings(budget),
        run_off=RunOff(budget.activity.run_off.shape[1], means(budget.run_off)),
        ending=Ending(inputs.at_end, **{name: float(values.mean()) for name, values in vars(budget.after_the_end).items()}),
        views=views,
        downside=rows,
        break_even=volume,
        switching=None,
        uncertainty=None if draws is None else uncertainty(draws),
        npv_by_draw=None if draws is None else draws.npv_cash,
        luck=None,
        verdict=verdict(budget),
        sentences=tuple(uncomfortable_truths(budget, numbers, views, rows, volume)) if runs else (),
        not_overlooked=tuple(not_overlooked(budget, rows, partial(amount, currency=inputs.currency))) if runs else (),
        inputs=None,
        options=None,
        decision=None,
        reconciliation=(),
        later_cash=None,
        reality=None,
        places=money_by_place(budget),
        worse=runs,
        cumulative_cash=cumulative_cash(budget, favourable, runs[WORST_THREE][1] if runs else None, draws),
        bleeds=bleeds_by_year(budget),
    )


def means(rows: Rows) -> dict[Row, float]:
    """Mean of each row over the draws."""
    return {row: float(values.mean()) for row, values in rows.items()}


def budget_years(budget: Budget) -> tuple[BudgetYear, ...]:
    """Give the years of a budget; year 0 (the start) only where something is paid then."""
    years = [y for y in range(budget.inputs.n_budget_years + 1) if y > 0 or np.any(budget.years[Row.NET_CASH][:, 0])]
    return tuple(BudgetYear(y, _column(budget.years, y), Memo(**_column(vars(budget.memo), y))) for y in years)


def _quarters(budget: Budget) -> tuple[BudgetQuarter, ...]:
    quarters = budget.quarters
    shown = range(min(QUARTERS_SHOWN, 4 * budget.inputs.n_budget_years))
    return tuple(BudgetQuarter(q // 4 + 1, q % 4 + 1, _column(quarters, q)) for q in shown)


def _basis(budget: Budget) -> Basis:
    inputs, prices = budget.inputs, price_indices(budget.inputs)
    rises = {"pay": prices.pay[:, 1], "devices": prices.devices[:, 1], "payments": prices.tariff[:, 1]}
    return Basis(
        cash=inputs.cash_basis,
        finance_rate=float(budget.rate.mean()),
        capital=inputs.capital_basis,
        budget_years=inputs.n_budget_years,
        year_names=year_names(inputs),
        carry={what: float(rise.mean()) for what, rise in rises.items()},
        carried=carried(inputs, rises),
        payment_view=own_view(inputs),
        is_change=is_change(inputs),
        currency=inputs.currency,
        current_mix=inputs.current_mix,
        proposed_mix=inputs.proposed_mix,
    )


def _column(rows: Mapping[Name, FloatArray], position: int) -> dict[Name, float]:
    return {name: float(values[:, position].mean()) for name, values in rows.items()}


def evaluate_programme(
    parameters: ParameterSet,
    *,
    draws: int = 0,
    seed: int = 0,
    turning: bool = True,
    worse: bool = True,
    lifetime: Evaluation | None = None,
) -> ProgrammeResult:
    """Run the programme of a case.

    Parameters
    ----------
    parameters
        The case.
    draws
        Draws for intervals, at most :data:`MOST_DRAWS` are used; 0 leaves them out.
    seed
        Seed of the draws.
    turning
        Also find what alone would turn the sign of the cash, which takes longer than all else without draws.
    worse
        Also work out the downside with the sentences that rest on it, and the cash of later years.
    lifetime
        The case evaluated, where it is already.

    Raises
    ------
    EconModelError
        A programme input breaks its rules, the horizon is shorter than the budget, or no programme takes up such a
        cohort.
    """
    check_start(parameters)
    kept = in_the_mix(parameters)
    values = base_values(kept)
    inputs = read_inputs(kept, values)
    years = years_needed(kept, inputs.n_budget_years, inputs.n_duty_months)
    profiles, prices = planned = profiles_of(parameters, years), prices_of(kept, values)
    doubt = draw_programme(parameters, inputs, planned, min(draws, MOST_DRAWS), seed)
    more = own_rows(kept, inputs) if worse else None
    found = programme_case(inputs, profiles, prices, CATEGORY, lambda changes: rerun_under(kept, changes, years), doubt.batch, more)
    lifetime, usual = lifetime or evaluate(parameters, yearly=False, by_group=False), find_subjects(parameters).usual_care
    turns = find_switching(ask_money(parameters)) if turning and is_change(inputs) else None
    options = appraise_options(parameters, inputs, planned, lifetime, doubt.chances)
    against_usual = per_start(lifetime, {usual: 1.0}, inputs.proposed_mix)[1]
    return replace(
        found,
        luck=doubt.luck,
        inputs=budget_inputs(found.budget, profiles, parameters.strategies, usual, lifetime),
        options=options,
        switching=turns,
        decision=decide(options, parameters.board, doubt.probability_cash_loss, doubt.staged, turns.sentence if turns else ""),
        reconciliation=reconcile(found.budget, planned, {usual: 1.0}, against_usual),
        later_cash=later_cash(kept, inputs, prices) if worse else None,
        reality=reality_check(lifetime, inputs, parameters.board),
    )
