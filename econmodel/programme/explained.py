"""How each headline number of a programme comes about, from the results that made it: its steps, counts times prices, its inputs.

What moves it is the one-way analysis of the question that stands with it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from econmodel.economics.results import Results
from econmodel.parameters.catalogue import LABELS
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.programme.budget import Budget
from econmodel.programme.intake import FUNNEL_LABELS
from econmodel.programme.money.rows import TO_CONTRIBUTION, Row
from econmodel.programme.money_question import ask_money
from econmodel.programme.report import ProgrammeResult
from econmodel.records import record
from econmodel.uncertainty.deterministic import Asked, ask
from econmodel.wording import lower

WITHOUT_SUM = (Row.PROPHYLAXIS_INCOME, Row.PROPHYLAXIS_COST, *TO_CONTRIBUTION[1:])
TO_CASH = (Row.STEP_COST, Row.FIXED_COST, Row.TAX, Row.WORKING_CAPITAL, Row.CAPITAL)
LEAST = 1e-9
FloatArray = NDArray[np.float64]


@record
class Step:
    """One step of the arithmetic: what it is, its number, and how it is told: ``money``, ``count``, ``share`` or ``nnt``."""

    label: str
    value: float | None
    told: str


@record
class Counted:
    """One activity, proposed mix less today's over the budget, and what one is paid and costs in cash, at prices of the price year."""

    label: str
    number: float
    payment: float
    cost: float

    @property
    def money(self) -> float:
        """Number times what one brings."""
        return self.number * (self.payment - self.cost)


@record
class Explanation:
    """How one number comes about; ``inputs`` stand in its steps, ``moved_by`` asks what moves it, ``words`` say it without numbers."""

    steps: tuple[Step, ...] = ()
    counted: tuple[Counted, ...] = ()
    inputs: tuple[str, ...] = ()
    moved_by: Asked | None = None
    words: tuple[str, ...] = ()


def explain(parameters: ParameterSet, results: Results, programme: ProgrammeResult, year: int) -> tuple[Explanation, ...]:
    """Explain the eight headline numbers, in their order; the NNT is that at ``year``.

    Patients a year, NNT, bleeds and deaths averted, cash NPV, procedure deaths and embolisms, peak cash, break-even, certainty.
    """
    found, lead, saved = programme.headline, results.lead, programme.savings
    versus = next((key for key in results.beside if key != lead), lead)
    compared = lead != versus
    money, lowest = ask_money(parameters), ask_money(parameters, "peak_cash")
    mixes = programme.basis.proposed_mix.items() | programme.basis.current_mix.items()
    given = [row for key, row in parameters.strategies.items() if any(share for name, share in mixes if name == key)]
    harms = tuple(dict.fromkeys(name for row in given for name in (row.p_death_course, *row.complications.values()) if name))
    row = parameters.strategies[lead]
    return (
        Explanation(_patients(programme), inputs=(*FUNNEL_LABELS, "r_growth", "n_backlog", "ratio_volume")),
        Explanation(_nnt(results, versus, year), moved_by=ask(parameters, lead, versus, "nnt") if compared else None),
        Explanation(_bleeds(programme), moved_by=ask(parameters, lead, versus, "bleeds") if compared else None),
        Explanation(_cash(programme), counted(programme.budget), moved_by=money),
        Explanation(
            (Step("Treatment sessions more than today", programme.totals[Row.SESSIONS], "count"), *_harms(saved.harms_added)),
            inputs=harms,
        ),
        Explanation((*_cumulative(programme), Step("Lowest at the end of any month", found.peak_cash, "money")), moved_by=lowest),
        Explanation(_break_even(programme), moved_by=money),
        Explanation(words=tuple(part for part in (row.evidence_note, row.harms_note) if part)),
    )


def counted(budget: Budget) -> tuple[Counted, ...]:
    """Counts times prices: every activity of which the proposed mix has more or fewer than today's, and that money stands on."""
    change, money = budget.activity.change.mean(axis=0), budget.money
    harms_paid = np.where(money.is_harm, budget.inputs.share_harms_paid.mean(), 1.0)
    paid, costs = (_by_month(unit, len(change)) for unit in (money.income * harms_paid, money.variable_cost * money.cash_share))
    numbers = change.sum(axis=0)
    rows = []
    for a, name in enumerate(budget.activity.activities):
        if abs(number := float(numbers[a])) > LEAST:
            payment, cost = (float(change[:, a] @ unit[:, a]) / number for unit in (paid, costs))
            rows.append(Counted(LABELS[name], number, payment, cost))
    return tuple(row for row in rows if row.payment or row.cost)


def _by_month(unit: FloatArray, months: int) -> FloatArray:
    """Money of a unit by month, (month, activity): the same in all, or that of its year."""
    mean = unit.mean(axis=0)
    return np.asarray(np.repeat(mean, months // len(mean), axis=0) if mean.ndim == 2 else np.tile(mean, (months, 1)))


def _patients(programme: ProgrammeResult) -> tuple[Step, ...]:
    found = programme.headline
    funnel = (Step(f"{step.step}: a year in year 1", step.patients_per_year, "count") for step in programme.funnel)
    years = (Step(f"Started in {programme.basis.year_names[y.year]}", y.rows[Row.STARTS], "count") for y in programme.years if y.year)
    return (*funnel, *years, Step(f"Mean of the {found.budget_years} years", found.patients_per_year, "count"))


def _nnt(results: Results, versus: str, year: int) -> tuple[Step, ...]:
    lead = results.lead
    if (against := results.against(versus, lead)) is None:
        return ()
    risks = (
        Step(f"First bleed within {year} years: {lower(results.labels[k])}", results.strategies[k].first_bleed_risk[year], "share")
        for k in (versus, lead)
    )
    shown = against.headline.nnt[year]
    return (
        *risks,
        Step("Risk averted, the difference", shown.arr, "share"),
        Step("One divided by it", 1.0 / shown.arr if shown.arr else None, "nnt"),
    )


def _bleeds(programme: ProgrammeResult) -> tuple[Step, ...]:
    years, saved = programme.bleeds, programme.savings
    return (
        Step("Bleeds of those who start, today's mix", years[-1].cumulative_without, "count"),
        Step("Bleeds of those who start, proposed mix", years[-1].cumulative_with, "count"),
        Step("Bleeds averted, the difference", saved.bleeds_averted, "count"),
        Step("Deaths from bleeding averted, counted likewise", saved.bleeding_deaths_averted, "count"),
    )


def _harms(added: dict[str, float]) -> tuple[Step, ...]:
    return tuple(Step(f"{LABELS[name]}, more than today", number, "count") for name, number in added.items())


def _signed(programme: ProgrammeResult, rows: tuple[Row, ...]) -> tuple[Step, ...]:
    """Rows of the budget in total, what is taken away negative; those of nothing left out."""
    totals = programme.totals
    return tuple(
        Step(f"Less {lower(row.label)}" if row.is_cost else row.label, -totals[row] if row.is_cost else totals[row], "money")
        for row in rows
        if totals[row]
    )


def _cash(programme: ProgrammeResult) -> tuple[Step, ...]:
    found, totals = programme.headline, programme.totals
    return (
        *_signed(programme, WITHOUT_SUM),
        Step("Net contribution, their sum", totals[Row.NET_CONTRIBUTION], "money"),
        *_signed(programme, TO_CASH),
        Step("Net cash, their sum", found.net_cash, "money"),
        Step("Discounted month by month, and what is left at the end", found.npv_cash - found.net_cash, "money"),
        Step("Net present value in cash", found.npv_cash, "money"),
    )


def _cumulative(programme: ProgrammeResult) -> tuple[Step, ...]:
    names = programme.basis.year_names
    return tuple(
        Step(f"Cumulative net cash, end of {names[y.year]}", y.rows[Row.CUMULATIVE_CASH], "money") for y in programme.years if y.year
    )


def _break_even(programme: ProgrammeResult) -> tuple[Step, ...]:
    found, totals = programme.break_even, programme.totals
    owed = totals[Row.NET_CASH] - totals[Row.NET_CONTRIBUTION]
    return (
        Step("Patients a year expected", found.expected, "count"),
        Step("Net contribution of one start, over the budget", found.contribution_per_start, "money"),
        Step("Less fixed cost, equipment, tax and money owed, over the budget", owed, "money"),
        Step("Patients a year from which the value today is 0 or more, searched with steps", found.searched, "count"),
    )
