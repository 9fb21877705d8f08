"""Cautions: what deserves a question beside a claim that is no contradiction.

Printed intervals and p values are worked out again by the usual methods on each table the figures allow; a hazard ratio is
set beside the risks; an NNT's interval beside that of its ratio; arms without events, and the order of the arms, are told.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from statistics import NormalDist

import numpy as np

from econmodel.evidence.claims.figures import Figure, Interval, find
from econmodel.evidence.claims.inputs import Stated
from econmodel.evidence.claims.joint import allowed
from econmodel.evidence.claims.solution import Solution
from econmodel.evidence.nnt import format_nnt_interval, newcombe
from econmodel.evidence.printed import Counts
from econmodel.wording import duration

Table = tuple[Counts, Counts]
Ends = tuple[float, float]
LONGEST_FOLLOWED = 15
HAZARD_GAP = 0.1  # relative, beyond what its rounding says


def cautions(stated: Stated, solution: Solution, *, open_order: bool) -> tuple[str, ...]:
    """List the cautions of a claim, in sentences.

    Parameters
    ----------
    stated, solution
        The claim as read and as worked out.
    open_order
        Nothing tells which arm is treated.
    """
    found = [
        _order(solution) if open_order else "",
        _borrowed(stated),
        _time(stated),
        _zero(stated),
        *_other_kind(solution),
        *_intervals(stated, solution),
        _p(stated, solution),
    ]
    return tuple(sentence for sentence in (*found, *_nnt_interval(stated, solution)) if sentence)


def _borrowed(stated: Stated) -> str:
    return "The comparator is borrowed: it has no interval, and neither has the difference." if stated.claim.borrowed else ""


def _time(stated: Stated) -> str:
    years = stated.years
    if years is None:
        return "No time is stated: risks and an NNT mean nothing without the time by which bleeds are counted."
    if years <= LONGEST_FOLLOWED:
        return ""
    asked = f"if {years:g} months are meant, write --years {years:g}/12"
    return f"{duration(years)} is longer than bleeds have been followed in any series read; {asked}."


def _order(solution: Solution) -> str:
    if solution.arr is None or solution.arr.value == 0:
        return ""
    one, other = (100 * r.value for r in (solution.treated, solution.untreated) if r is not None)
    return f"No label says which arm is which: {one:.1f}% is read as treated, {other:.1f}% as untreated. Are they the right way round?"


def _zero(stated: Stated) -> str:
    empty = [c for c in (stated.treated_counts, stated.untreated_counts) if c is not None and c.events in (0, c.n)]
    if not empty:
        return ""
    return (
        f"{' and '.join(map(str, empty))} is an empty cell: the ratio is 0, 1 or without end, and its usual interval does not exist."
    )


def _other_kind(solution: Solution) -> list[str]:
    """Set a hazard ratio, or a pooled or adjusted ratio, beside the risks it was not solved with."""
    found = []
    rate, relative = solution.rate_ratio, solution.relative_risk
    for figure in solution.compared:
        if figure.kind == "hr" and rate is not None:
            if figure.low > rate.high * (1 + HAZARD_GAP) or figure.high < rate.low * (1 - HAZARD_GAP):
                given = f"{figure.text} is not the {rate.value:.2f} that the two risks give at constant rates"
                found.append(f"{given}: ask how deaths and losses were counted.")
        elif figure.kind != "hr" and relative is not None:
            given = f"{figure.text} is not met by the crude risks (relative risk {relative.value:.2f})"
            found.append(f"{given}, as a pooled or adjusted ratio need not be.")
    return found


def _intervals(stated: Stated, solution: Solution) -> list[str]:
    found = []
    for figure in stated.figures:
        if figure.interval is None or figure.kind in ("hr", "nnt") or not solution.joint.tables:
            continue
        z = NormalDist().inv_cdf((1 + figure.interval.level) / 2)
        methods: Mapping[str, Callable[[Counts, Counts, float], Ends | None]] = (
            {"the log method": log_relative_risk}
            if figure.kind == "rr"
            else {"Woolf's method": log_odds_ratio}
            if figure.kind == "or"
            else {"Wald's method": wald, "Newcombe's method": newcombe}
        )
        found.append(_printed_by(figure, figure.interval, solution.joint.tables, methods, z))
    return found


def _printed_by(
    figure: Figure,
    printed: Interval,
    tables: Iterable[Table],
    methods: Mapping[str, Callable[[Counts, Counts, float], Ends | None]],
    z: float,
) -> str:
    nearest: tuple[float, str] | None = None
    for name, method in methods.items():
        for one, other in tables:
            ends = method(one, other, z)
            if ends is None:
                continue
            gap = max(abs(ends[0] - printed.low), abs(ends[1] - printed.high))
            if gap <= printed.unit / 2 + 1e-9:
                return f"The interval of {figure.text} is as printed by {name} on {one} v {other}."
            said = f"{name} on {one} v {other} gives {ends[0]:.3g} to {ends[1]:.3g}"
            nearest = min(nearest, (gap, said)) if nearest else (gap, said)
    if nearest is None:
        return ""
    return f"The interval of {figure.text}, {printed.text}, comes from none of the tables that fit: nearest, {nearest[1]}."


def log_relative_risk(one: Counts, other: Counts, z: float) -> Ends | None:
    """Interval of the relative risk on the log scale; None with an empty arm."""
    if not one.events or not other.events:
        return None
    se = math.sqrt(1 / one.events - 1 / one.n + 1 / other.events - 1 / other.n)
    ratio = one.risk / other.risk
    return ratio * math.exp(-z * se), ratio * math.exp(z * se)


def log_odds_ratio(one: Counts, other: Counts, z: float) -> Ends | None:
    """Woolf's interval of the odds ratio; None with an empty cell."""
    cells = (one.events, one.n - one.events, other.events, other.n - other.events)
    if not all(cells):
        return None
    ratio, se = cells[0] * cells[3] / (cells[1] * cells[2]), math.sqrt(sum(1 / c for c in cells))
    return ratio * math.exp(-z * se), ratio * math.exp(z * se)


def wald(one: Counts, other: Counts, z: float) -> Ends:
    """Wald's interval of the difference, untreated less treated."""
    gap, half = other.risk - one.risk, z * math.sqrt(sum(c.risk * (1 - c.risk) / c.n for c in (one, other)))
    return gap - half, gap + half


def p_values(one: Counts, other: Counts) -> dict[str, float]:
    """Two-sided p of a table by chi-square, chi-square with continuity correction, and Fisher's exact test."""
    n, events = one.n + other.n, one.events + other.events
    if events in (0, n):
        return {"any test": 1.0}
    cross = abs(one.events * (other.n - other.events) - other.events * (one.n - one.events))
    spread = one.n * other.n * events * (n - events)
    plain, corrected = (math.sqrt(n / spread) * max(cross - less, 0.0) for less in (0.0, n / 2))
    first = max(0, events - other.n)
    ways = [_log_ways(one.n, a) + _log_ways(other.n, events - a) for a in range(first, min(one.n, events) + 1)]
    chance = [math.exp(w - max(ways)) for w in ways]
    seen = chance[one.events - first]
    fisher = sum(c for c in chance if c <= seen * (1 + 1e-7)) / sum(chance)
    return {
        "chi-square": math.erfc(plain / math.sqrt(2)),
        "corrected chi-square": math.erfc(corrected / math.sqrt(2)),
        "Fisher's test": fisher,
    }


def _log_ways(n: int, some: int) -> float:
    return math.lgamma(n + 1) - math.lgamma(some + 1) - math.lgamma(n - some + 1)


def _p(stated: Stated, solution: Solution) -> str:
    if stated.claim.p is None or not solution.joint.tables:
        return ""
    sign, text = (stated.claim.p[0], stated.claim.p[1:]) if stated.claim.p[0] in "<>=" else ("=", stated.claim.p)
    value, half = float(text), 0.5 * 10.0 ** -len(text.partition(".")[2])
    values = [(name, p) for table in solution.joint.tables for name, p in p_values(*table).items()]
    fits = [name for name, p in values if (p < value if sign == "<" else p > value if sign == ">" else abs(p - value) <= half + 1e-12)]
    if fits:
        return f"p {sign} {text} is as printed by {fits[0]}."
    name, nearest = min(values, key=lambda pair: abs(pair[1] - value))
    return f"p {sign} {text} comes from none of the usual tests on these counts: nearest, {name} gives {nearest:.2g}."


def _nnt_interval(stated: Stated, solution: Solution) -> list[str]:
    """Turn the interval of the difference, or of a ratio at the untreated risk, into one of the NNT."""
    number = find(stated.figures, "nnt")
    source = next((f for f in stated.figures if f.kind in ("arr", "rr", "or", "hr") and f.interval is not None), None)
    if source is None or source.interval is None or (solution.untreated is None and source.kind != "arr"):
        return []
    ends, risk = (source.interval.low, source.interval.high), solution.untreated.value if solution.untreated is not None else 0.0
    if source.kind != "arr":
        least, most = allowed(replace(source, low=ends[0], high=ends[1]), np.array([risk]))
        ends = (risk - min(float(np.max(most)), 1.0), risk - float(np.max(least)))
    made = format_nnt_interval(*ends)
    said = f"The interval of {source.text}{'' if source.kind == 'arr' else f' at an untreated {100 * risk:.1f}%'} is {made}"
    if number is None or number.interval is None:
        return [f"{said} in patients."]
    low, high = sorted((ends[0], ends[1]))
    printed = sorted(1 / end for end in (number.interval.low, number.interval.high) if end)
    far = any(abs(1 / a - 1 / b) > 0.15 * abs(1 / a) + 1 for a, b in zip((low, high), printed, strict=True) if a and b)
    return [f"{said}, {'not' if far else 'near'} the printed {number.interval.text}{': ask how it was made' if far else ''}."]
