"""Plain sentences about a budget: the uncomfortable truths, said where they hold, with their numbers."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import partial
from typing import Any

from econmodel.parameters.money import money, number
from econmodel.programme.break_even import BreakEven
from econmodel.programme.budget import Budget
from econmodel.programme.capacity import closable_blocks
from econmodel.programme.downside import NEW_EQUIPMENT, WORST_THREE, DownsideRow
from econmodel.programme.headline import headline
from econmodel.programme.views import bleed_margin

CAUTION = ("This is a planning model for services, not advice for a patient. No guideline read makes an endoscopic "
           "option standard for primary prophylaxis; harms stand beside benefits in every summary.")

Said = Callable[[float], str]
LESS_GOOD = ("coil_ratio_one", "glue_hr_half", "low_untreated_risk", "beta_blocker_background", "effect_two_years")


def amount(value: float, currency: str) -> str:
    """Round money for a sentence: whole units below 10,000, hundreds above.

    Examples
    --------
    >>> amount(-12345.6, "USD")
    '−$12,300'
    """
    return money(value if abs(value) < 10_000 else round(value, -2), currency)


def uncomfortable_truths(budget: Budget, views: Mapping[str, Mapping[str, Any]], rows: Sequence[DownsideRow],
                         volume: BreakEven) -> list[str]:
    """Say what a decision maker must not overlook.

    Parameters
    ----------
    budget
        Deterministic budget.
    views, rows, volume
        Its payment views, downside rows and break-even volume.
    """
    cash = partial(amount, currency=budget.inputs.currency)
    return [*_result(budget, volume, cash), *_averted_bleeds(views, cash), *_programme_margin(budget, cash), *_beds(budget),
            *_equipment(budget, rows, cash), *_downside(budget, rows, cash), *_waiting(budget), *_run_off(budget, cash),
            CAUTION]


def _result(budget: Budget, volume: BreakEven, cash: Said) -> Iterator[str]:
    years = budget.inputs.n_budget_years
    numbers = headline(budget)
    verdict = "pays for itself" if numbers["npv"] >= 0 else "does not pay for itself"
    yield (f"Over {years} years the programme {verdict}: net present value {cash(numbers['npv'])}, payback "
           f"{numbers['payback_text']}, lowest cumulative cash {cash(numbers['peak_cash'])}.")
    yield f"Break-even volume: {volume.text}."
    if volume.searched is not None and volume.sustained != volume.searched:
        later = "at no volume searched" if volume.sustained is None else f"from {volume.sustained:.1f} starts a year"
        yield f"A step in cost pushes the net present value below zero again; it stays at or above zero {later}."


def _averted_bleeds(views: Mapping[str, Mapping[str, Any]], cash: Said) -> Iterator[str]:
    episode, block = views["per_episode"], views["block"]
    if episode["averted_bleed_lowers_margin"]:
        yield (f"Under per-episode payment each bleed averted lowers the hospital's margin by "
               f"{cash(-episode['bleed_margin_per_bleed'])}: the payment lost exceeds the cost avoided.")
        full, given = episode["neutral_refill_at_full_refill"], episode["neutral_refill_per_refilled_day"]
        if full is not None:
            share = episode["refill_share_input"]
            at_share = f"; at the refill share of {share:.0%}, {cash(given)} per refilled bed-day" if given else ""
            yield (f"A refill contribution of {cash(full)} per bed-day released would make it neutral{at_share}; "
                   f"the input is {cash(episode['refill_contribution_input'])} per refilled bed-day.")
    elif episode["bleed_margin_per_bleed"] is not None:
        yield (f"Even under per-episode payment a bleed averted raises the margin by "
               f"{cash(episode['bleed_margin_per_bleed'])}: it costs more at the margin than it is paid.")
    yield (f"Net present value under per-episode payment {cash(episode['npv'])}, under a block budget "
           f"{cash(block['npv'])}: the answer depends on how the hospital is paid.")


def _programme_margin(budget: Budget, cash: Said) -> Iterator[str]:
    starts, contribution = float(budget.totals["R1"].mean()), float(budget.totals["R6"].mean())
    if starts and contribution < 0:
        yield (f"The programme's own work loses {cash(-contribution / starts)} per patient before any bleed is "
               f"averted: its income does not cover its variable cost.")
    surveillance = float(budget.memo["surveillance_contribution"].sum(axis=1).mean())
    if contribution > 0 and surveillance > 0.5 * contribution:
        share = min(1.0, surveillance / contribution)
        yield (f"{share:.0%} of the programme's own contribution comes from surveillance examinations, not from "
               f"treatment; it falls away if they are done elsewhere, less often or not paid.")


def _beds(budget: Budget) -> Iterator[str]:
    numbers = headline(budget)
    beds, days = numbers["beds_in_last_year"], numbers["bed_days_released"]
    if days <= 0:
        yield f"The programme releases no bed-days: it uses {number(-days)} more than it saves."
        return
    blocks = float(closable_blocks(budget).mean())
    closing = "no block of beds can be closed" if blocks < 1 else f"{blocks:.0f} block(s) of beds could be closed"
    yield (f"Bed-days released ({number(days)} over the budget, {beds:.2f} beds in the last year) are capacity, not "
           f"cash: {closing}.")


def _equipment(budget: Budget, rows: Sequence[DownsideRow], cash: Said) -> Iterator[str]:
    new = next(row for row in rows if row.key == NEW_EQUIPMENT)
    starts = headline(budget)["patients_per_year"]
    if new.npv < 0:
        yield (f"New equipment does not pay at {starts:.1f} starts a year (net present value {cash(new.npv)}); the "
               f"case rests on a share of equipment the hospital already has.")


def _downside(budget: Budget, rows: Sequence[DownsideRow], cash: Said) -> Iterator[str]:
    single = [row for row in rows if row.key != WORST_THREE]
    better = [row.label for row in single if row.key in LESS_GOOD and row.npv_change > 0]
    if better and bleed_margin(budget) < 0:
        yield (f"The money looks better where the treatment does less good ({'; '.join(better)}): averted bleeds cost "
               f"this hospital margin, so a good net present value is no evidence that patients gain.")
    losing = [row for row in single if row.npv < 0]
    together = next(row for row in rows if row.key == WORST_THREE)
    yield (f"{len(losing)} of {len(single)} things that could go wrong leave a net present value below zero; the three "
           f"worst together give {cash(together.npv)}.")


def _waiting(budget: Budget) -> Iterator[str]:
    longest = float(budget.intake.waiting.mean(axis=0).max())
    if longest >= 0.5:
        bleeds = float(budget.intake.bleeds_waiting.sum(axis=1).mean())
        yield (f"Up to {longest:.1f} patients wait for a slot at the rates of current care; {bleeds:.2f} bleeds are "
               f"expected among those who wait.")


def _run_off(budget: Budget, cash: Said) -> Iterator[str]:
    months = budget.activity.run_off_months
    if months:
        value = float(budget.run_off["R11"].mean())
        yield (f"Patients started within the budget bring {cash(value)} more net contribution in the {months // 12} "
               f"years after it (undiscounted); this is outside the net present value.")
