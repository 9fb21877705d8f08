"""The decision: one sentence on cash, benefit and harm, and what a board is asked for, which follows the result.

Approve: no cash is lost, the chance of a loss is at most a quarter, and no other option averts as many bleeds for less. In stages:
the board has said what it would pay for one bleed averted, and the proposal asks no more. Else not on these numbers.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from functools import partial
from typing import Any

from econmodel.arrays import known
from econmodel.parameters.board import ACCEPTED, AUTHOR, DECISION
from econmodel.programme.after_bleed import NOT_COUNTED
from econmodel.programme.options import BEHIND, MORE_HARM, Appraisal, OptionRow
from econmodel.programme.sentences import amount
from econmodel.programme.staged import DECIDED_AT, Staged
from econmodel.records import record
from econmodel.wording import duration, lower, number

LOSS_ACCEPTED = 0.25
APPROVE, STAGES, NOT_NOW, NOTHING, BY_AUTHOR = "approve", "in_stages", "not_on_these_numbers", "nothing", "author"


@record
class Decision:
    """What the options come to.

    Attributes
    ----------
    does
        What the proposal does in cash, for whom and at what harm.
    conditions
        What would turn it, and a first step where there is one.
    order
        Options that nothing beats in cash, and where the proposal stands.
    asked
        :data:`APPROVE`, :data:`STAGES`, :data:`NOT_NOW`, :data:`NOTHING` (the proposal averts no bleeds) or :data:`BY_AUTHOR`.
    why
        What speaks against approving.
    staged
        The programme in stages; None where the board has not said what a bleed averted is worth to it, or without draws.
    text
        What is asked, in words.
    """

    does: str
    conditions: str
    order: str
    asked: str
    why: tuple[str, ...]
    staged: Staged | None
    text: str

    @property
    def sentence(self) -> str:
        """What the proposal does, and on what conditions."""
        return " ".join(filter(None, (self.does, self.conditions)))

    def to_json(self) -> dict[str, Any]:
        """Give the decision for JSON."""
        told = {name: value for name, value in vars(self).items() if name not in ("does", "conditions")}
        staged = None if self.staged is None else vars(self.staged)
        return {"sentence": self.sentence} | told | {"why": list(self.why), "staged": staged}


def decide(found: Appraisal, board: Mapping[str, Any], chance: float | None, staged: Staged | None, turns: str = "") -> Decision:
    """Say what the options come to.

    Parameters
    ----------
    found
        The options.
    board
        What the hospital's file says for its board.
    chance
        Chance of a loss in cash, inputs and luck; None without draws.
    staged
        The programme in stages.
    turns
        What, alone, would turn the sign of the cash.
    """
    row = found.proposal
    why = tuple(_against(found, chance))
    asked = _asked(row, board, why, staged)
    conditions = " ".join(filter(None, (turns, _first_step(found))))
    return Decision(_does(found, chance), conditions, _order(found), asked, why, staged, _text(asked, found, why, staged, board))


def _asked(row: OptionRow, board: Mapping[str, Any], why: tuple[str, ...], staged: Staged | None) -> str:
    if round(row.bleeds_averted, 1) <= 0:
        return NOTHING
    if board.get(DECISION) == AUTHOR:
        return BY_AUTHOR
    if not why:
        return APPROVE
    each, _ = _price_of_a_bleed(row)
    may = row.standing not in BEHIND or (row.standing != MORE_HARM and "why_this_option" in board)
    return STAGES if may and staged and (each is None or each <= board[ACCEPTED]) else NOT_NOW


def _price_of_a_bleed(row: OptionRow) -> tuple[float | None, str]:
    """What the board's price of a bleed averted is held against: against the option before on the frontier, or against today."""
    return (row.cash_per_bleed, "bleed") if row.standing in BEHIND else (row.cash_per_further_bleed, "further bleed")


def _against(found: Appraisal, chance: float | None) -> Iterator[str]:
    row = found.proposal
    if row.npv_cash < 0:
        yield f"it loses {amount(-row.npv_cash, found.currency)} of cash in present value"
    if chance is not None and chance > LOSS_ACCEPTED:
        yield f"the chance of a loss is {chance:.0%}, above {LOSS_ACCEPTED:.0%}"
    if row.standing in BEHIND:
        yield _beaten(found)


def _beaten(found: Appraisal) -> str:
    """Say what beats the proposal, by name where one option does."""
    row, cash = found.proposal, partial(amount, currency=found.currency)
    better = [one for one in found.frontier if one.bleeds_averted >= row.bleeds_averted and one.npv_cash >= row.npv_cash]
    if row.standing == MORE_HARM or not better:
        return BEHIND[row.standing]
    best = max(better, key=lambda one: one.npv_cash)
    money = f"loses {cash(-best.npv_cash)}" if best.npv_cash < 0 else f"brings {cash(best.npv_cash)}"
    return f"{lower(best.label)} averts {number(best.bleeds_averted, 1)} bleeds and {money}"


def _does(found: Appraisal, chance: float | None) -> str:
    row, cash = found.proposal, partial(amount, currency=found.currency)
    does = "costs" if row.npv_cash < 0 else "brings"
    risk = "" if chance is None else f" (chance of a loss {chance:.0%}, inputs and luck)"
    each = "" if row.cash_per_bleed is None or row.npv_cash >= 0 else f" ({cash(row.cash_per_bleed)} a bleed averted)"
    over = f"{cash(abs(row.npv_cash))} over {duration(found.years)}{risk}"
    bleeds, deaths = _averted(row.bleeds_averted, "bleeds"), _averted(row.bleed_deaths_averted, "deaths from bleeding")
    same = bleeds.split()[0] == deaths.split()[0]
    both = f"{bleeds} and {deaths.split(' ', 1)[1] if same else deaths}"
    start = f"In cash this {does} {over}, {both}{each}"
    if known(row.procedure_deaths) is None:
        return f"{start}. {NOT_COUNTED}"
    return (
        f"{start}; the procedure causes {number(row.procedure_deaths, 1)} deaths, "
        f"{number(row.embolisms, 1)} embolisms and {number(row.harms['ulcer_bleed'], 1)} bleeds."
    )


def _averted(count: float, what: str) -> str:
    return f"averts {number(count, 1)} {what}" if count >= 0 else f"brings {number(-count, 1)} more {what}"


def _first_step(found: Appraisal) -> str:
    """Name, as a first step, an option that nothing beats and nothing blocks, that averts fewer bleeds and loses no cash."""
    row, cash = found.proposal, partial(amount, currency=found.currency)
    steps = [one for one in found.frontier if 0 < one.bleeds_averted < row.bleeds_averted and _sound(one)]
    if row.npv_cash >= 0 or not steps:
        return ""
    step = max(steps, key=lambda one: one.bleeds_averted)
    return (
        f"A first step to weigh: {lower(step.label)}, {number(step.bleeds_averted, 1)} bleeds averted, brings {cash(step.npv_cash)}."
    )


def _sound(one: OptionRow) -> bool:
    """Whether an option loses no cash, at no more than the chance accepted, and can be done."""
    return one.npv_cash >= 0 and (one.probability_cash_loss or 0.0) <= LOSS_ACCEPTED and not one.blocked_by


def _order(found: Appraisal) -> str:
    named = [lower(row.label.split(":")[0]) for row in found.frontier]
    stands = BEHIND.get(found.proposal.standing)
    where = "The proposal is among them" if stands is None else f"The proposal is ranked behind: {_beaten(found)}"
    return f"No other beats on both cash and bleeds, in order of bleeds averted: {', '.join(named)}. {where}."


def _text(asked: str, found: Appraisal, why: tuple[str, ...], staged: Staged | None, board: Mapping[str, Any]) -> str:
    """What the board is asked for, with the cash it takes."""
    row, cash = found.proposal, partial(amount, currency=found.currency)
    if asked == NOTHING:
        does = "averts no bleeds" if round(row.bleeds_averted, 1) == 0 else "brings more bleeds than today's mix"
        return f"none: as entered, the programme {does}."
    if asked == BY_AUTHOR:
        return "________ (left to the author)."
    need = cash(-row.peak_cash)
    if asked == APPROVE:
        back = (
            "before it pays back" if row.payback_years is not None else f"not all of which comes back within {duration(found.years)}"
        )
        return f"start the programme, with up to {need} of cash, {back}."
    if asked == STAGES and staged:
        return (
            f"start in stages: {cash(-staged.outlay)} of cash in the first year; {_stop(staged, cash)}.{_within(found, board, cash)}"
        )
    return f"these numbers do not support approval: {'; '.join(why)}. It would take up to {need} of cash."


def _within(found: Appraisal, board: Mapping[str, Any], cash: Callable[[float], str]) -> str:
    row = found.proposal
    each, one = _price_of_a_bleed(row)
    before = [lower(other.label) for other in found.frontier if other.bleeds_averted < row.bleeds_averted]
    beyond = f" beyond {before[-1]}" if before and row.standing not in BEHIND else ""
    return (
        ""
        if each is None
        else f" Each {one} averted{beyond} costs {cash(each)}, within the {cash(board[ACCEPTED])} that the board set."
    )


def _stop(staged: Staged, cash: Callable[[float], str]) -> str:
    full, ruled = cash(staged.npv_full), cash(staged.npv_staged)
    mean = "mean cash over the draws"
    if staged.stop_number is None:
        why = f"a look at month {DECIDED_AT} saves no cash, as no count of bleeds by then would speak for stopping"
        return f"{why}: {mean} {full} either way, none for doing nothing"
    return (
        f"intake stops at {staged.stop_number} or more {staged.counted} in those treated by month {DECIDED_AT} "
        f"(chance {staged.probability_stopping:.0%}); {mean} {full} without this rule, {ruled} with it, none for doing nothing"
    )
