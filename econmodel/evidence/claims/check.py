"""The claim check: what stated figures imply, what contradicts what, and what would make "saves money" true.

Takes a :class:`Claim` with any of the two risks or counts, NNT, horizon and costs; gives a :class:`ClaimCheck` whose
``to_dict`` is the contract of ``econmodel nnt --json``. Costs are in units of one bleed admission. A curve of untreated
risk by time, such as the model's, is passed in by the caller; nothing here runs the model.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from econmodel.evidence.claims.cautions import cautions
from econmodel.evidence.claims.inputs import Claim, Stated, read_claim
from econmodel.evidence.claims.joint import SHOWN_TABLES
from econmodel.evidence.claims.sentences import percent, write_sentences
from econmodel.evidence.claims.solution import Solution, agrees, finite, solve
from econmodel.evidence.claims.verdict import Verdict, give_verdict
from econmodel.evidence.nnt import NO_DIFFERENCE, NumberNeededToTreat, nnt_from_counts, nnt_kind
from econmodel.evidence.printed import Counts, Span, as_printed, possible_counts
from econmodel.records import record
from econmodel.wording import duration

RiskCurve = Callable[[float], float]
LARGEST_TRIAL = 100


@record
class ClaimCheck:
    """A claim, checked.

    Attributes
    ----------
    stated, solution
        The claim as read and as worked out, with rounding ranges.
    interval
        Newcombe comparison of the two arms, where both have counts.
    counts
        Events/patients that could print the treated percentage (the untreated one where no treated is stated).
    model_years
        Time at which the curve passed in meets the implied untreated risk; None if never, or without a curve.
    sentences
        The arithmetic in words.
    cautions
        What deserves a question, and is no contradiction.
    order
        ``as labelled``, ``as read``, ``as read, borne out`` or ``turned``: which arm is treated.
    verdict
        The judgement in a line, and the sentences that matter.
    unread
        Pieces of a pasted claim that were not read.
    """

    stated: Stated
    solution: Solution
    interval: NumberNeededToTreat | None
    counts: tuple[Counts, ...]
    model_years: float | None
    sentences: tuple[str, ...]
    cautions: tuple[str, ...]
    order: str
    verdict: Verdict
    unread: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Give the check as plain numbers, text and None for what is undefined, ready for JSON."""
        found = self.solution
        arr = found.arr.value if found.arr is not None else None
        number = {"value": None if not arr else abs(1.0 / arr), "kind": None if arr is None else nnt_kind(arr)}
        interval = self.interval
        return {
            "implied": {
                "untreated_risk": _value(found.untreated),
                "treated_risk": _value(found.treated),
                "arr": _value(found.arr),
                "nnt": number,
                "relative_risk": _value(found.relative_risk),
                "rate_ratio": _value(found.rate_ratio),
            },
            "interval": {
                "arr": None if interval is None else [interval.arr_low, interval.arr_high],
                "nnt_text": None if interval is None else interval.interval_text,
            },
            "rounding": {
                "untreated_risk": None if found.untreated is None else [float(found.untreated.low), float(found.untreated.high)]
            },
            "possible_counts": [[c.events, c.n] for c in self.counts],
            "break_even_nnt": _value(found.break_even_nnt),
            "saves": found.saves,
            "net_cost_per_bleed_averted_in_bleed_costs": _value(found.per_bleed_averted),
            "net_cost_per_patient_in_bleed_costs": _value(found.per_patient),
            "conditions_for_saving": {key: finite(value) for key, value in found.conditions.items()},
            "contradictions": list(found.contradictions),
            "sentences": list(self.sentences),
            "inputs_read": [
                {"text": f.text, "kind": f.kind, "value": f.value, "low": f.low, "high": f.high} for f in self.stated.figures
            ],
            "unread": list(self.unread),
            "order": self.order,
            "consistent": self._consistent(),
            "contradiction_sets": [[[f.text for f in c.figures], finite(c.stretch)] for c in found.conflicts],
            "set_aside": [f.text for f in found.aside],
            "cautions": list(self.cautions),
            "verdict": {"text": self.verdict.text, "certain": self.verdict.certain, "by": self.verdict.by},
        }

    def _consistent(self) -> dict[str, Any]:
        joint = self.solution.joint
        shown = [f"{one} v {other}" for one, other in joint.tables] if len(joint.tables) <= SHOWN_TABLES else []
        arr = joint.arr
        nnt = None if arr is None else [finite(1 / x) if abs(x) > NO_DIFFERENCE else None for x in (arr.high, arr.value, arr.low)]
        spans = {"p0": joint.p0, "p1": joint.p1, "arr": arr, "rr": joint.rr}
        ends = {name: None if s is None else [finite(s.low), finite(s.value), finite(s.high)] for name, s in spans.items()}
        return {"is": not self.solution.conflicts, **ends, "nnt": nnt, "tables": shown}


def check_claim(
    claim: Claim, untreated_curve: RiskCurve | None = None, *, curve_years: float = 40.0, unread: Sequence[str] = ()
) -> ClaimCheck:
    """Check a claim.

    Parameters
    ----------
    claim
        The stated parts; each is optional.
    untreated_curve
        Cumulative untreated risk by a time in years, never falling, such as the model's; None to leave it out.
    curve_years
        How far the curve may be asked.
    unread
        Pieces of a pasted claim that were not read.

    Raises
    ------
    ParameterError
        What is stated is impossible: see :func:`econmodel.evidence.claims.inputs.read_claim`.

    Examples
    --------
    >>> check = check_claim(Claim(treated="6/80", nnt=3, cost_ratio=0.5)).to_dict()
    >>> round(check["implied"]["untreated_risk"], 3), check["break_even_nnt"], check["saves"]
    (0.408, 2.0, False)
    """
    stated, solution, order, said = _in_order(claim)
    interval = (
        nnt_from_counts(stated.treated_counts, stated.untreated_counts, years=stated.years)
        if (stated.treated_counts and stated.untreated_counts)
        else None
    )
    counts = _counts_for(stated)
    met = sentence = None
    if untreated_curve is not None and solution.untreated is not None and solution.untreated.value > 0:
        met = time_to_risk(untreated_curve, solution.untreated.value, curve_years)
        sentence = _model_sentence(untreated_curve, solution.untreated.value, met, stated.years, curve_years)
    asked = cautions(stated, solution, open_order=order == "as read" and claim.arms == "v")
    written = write_sentences(stated, solution, interval, counts, sentence)
    verdict = give_verdict(stated, solution, interval, asked, said)
    return ClaimCheck(stated, solution, interval, counts, met, written, asked, order, verdict, tuple(unread))


def _in_order(claim: Claim) -> tuple[Stated, Solution, str, str]:
    """Read and solve, with the arms the other way round where only that agrees with the other figures."""
    stated = read_claim(claim)
    if claim.arms == "labelled":
        return stated, solve(stated), "as labelled", ""
    other = read_claim(claim.swapped())
    as_read, turned = agrees(stated), agrees(other)
    if as_read and turned:  # what a ratio that is only set beside the risks says, decides
        as_read, turned = (not _against(solve(each)) for each in (stated, other))
    if as_read or not turned:
        return stated, solve(stated), "as read" if as_read == turned else "as read, borne out", ""
    first = "untreated" if claim.arms == "v" else "treated"
    return other, solve(other), "turned", f"The first arm is taken as {first}: only so do the other figures agree."


def _against(solution: Solution) -> bool:
    """Whether a ratio beside the risks says that the other arm bleeds more."""
    relative = solution.relative_risk
    return relative is not None and any(f.high < 1 < relative.low or f.low > 1 > relative.high for f in solution.compared)


def time_to_risk(curve: RiskCurve, risk: float, limit: float) -> float | None:
    """Find the time in years at which a curve that never falls meets a risk; None if not by ``limit``.

    Examples
    --------
    >>> round(time_to_risk(lambda years: 1 - 0.8 ** years, 0.36, 40), 6)
    2.0
    """
    from scipy.optimize import brentq

    if risk <= curve(0.0):
        return 0.0
    if curve(limit) < risk:
        return None
    return float(brentq(lambda years: curve(years) - risk, 0.0, limit, xtol=1e-9))


def _model_sentence(curve: RiskCurve, risk: float, met: float | None, years: float | None, limit: float) -> str:
    reach = (
        f"The model's untreated patients reach {percent(risk)} at {met:.1f} years"
        if met is not None
        else f"The model's untreated patients never reach {percent(risk)}: {percent(curve(limit))} by {duration(limit)}"
    )
    return reach + (f"; at the stated {duration(years)} it gives {percent(curve(years))}." if years is not None else ".")


def _counts_for(stated: Stated) -> tuple[Counts, ...]:
    """List the counts behind the treated percentage, or the untreated one where no treated is stated."""
    arms = ((stated.treated_printed, stated.treated_counts), (stated.untreated_printed, stated.untreated_counts))
    for printed, counts in arms:
        if printed is not None or counts is not None:
            risk = printed if printed is not None else as_printed(counts) if counts is not None else None
            listed = possible_counts(risk, LARGEST_TRIAL) if risk is not None else ()
            return (*listed, counts) if counts is not None and counts.n > LARGEST_TRIAL else listed
    return ()


def _value(span: Span | None) -> float | None:
    return None if span is None else finite(span.value)
