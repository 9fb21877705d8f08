"""The verdict on a claim: one line, then at most five sentences that matter.

A statement is certain only where it holds for everything that the printed figures, and the printed costs, leave possible.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from econmodel.evidence.claims.conflicts import in_words
from econmodel.evidence.claims.inputs import Stated
from econmodel.evidence.claims.solution import Solution
from econmodel.evidence.nnt import NO_DIFFERENCE, NumberNeededToTreat, format_nnt, format_nnt_interval
from econmodel.evidence.printed import Span
from econmodel.records import record

MOST = 5


@record
class Verdict:
    """The verdict: its line, whether rounding leaves it certain, by which figures, and the sentences after it."""

    text: str
    certain: bool
    by: str
    sentences: tuple[str, ...]


def give_verdict(
    stated: Stated, solution: Solution, interval: NumberNeededToTreat | None, cautions: Sequence[str], order: str
) -> Verdict:
    """Judge a claim.

    Parameters
    ----------
    stated, solution
        The claim as read and as worked out.
    interval
        Both arms compared by counts, where both have counts.
    cautions
        What deserves a question.
    order
        What was done about the order of the arms, in a sentence; empty where nothing.
    """
    by = {"nnt": "the NNT and one risk", "nnt alone": "the NNT", "risks": "the risks", "none": ""}[solution.basis]
    money = _money(stated, solution)
    conflict = _conflict(stated, solution)
    implied = _implied(solution)
    data, aside = _data(solution, interval), _aside(solution)
    judged = (conflict, money, data, aside, order, implied) if money else (conflict, aside, implied, data, order)
    lines = [line for line in judged if line]
    if not lines:
        lines = [_too_little(stated)]
    shown = [*lines[1:], *cautions]
    more = len(shown) - MOST
    if more > 0:
        shown = [*shown[: MOST - 1], f"{more + 1} more with --show."]
    certain = not solution.conflicts and (
        solution.certain if money else solution.arr is not None and solution.arr.low == solution.arr.high
    )
    return Verdict(lines[0], certain, by, tuple(shown))


def _too_little(stated: Stated) -> str:
    given = " and ".join(f.text for f in stated.figures)
    alone = f"{given} alone does not say how many must be treated" if given else "Too little is stated to judge"
    return f"{alone}: it needs two of treated risk, untreated risk, a ratio and the NNT."


def _conflict(stated: Stated, solution: Solution) -> str:
    if not solution.conflicts:
        return solution.contradictions[0] if solution.contradictions else ""
    first, *others = solution.conflicts
    ours = [f for f in first.figures if f is not first.weakest]
    same = [c for c in others if len(c.figures) == len(first.figures) and all(f in c.figures for f in ours)]
    rest = len(others) - len(same)
    said = in_words(first, stated.figures, [c.weakest for c in same])
    return f"Contradiction: {said}" + (f" {rest} more with --show." if rest else "")


def _aside(solution: Solution) -> str:
    if not solution.aside:
        return ""
    names = " and ".join(f.text for f in solution.aside)
    return f"{names} {'is' if len(solution.aside) == 1 else 'are'} set aside as the weaker; what follows stands on the rest."


def _implied(solution: Solution) -> str:
    arr, one, other = solution.arr, solution.treated, solution.untreated
    if arr is None:
        return ""
    if one is None or other is None:
        return f"A difference of {_range(arr, 100)} points; without a risk beside it nothing more follows."
    tables = solution.joint.tables
    who = f"treated {_range(one, 100)}%, untreated {_range(other, 100)}%"
    ways = (
        f"; {len(tables)} tables of whole patients fit"
        if 1 < len(tables) <= 10
        else "; more than ten tables fit"
        if len(tables) > 10
        else ""
    )
    return f"The figures mean {who}, {100 * arr.value:.1f} points apart: {format_nnt(arr.value)}{_nnt_range(arr)}{ways}."


def _nnt_range(arr: Span) -> str:
    return "" if arr.high - arr.low < 1e-9 else f" ({format_nnt_interval(arr.low, arr.high)})"


def _range(span: Span, scale: float) -> str:
    low, value, high = (f"{scale * x:.1f}" for x in (span.low, span.value, span.high))
    return value if low == high else f"{value} ({low} to {high})"


def _money(stated: Stated, solution: Solution) -> str:
    """Say whether the course saves, and whether rounding leaves that certain."""
    ratio, even, arr = stated.ratio, solution.break_even_nnt, solution.arr
    if ratio is None or arr is None or solution.saves is None:
        return ""
    if arr.value <= 0:
        return "The course does not save: no bleed is averted."
    if even is None:
        return "A course that costs nothing saves with any benefit."
    says = "saves" if solution.saves else "does not save"
    low, high = 1 / arr.high, 1 / arr.low if arr.low > 0 else math.inf
    against = f"NNT {_ends(low, 1 / arr.value, high)} against a break-even NNT of {_ends(even.low, even.value, even.high)}"
    number = stated.nnt
    printed = number is not None and solution.basis == "risks" and number.value > 0 and (number.value < even.value) != solution.saves
    own = f"; by its risks, not by its printed NNT {number.value:g}" if printed and number is not None else ""
    if solution.certain:
        return f"The course {says} by itself, whatever the rounding: {against}{own}."
    ends = (f"{max(low, even.low):.2f}", f"{min(high, even.high):.2f}")
    undecided = f"{f'from {ends[0]} to {ends[1]}' if ends[0] != ends[1] else f'about {ends[0]}'} rounding does not decide"
    return f"At face value the course {says} by itself: {against}{own}; {undecided}."


def _ends(low: float, value: float, high: float) -> str:
    return (
        f"{value:.2f}" if high - low < NO_DIFFERENCE else f"{value:.2f} ({low:.2f} to {f'{high:.2f}' if math.isfinite(high) else '∞'})"
    )


def _data(solution: Solution, interval: NumberNeededToTreat | None) -> str:
    """Set Newcombe's interval beside the break-even."""
    even = solution.break_even_nnt
    if interval is None or interval.arr_low is None or interval.arr_high is None:
        return ""
    if even is None:
        open_ended = ": no effect and harm are not excluded" if interval.arr_low < 0 < interval.arr_high else ""
        return f"The 95% interval of the NNT is {interval.interval_text} (Newcombe){open_ended}."
    needed = 1 / even.value
    says = (
        "holds the break-even: the data cannot tell"
        if interval.arr_low < needed < interval.arr_high
        else f"lies wholly {'below' if interval.arr_low >= needed else 'above'} the break-even"
    )
    return f"The 95% interval of the NNT, {interval.interval_text} (Newcombe), {says}."
