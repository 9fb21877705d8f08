"""Solve a claim: what its figures leave possible together, what contradicts what, and what the costs make of it.

A figure at odds with stronger ones is set aside, and said. Costs are in units of one bleed admission: a course costs
``ratio``, an averted bleed saves ``admissions``.
"""

from __future__ import annotations

import math
from typing import Literal

from econmodel.evidence.claims.conflicts import Conflict, in_words, set_aside
from econmodel.evidence.claims.figures import DIFFERENCES, RATIOS, Figure
from econmodel.evidence.claims.inputs import Stated
from econmodel.evidence.claims.joint import Joint, joint_solution, meets
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
        Which figures lead: ``risks``, ``nnt`` beside one risk, ``nnt alone``, or ``none``.
    joint
        What the figures kept leave possible.
    treated, untreated, arr
        Risks and their difference, untreated less treated: face value and range.
    relative_risk, rate_ratio
        Ratio of the risks, and of the constant rates that give them.
    break_even_nnt, per_bleed_averted, per_patient
        NNT below which the course saves, and net costs in bleed costs.
    saves, certain
        Whether the NNT is to benefit and below the break-even NNT at face value; whether that holds all over the ranges.
    conditions
        What would make the course save, one figure at a time; None where nothing would.
    conflicts, contradictions
        What contradicts what, the plainest first, and a sentence for each.
    aside, compared
        Figures set aside for stronger ones; and those that only cautions look at, being of another kind of number.
    """

    basis: Basis
    joint: Joint
    treated: Span | None
    untreated: Span | None
    arr: Span | None
    relative_risk: Span | None
    rate_ratio: Span | None
    break_even_nnt: Span | None
    saves: bool | None
    certain: bool
    per_bleed_averted: Span | None
    per_patient: Span | None
    conditions: dict[str, float | None]
    conflicts: tuple[Conflict, ...]
    contradictions: tuple[str, ...]
    aside: tuple[Figure, ...]
    compared: tuple[Figure, ...]


def solve(stated: Stated) -> Solution:
    """Work a claim out.

    Parameters
    ----------
    stated
        The claim, read and checked.
    """
    used, compared = _bearing(stated)
    kept, gone, conflicts = set_aside(used, stated.sizes)
    joint = joint_solution(kept, stated.sizes) or Joint(None, None, None, None)
    treated, untreated, arr = joint.p1, joint.p0, joint.arr
    ratio, admissions = stated.ratio, stated.admissions
    break_even = combine(lambda r, a: a / r, ratio, admissions) if ratio is not None and ratio.low > 0 else None
    saves = None if ratio is None or arr is None else arr.value * admissions.value > ratio.value + 1e-12
    per_patient = combine(lambda r, a, d: r - a * d, ratio, admissions, arr) if ratio is not None and arr else None
    words = [in_words(conflict, used) for conflict in conflicts]
    costs = _ratio_conflict(stated)
    return Solution(
        _basis(kept, arr),
        joint,
        treated,
        untreated,
        arr,
        joint.rr,
        _rate_ratio(treated, untreated),
        break_even,
        saves,
        saves is not None and per_patient is not None and (per_patient.high < -1e-12 if saves else per_patient.low >= -1e-12),
        _per_bleed(ratio, admissions, arr),
        per_patient,
        _conditions(stated, treated, untreated, arr),
        tuple(conflicts),
        (*words, *(() if costs is None else (costs,))),
        tuple(gone),
        compared,
    )


def agrees(stated: Stated) -> bool:
    """Say whether the figures of a claim can all be true."""
    return meets(_bearing(stated)[0], stated.sizes)


def _bearing(stated: Stated) -> tuple[list[Figure], tuple[Figure, ...]]:
    """Part the figures that must be met from those that only cautions compare.

    A hazard ratio beside two risks or another ratio is of another kind; so is a pooled or adjusted ratio that crude risks do
    not meet.
    """
    figures = list(stated.figures)
    risks = [f for f in figures if f.kind.split()[0] in ("treated", "untreated")]
    both = len({f.kind.split()[0] for f in risks}) == 2
    crude = stated.claim.crude
    ratios = [f for f in figures if f.kind in RATIOS]
    only = [f for f in ratios if f.kind == "hr" and (both or any(r.kind != "hr" for r in ratios))]
    if both and not crude:
        only += [f for f in ratios if f.kind != "hr" and not meets([*risks, f], stated.sizes)]
    return [f for f in figures if f not in only], tuple(only)


def _basis(kept: list[Figure], arr: Span | None) -> Basis:
    arms = {f.kind.split()[0] for f in kept} & {"treated", "untreated"}
    if arr is None:
        return "none"
    if not any(f.kind in DIFFERENCES for f in kept) or len(arms) == 2:
        return "risks"
    return "nnt" if len(arms) == 1 and any(f.kind == "nnt" for f in kept) else "risks" if len(kept) > 1 else "nnt alone"


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
