"""Solve a claim: from the stated figures, the rest, with the range rounding allows, and what contradicts what.

Which figures lead (``basis``):

- ``risks``: both risks, where both have counts, or no NNT is stated, or the NNT contradicts them;
- ``nnt``: the NNT and one risk give the other risk (also where a printed untreated risk agrees with them);
- ``nnt alone`` and ``none``: no risk can be worked out.

Costs are in units of one bleed admission: a course costs ``ratio``, an averted bleed saves ``admissions``.
"""

from __future__ import annotations

import math
from typing import Literal

from econmodel.evidence.claims.inputs import Stated
from econmodel.evidence.printed import Span, combine
from econmodel.evidence.rates import probability_to_rate
from econmodel.records import record

Basis = Literal["risks", "nnt", "nnt alone", "none"]


@record
class Solution:
    """A claim worked out; None where the stated figures do not settle it.

    Attributes
    ----------
    basis
        Which figures lead.
    treated, untreated, arr
        Risks and their difference, untreated less treated.
    relative_risk, rate_ratio
        Ratio of the risks, and of the constant rates that give them.
    break_even_nnt, per_bleed_averted, per_patient
        NNT below which the course saves, and net costs in bleed costs.
    saves
        Whether the NNT is to benefit and below the break-even NNT.
    conditions
        What would make the course save, one figure at a time; None where nothing would.
    contradictions
        Sentences, one for each.
    """

    basis: Basis
    treated: Span | None
    untreated: Span | None
    arr: Span | None
    relative_risk: Span | None
    rate_ratio: Span | None
    break_even_nnt: Span | None
    saves: bool | None
    per_bleed_averted: Span | None
    per_patient: Span | None
    conditions: dict[str, float | None]
    contradictions: tuple[str, ...]


def solve(stated: Stated) -> Solution:
    """Work a claim out.

    Parameters
    ----------
    stated
        The claim, read and checked.
    """
    basis, treated, untreated, arr = _risks(stated)
    ratio, admissions = stated.ratio, stated.admissions
    break_even = combine(lambda r, a: a / r, ratio, admissions) if ratio is not None and ratio.low > 0 else None
    saves = None if ratio is None or arr is None else arr.value * admissions.value > ratio.value + 1e-12
    per_patient = combine(lambda r, a, d: r - a * d, ratio, admissions, arr) if ratio is not None and arr else None
    relative = combine(lambda t, u: t / u, treated, untreated) if treated and untreated and untreated.low > 0 else None
    return Solution(
        basis,
        treated,
        untreated,
        arr,
        relative,
        _rate_ratio(treated, untreated),
        break_even,
        saves,
        _per_bleed(ratio, admissions, arr),
        per_patient,
        _conditions(stated, treated, untreated, arr),
        tuple(_contradictions(stated, treated, untreated)),
    )


def _risks(stated: Stated) -> tuple[Basis, Span | None, Span | None, Span | None]:
    """Choose which figures lead and derive the missing risk."""
    treated, untreated, nnt = stated.treated, stated.untreated, stated.nnt
    if treated and untreated and (nnt is None or stated.untreated_counts or _nnt_conflict(stated) is not None):
        return "risks", treated, untreated, combine(lambda t, u: u - t, treated, untreated)
    if nnt is None:
        return "none", treated, untreated, None
    arr = combine(lambda n: 1.0 / n, nnt)
    if treated:
        return "nnt", treated, _possible(combine(lambda t, d: t + d, treated, arr)), arr
    if untreated:
        return "nnt", _possible(combine(lambda u, d: u - d, untreated, arr)), untreated, arr
    return "nnt alone", None, None, arr


def _possible(risk: Span) -> Span | None:
    """Drop an implied risk outside 0 to 1; the rounding range stops where risks do."""
    inside = -1e-12 <= risk.value <= 1 + 1e-12
    return Span(risk.value, max(risk.low, 0.0), min(risk.high, 1.0)) if inside else None


def _rate_ratio(treated: Span | None, untreated: Span | None) -> Span | None:
    if treated is None or untreated is None or treated.high >= 1 or untreated.high >= 1 or untreated.low <= 0:
        return None
    return combine(lambda t, u: probability_to_rate(t, 1.0) / probability_to_rate(u, 1.0), treated, untreated)


def _per_bleed(ratio: Span | None, admissions: Span, arr: Span | None) -> Span | None:
    """Net cost per bleed averted; undefined where none is averted, without an upper end where rounding allows none."""
    if ratio is None or arr is None or arr.value <= 0:
        return None
    averted = Span(arr.value, max(arr.low, 0.0), arr.high)
    return combine(lambda r, a, d: (r / d if d > 0 else math.inf) - a, ratio, admissions, averted)


def _conditions(stated: Stated, treated: Span | None, untreated: Span | None, arr: Span | None) -> dict[str, float | None]:
    """Work out, one figure at a time and the others held, what would make the course save."""
    found: dict[str, float | None] = {}
    ratio, admissions = stated.ratio, stated.admissions.value
    helps = arr is not None and arr.value > 0
    if ratio is not None and ratio.value > 0:
        needed = ratio.value / admissions
        found["nnt_below"] = 1 / needed if needed <= 1 else None
        found["arr_above"] = needed if needed < 1 else None
        if treated is not None:
            found["untreated_risk_above"] = _as_risk(treated.value + needed)
        if treated is not None and untreated is not None and untreated.value > 0:
            kept = 1 - treated.value / untreated.value
            found["untreated_risk_above_at_same_relative_risk"] = _as_risk(needed / kept) if kept > 0 else None
        found["admissions_saved_above"] = ratio.value / arr.value if arr is not None and helps else None
    if arr is not None:
        found["course_share_of_bleed_cost_below"] = arr.value * admissions if helps else None
        if stated.bleed_cost is not None:
            found["course_cost_below"] = arr.value * admissions * stated.bleed_cost.value if helps else None
        if stated.course_cost is not None:
            found["bleed_cost_above"] = stated.course_cost.value / (arr.value * admissions) if helps else None
    return found


def _as_risk(value: float) -> float | None:
    return value if 0 <= value < 1 else None


def _contradictions(stated: Stated, treated: Span | None, untreated: Span | None) -> list[str]:
    found = [_nnt_conflict(stated), _impossible_risk(stated, treated, untreated), _ratio_conflict(stated)]
    return [sentence for sentence in found if sentence is not None]


def _nnt_conflict(stated: Stated) -> str | None:
    """Say so when the stated NNT is none that the two stated risks could print as, rounded to nearest or rounded up."""
    treated, untreated, nnt = stated.treated, stated.untreated, stated.nnt
    if treated is None or untreated is None or nnt is None:
        return None
    arr = combine(lambda t, u: u - t, treated, untreated)
    unit = 2 * (nnt.high - nnt.value if nnt.value > 0 else nnt.value - nnt.low)
    low, high = (max(nnt.value - unit, 1.0), nnt.high) if nnt.value > 0 else (nnt.low, min(nnt.value + unit, -1.0))
    if arr.overlaps(combine(lambda n: 1.0 / n, Span(nnt.value, low, high))):
        return None
    gap = f"{100 * untreated.value:.1f}% - {100 * treated.value:.1f}% = {100 * arr.value:.1f} points"
    result = (
        "no difference, so no NNT"
        if arr.value == 0
        else (f"NNT 1/{abs(arr.value):.3f} = {1 / abs(arr.value):.2f}{' to harm' if arr.value < 0 else ''}")
    )
    harm = " to harm" if nnt.value < 0 else ""
    least, most = sorted((abs(nnt.low), abs(nnt.high)))
    return (
        f"The stated risks and NNT contradict each other: {gap} is {result}, not {abs(nnt.value):g}{harm} "
        f"(which, as printed, covers {least:.4g} to {most:.4g})."
    )


def _impossible_risk(stated: Stated, treated: Span | None, untreated: Span | None) -> str | None:
    """Say so when the NNT and one risk need another risk outside 0 to 1."""
    nnt = stated.nnt
    if nnt is None or (treated is not None and untreated is not None) or (treated is None and untreated is None):
        return None
    known, needs = (treated, "untreated") if treated is not None else (untreated, "treated")
    assert known is not None
    implied = known.value + (1 if needs == "untreated" else -1) / nnt.value
    other = "treated" if needs == "untreated" else "untreated"
    return (
        f"An NNT of {nnt.value:g} beside a {other} risk of {100 * known.value:.1f}% needs an {needs} risk of "
        f"{100 * implied:.1f}%: no such risk exists."
    ).replace("an treated", "a treated")


def _ratio_conflict(stated: Stated) -> str | None:
    """Say so when the two stated costs do not give the stated cost ratio."""
    ratio, given = stated.ratio, stated.stated_ratio
    if ratio is None or given is None or ratio is given or ratio.overlaps(given):
        return None
    assert stated.course_cost is not None
    assert stated.bleed_cost is not None
    return (
        f"The stated costs and cost ratio contradict each other: {stated.course_cost.value:g} / "
        f"{stated.bleed_cost.value:g} = {ratio.value:.3g}, not {given.value:g}; the two costs are used."
    )


def finite(value: float | None) -> float | None:
    """Turn an undefined or infinite number into None, and a NumPy number into a plain one."""
    return None if value is None or not math.isfinite(value) else float(value)
