"""The claim check: what stated figures imply, what contradicts what, and what would make "saves money" true.

Takes a :class:`Claim` with any of the two risks or counts, NNT, horizon and costs; gives a :class:`ClaimCheck` whose
``to_dict`` is the contract of ``econmodel nnt --json``. Costs are in units of one bleed admission. A curve of untreated
risk by time, such as the model's, is passed in by the caller; nothing here runs the model.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from econmodel.evidence.claims.inputs import Claim, Stated, read_claim
from econmodel.evidence.claims.sentences import percent, write_sentences
from econmodel.evidence.claims.solution import Solution, finite, solve
from econmodel.evidence.nnt import NumberNeededToTreat, nnt_from_counts, nnt_kind
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
        The check in words.
    """

    stated: Stated
    solution: Solution
    interval: NumberNeededToTreat | None
    counts: tuple[Counts, ...]
    model_years: float | None
    sentences: tuple[str, ...]

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
        }


def check_claim(claim: Claim, untreated_curve: RiskCurve | None = None, *, curve_years: float = 40.0) -> ClaimCheck:
    """Check a claim.

    Parameters
    ----------
    claim
        The stated parts; each is optional.
    untreated_curve
        Cumulative untreated risk by a time in years, never falling, such as the model's; None to leave it out.
    curve_years
        How far the curve may be asked.

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
    stated = read_claim(claim)
    solution = solve(stated)
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
    return ClaimCheck(stated, solution, interval, counts, met, write_sentences(stated, solution, interval, counts, sentence))


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
