"""Plain sentences about a budget: the uncomfortable truths, said where they hold, with their numbers."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import partial

from econmodel.parameters.statements import said
from econmodel.programme.after_bleed import NOT_COUNTED
from econmodel.programme.break_even import BreakEven
from econmodel.programme.budget import Budget
from econmodel.programme.capacity import closable_blocks
from econmodel.programme.downside import LEAST_EFFECT, NEW_EQUIPMENT, WORST_THREE, DownsideRow
from econmodel.programme.headline import Headline
from econmodel.programme.inputs import is_change
from econmodel.programme.money.rows import Row
from econmodel.programme.site_budgets import money_by_place
from econmodel.programme.views import PaymentView, bleed_margin
from econmodel.wording import duration, money, number

CAUTION = "This is a planning model for services, not advice for a patient. "

Said = Callable[[float], str]
NO_RETURN = "does not pay for itself"
LESS_GOOD = ("coil_ratio_one", "glue_hr_half", "low_untreated_risk", "beta_blocker_background", "effect_two_years")


def amount(value: float, currency: str) -> str:
    """Round money for a sentence: whole units below 10,000, hundreds above.

    Examples
    --------
    >>> amount(-12345.6, "USD")
    '−$12,300'
    """
    return money(value if abs(value) < 10_000 else round(value, -2), currency)


def uncomfortable_truths(
    budget: Budget, numbers: Headline, views: Mapping[str, PaymentView], rows: Sequence[DownsideRow], volume: BreakEven
) -> list[str]:
    """Say what a decision maker must not overlook.

    Parameters
    ----------
    budget
        Deterministic budget.
    numbers, views, rows, volume
        Its headline, payment views, downside rows and break-even volume.
    """
    if not is_change(budget.inputs):
        return [
            "Nothing is proposed: the proposed mix is today's mix, so there is no programme to pay for.",
            CAUTION + said("standing_short"),
        ]
    cash = partial(amount, currency=budget.inputs.currency)
    return [
        *_result(budget, numbers, volume, cash),
        *_averted_bleeds(views, cash),
        *_views(views, cash),
        *_beds(budget, numbers),
        *_equipment(budget, numbers, rows, cash),
        *not_overlooked(budget, rows, cash),
        *_partners(budget, cash),
        *_waiting(budget),
        *_after_the_end(budget, cash),
        CAUTION + said("standing_short"),
    ]


def not_overlooked(budget: Budget, rows: Sequence[DownsideRow], cash: Said) -> list[str]:
    """Say what a short paper must hold beside its numbers: what the money rests on, and what could go wrong."""
    unknown = [NOT_COUNTED] if budget.inputs.bled else []
    return [*unknown, *_programme_margin(budget, cash), *_less_good(budget, rows), *_downside(budget, rows, cash)]


def verdict(budget: Budget) -> str:
    """Say whether the programme pays for itself in cash, and on what that rests; one that brings bleeds does nothing else."""
    averted = round(float(budget.totals[Row.BLEEDS_AVERTED].mean()), 1)
    if averted < 0:
        return f"brings {number(-averted, 1)} more bleeds than today's mix"
    if budget.npv_cash.mean() >= 0:
        return "pays for itself"
    return "pays for itself only if the staff time it frees counts as money" if budget.npv_with_capacity.mean() >= 0 else NO_RETURN


def _result(budget: Budget, numbers: Headline, volume: BreakEven, cash: Said) -> Iterator[str]:
    years = budget.inputs.n_budget_years
    yield (
        f"Over {duration(years)} the programme {verdict(budget)}: net present value in cash {cash(numbers.npv_cash)}, payback "
        f"{numbers.payback_text}, lowest cumulative cash {cash(numbers.peak_cash)}."
    )
    saved, freed = (float(budget.totals[row].mean()) for row in (Row.BLEED_COST_AVOIDED, Row.TIME_FREED))
    if abs(freed) >= LEAST_EFFECT:
        time = f"staff time worth {cash(abs(freed))} is {'freed' if freed > 0 else 'taken up'}, which moves no budget"
        yield (
            f"Of variable cost, {cash(saved)} of supplies and agency staff leaves the budget; {time}. Counted as money, the net "
            f"present value would be {cash(numbers.npv_with_capacity)}."
        )
    yield f"By volume it {volume.volumes}." if volume.steady_state else f"Break-even volume: {volume.text}."


def _averted_bleeds(views: Mapping[str, PaymentView], cash: Said) -> Iterator[str]:
    """What a bleed averted does to the margin, as the hospital is paid and under per-episode payment."""
    for name in ("as_paid", "per_episode"):
        if name not in views:
            continue
        view = views[name]
        under = f"Under {view.label.lower()}" if name == "per_episode" else "As this hospital is paid"
        averted = view.headline.bleeds_averted
        if averted < 0:
            gain = view.bleed_margin > 0
            harm = ": money that comes from harm is no reason to start" if gain else ""
            yield (
                f"{under} the hospital {'gains' if gain else 'loses'} {cash(abs(view.bleed_margin))} on "
                f"{-averted:.1f} more bleeds than today's mix{harm}."
            )
        elif view.averted_bleed_lowers_margin:
            yield f"{under} {lowered_margin(view, cash)}"
        elif averted:
            raised = cash(view.bleed_margin_per_bleed)
            yield f"{under} each bleed averted brings {raised} in cash: it costs more at the margin than it is paid."


def lowered_margin(view: PaymentView, cash: Said) -> str:
    """Say that averted bleeds lower the margin in cash, and what refill of beds would make it neutral."""
    lost = cash(-view.bleed_margin_per_bleed)
    said = f"each bleed averted loses the hospital {lost} in cash: the payment lost exceeds the cost avoided."
    needed, share, full = view.neutral_refill.per_refilled_day, view.refill_share, view.neutral_refill.at_full_refill
    if needed is not None:
        return (
            f"{said} {cash(needed)} per refilled bed-day, with {share:.0%} of days refilled, would make it neutral; the input is "
            f"{cash(view.refill_contribution)}."
        )
    filled = "" if full is None else f" No released bed is refilled; if all were, {cash(full)} per bed-day would make it neutral."
    return said + filled


def _views(views: Mapping[str, PaymentView], cash: Said) -> Iterator[str]:
    values = {name: view.headline.npv_cash for name, view in views.items()}
    depends = ": the answer depends on how the hospital is paid" if len({v >= 0 for v in values.values()}) > 1 else ""
    yield (
        f"Net present value in cash under per-episode payment {cash(values['per_episode'])}, under a block budget "
        f"{cash(values['block'])}{depends}."
    )


def _programme_margin(budget: Budget, cash: Said) -> Iterator[str]:
    starts, contribution = float(budget.totals[Row.STARTS].mean()), float(budget.totals[Row.PROPHYLAXIS_CONTRIBUTION].mean())
    if starts and contribution < 0:
        yield (
            f"The programme's own work loses {cash(-contribution / starts)} per patient before any bleed is "
            f"averted: its income does not cover its variable cost."
        )
    surveillance = float(budget.memo.surveillance_contribution.sum(axis=1).mean())
    if surveillance > contribution > 0:
        yield (
            f"Surveillance examinations bring {cash(surveillance)} of contribution, and treatment itself loses "
            f"{cash(surveillance - contribution)}: it falls away if they are done elsewhere, less often or not paid."
        )
    elif contribution > 0 and surveillance > 0.5 * contribution:
        yield (
            f"{surveillance / contribution:.0%} of the programme's own contribution comes from surveillance examinations, "
            f"not from treatment; it falls away if they are done elsewhere, less often or not paid."
        )


def _less_good(budget: Budget, rows: Sequence[DownsideRow]) -> Iterator[str]:
    worse = [row for row in rows if row.key in LESS_GOOD]
    better = [row for row in worse if row.npv_cash_change > 0]
    if better and bleed_margin(budget) < 0 < budget.totals[Row.BLEEDS_AVERTED].mean():
        yield (
            f"The money looks better in {len(better)} of {len(worse)} cases in which the treatment does less good: "
            "averted bleeds cost this hospital margin, so a good net present value is no evidence that patients gain."
        )


def _beds(budget: Budget, numbers: Headline) -> Iterator[str]:
    beds, days = numbers.beds_in_last_year, numbers.bed_days_released
    if days < 0.5:
        used = f": it uses {number(-days)} more than it saves" if days <= -0.5 else ""
        yield f"The programme releases no bed-days{used}."
        return
    blocks = float(closable_blocks(budget).mean())
    closing = "no block of beds can be closed" if blocks < 1 else f"{blocks:.0f} block(s) of beds could be closed"
    yield (f"Bed-days released ({number(days)} over the budget, {beds:.2f} beds in the last year) are capacity, not cash: {closing}.")


def _equipment(budget: Budget, numbers: Headline, rows: Sequence[DownsideRow], cash: Said) -> Iterator[str]:
    new = next(row for row in rows if row.key == NEW_EQUIPMENT)
    starts = numbers.patients_per_year
    if new.npv_cash < 0:
        rests = (
            "" if budget.inputs.capital_basis == "purchase" else "; the case rests on a share of equipment the hospital already has"
        )
        yield f"New equipment does not pay at {starts:.1f} starts a year (net present value {cash(new.npv_cash)}){rests}."


def _downside(budget: Budget, rows: Sequence[DownsideRow], cash: Said) -> Iterator[str]:
    worse = [row for row in rows if row.key != WORST_THREE and row.npv_cash_change < -LEAST_EFFECT]
    together = next(row for row in rows if row.key == WORST_THREE)
    named = ", ".join(row.label[0].lower() + row.label[1:] for row in worse if row.key in together.worst)
    worst = f"; the worst together ({named}) give {cash(together.npv_cash)}" if len(together.worst) > 1 else ""
    if budget.npv_cash.mean() < 0:
        yield f"The net present value is below zero before anything goes wrong{worst}."
    elif worse:
        losing = sum(row.npv_cash < 0 for row in worse)
        yield (
            f"{losing} of {len(worse)} things that could go wrong {'leaves' if losing == 1 else 'leave'} a net present "
            f"value below zero{worst}."
        )


def _partners(budget: Budget, cash: Said) -> Iterator[str]:
    """What each partner site gains or loses in cash, and all places together."""
    places = money_by_place(budget)
    if places:
        said = [
            f"{place.name} {'loses' if place.npv_cash.mean() < 0 else 'gains'} {cash(abs(float(place.npv_cash.mean())))}"
            for place in places[1:-1]
        ]
        yield (
            f"Partners, whose patients are treated here, in cash over the same years: {', '.join(said)}; all places together "
            f"{cash(float(places[-1].npv_cash.mean()))}. The figures of the programme are the hub's."
        )


def _waiting(budget: Budget) -> Iterator[str]:
    longest = float(budget.intake.waiting.mean(axis=0).max())
    if longest >= 0.5:
        bleeds = float(budget.intake.bleeds_waiting.sum(axis=1).mean())
        yield (
            f"Up to {longest:.1f} patients wait for a slot at the rates of current care; {bleeds:.2f} bleeds are "
            f"expected among those who wait."
        )


def _after_the_end(budget: Budget, cash: Said) -> Iterator[str]:
    after = budget.after_the_end
    exit_cost, duty, value = (cash(abs(float(worth.mean()))) for worth in (after.exit_cost, after.duty, after.run_off))
    costs = f"{exit_cost} and {duty} of follow-up owed" if after.duty.mean() >= LEAST_EFFECT else exit_cost
    if budget.inputs.closes:
        yield f"The budget ends with a closure: debts collected, equipment sold, at a cost of {costs} in present value."
    else:
        yield (
            f"The programme is counted as going on: debts stay owed and equipment stands at its book value. To close it then would "
            f"cost {costs} in present value, which is outside the net present value."
        )
    if months := budget.activity.run_off.shape[1]:
        brings = f"bring {value} more" if after.run_off.mean() >= 0 else f"take {value} of"
        yield (
            f"Patients started within the budget {brings} net contribution in the {duration(months / 12)} after it "
            f"(present value); this is outside the net present value."
        )
