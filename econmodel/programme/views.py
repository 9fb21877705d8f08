"""The two pure payment views, beside what the hospital is paid: payment per episode, and a block budget.

Per episode, every payment moves with activity: an averted bleed saves its variable cost and loses its payment. Under
a block no payment moves: an averted bleed is a saving, and the programme's own work brings no income. A refilled bed
earns nothing under a block, so refill is left out there; displaced work keeps its value, since it must be done
elsewhere.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from econmodel.economics.activity import MonthlyProfiles
from econmodel.economics.prices import Prices
from econmodel.programme.budget import Budget, run_budget
from econmodel.programme.headline import Headline, headlines, number_or_none
from econmodel.programme.inputs import ProgrammeInputs
from econmodel.programme.money.levels import price_indices
from econmodel.programme.money.payers import pure_margin
from econmodel.programme.money.rows import MONEY_ROWS, Row, deflator
from econmodel.records import record

LABELS = {"as_paid": "As paid now", "per_episode": "Per-episode payment", "block": "Block budget"}
VIEWS = ("per_episode", "block")
HEADLINES = (
    "npv_cash",
    "npv_with_capacity",
    "irr",
    "payback_years",
    "payback_text",
    "peak_cash",
    "year_3_net_contribution",
    "net_cash",
)


@record
class NeutralRefill:
    """Contribution of a refilled bed-day, in today's money, at which averted bleeds leave the margin unchanged.

    ``per_refilled_day`` at the site's refill share (None where it is 0 or no days are released); ``at_full_refill`` if
    every day released were refilled. Zero or less: averted bleeds raise the margin anyway.
    """

    per_refilled_day: float | None
    at_full_refill: float | None


@record
class PaymentView:
    """The budget under one way of being paid.

    Attributes
    ----------
    bleed_margin
        Margin in cash of the bleeds averted over the budget.
    refill_contribution, refill_share
        Inputs: contribution of a refilled bed-day, and the share of released days that are refilled.
    """

    label: str
    headline: Headline
    totals: dict[Row, float]
    net_cash_by_year: tuple[float, ...]
    bleed_margin: float
    refill_contribution: float
    refill_share: float
    neutral_refill: NeutralRefill

    @property
    def bleed_margin_per_bleed(self) -> float:
        """Margin of a bleed averted; NaN where there is none."""
        averted = self.headline.bleeds_averted
        return self.bleed_margin / averted if averted else np.nan

    @property
    def averted_bleed_lowers_margin(self) -> bool:
        """Whether bleeds are averted at a loss."""
        return self.bleed_margin < 0 < self.headline.bleeds_averted

    def to_json(self) -> dict[str, Any]:
        """Give the view for JSON."""
        numbers = self.headline.to_json()
        return {
            "label": self.label,
            **{name: numbers[name] for name in HEADLINES},
            "totals": self.totals,
            "net_cash_by_year": list(self.net_cash_by_year),
            "bleeds_averted": self.headline.bleeds_averted,
            "bleed_margin": self.bleed_margin,
            "bleed_margin_per_bleed": number_or_none(self.bleed_margin_per_bleed),
            "averted_bleed_lowers_margin": self.averted_bleed_lowers_margin,
            "refill_contribution_input": self.refill_contribution,
            "refill_share_input": self.refill_share,
            "neutral_refill_per_refilled_day": self.neutral_refill.per_refilled_day,
            "neutral_refill_at_full_refill": self.neutral_refill.at_full_refill,
        }


def view_inputs(inputs: ProgrammeInputs, view: str) -> ProgrammeInputs:
    """Set the inputs to one view: ``per_episode`` or ``block``."""
    if view == "per_episode":
        return inputs.changed(margin_everywhere=1.0)
    return inputs.changed(margin_everywhere=0.0, share_bed_refill=0.0)


def own_view(inputs: ProgrammeInputs) -> str:
    """Name the view the site's payers amount to: ``per_episode``, ``block``, or ``as_paid`` for anything else.

    A block budget with refilled beds that earn something is not the pure view, in which they earn nothing.
    """
    margin, refilled = pure_margin(inputs), bool((inputs.share_bed_refill * inputs.c_refill_contribution).any())
    return "per_episode" if margin == 1.0 else "block" if margin == 0.0 and not refilled else "as_paid"


def other_views(inputs: ProgrammeInputs) -> tuple[str, ...]:
    """Name the views that are not the site's own: one, or both where its payers are a mixture."""
    return tuple(view for view in VIEWS if view != own_view(inputs))


def bleed_margin(budget: Budget) -> float:
    """Margin in cash of the bleeds averted over the budget: variable cost avoided less income lost, R7 - R8 (mean)."""
    return float((budget.totals[Row.BLEED_COST_AVOIDED] - budget.totals[Row.BLEED_INCOME_LOST]).mean())


def neutral_refill(budget: Budget) -> NeutralRefill:
    """Find the refill contribution per bed-day at which R7 - R8 + R9 = 0 over the budget.

    Notes
    -----
    R9 is linear in the contribution: ``sum_t R20[t] x tariff[t] x refill share x contribution`` (deflated under the
    real basis), so ``contribution = (R8 - R7) / sum_t R20[t] x tariff[t] x refill share``.
    """
    inputs = budget.inputs
    level = price_indices(inputs).monthly().tariff / deflator(inputs)
    days = float((budget.months[Row.BED_DAYS] * level).sum(axis=1).mean())
    lost = -bleed_margin(budget)
    share = float(inputs.share_bed_refill.mean())
    full = lost / days if days > 0 else None
    return NeutralRefill(None if full is None or share == 0 else full / share, full)


def payment_views(budget: Budget, profiles: MonthlyProfiles, prices: Prices, categories: Mapping[str, str]) -> dict[str, PaymentView]:
    """Run both views, beside the budget itself where the site's payers are a mixture of the two.

    Returns
    -------
    dict
        ``as_paid`` (a mixture only), ``per_episode`` and ``block``.
    """
    runs = {view: run_budget(view_inputs(budget.inputs, view), profiles, prices, categories) for view in VIEWS}
    mixture = {"as_paid": budget} if own_view(budget.inputs) == "as_paid" else {}
    shown = mixture | runs
    found = headlines(list(shown.values()))
    return {view: describe_view(run, view, numbers) for (view, run), numbers in zip(shown.items(), found, strict=True)}


def describe_view(budget: Budget, view: str, numbers: Headline) -> PaymentView:
    """Give one view as plain numbers (means over draws)."""
    totals = budget.totals
    return PaymentView(
        label="As contracted" if view == "as_paid" and budget.inputs.contracts else LABELS[view],
        headline=numbers,
        totals={row: float(totals[row].mean()) for row in MONEY_ROWS},
        net_cash_by_year=tuple(float(v) for v in budget.years[Row.NET_CASH].mean(axis=0)[1:]),
        bleed_margin=bleed_margin(budget),
        refill_contribution=float(np.mean(budget.inputs.c_refill_contribution)),
        refill_share=float(np.mean(budget.inputs.share_bed_refill)),
        neutral_refill=neutral_refill(budget),
    )
