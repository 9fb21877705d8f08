"""What a claim states, and its reading into figures with the range that rounding allows.

Every field of :class:`Claim` is optional. Counts read as ``6/80``; risks as 0.41 or 41%; a negative NNT is one to
harm. A cost ratio is the cost of one course of prophylaxis in units of one bleed admission.
"""

from __future__ import annotations

from econmodel.errors import ParameterError
from econmodel.evidence.printed import Counts, Span, combine, parse_counts, parse_number, parse_risk
from econmodel.evidence.rates import check_years
from econmodel.records import record

CountsLike = str | tuple[int, int] | Counts
NumberLike = str | float | Span


@record
class Claim:
    """The stated parts of a claim.

    Attributes
    ----------
    treated, untreated
        Events/patients of each arm.
    treated_risk, untreated_risk
        Cumulative risks as printed.
    nnt
        Number needed to treat as printed; below 0 for harm.
    years
        Horizon of the risks and the NNT.
    cost_ratio
        Cost of a course over the cost of a bleed admission.
    course_cost, bleed_cost
        The two costs, in one currency.
    admissions_saved
        Bleed admissions saved per bleed averted; 1 when not stated, and the check says so.
    sessions
        Sessions in a course.
    course_content, bleed_content
        What each cost is said to include.
    """

    treated: CountsLike | None = None
    untreated: CountsLike | None = None
    treated_risk: NumberLike | None = None
    untreated_risk: NumberLike | None = None
    nnt: NumberLike | None = None
    years: float | None = None
    cost_ratio: NumberLike | None = None
    course_cost: NumberLike | None = None
    bleed_cost: NumberLike | None = None
    admissions_saved: NumberLike | None = None
    sessions: float | None = None
    course_content: str | None = None
    bleed_content: str | None = None


@record
class Stated:
    """A claim read and checked: each figure with its rounding range, counts exact.

    ``treated`` and ``untreated`` come from the counts where there are any; ``ratio`` from the two costs where both are
    given, else as stated.
    """

    claim: Claim
    treated_counts: Counts | None
    untreated_counts: Counts | None
    treated: Span | None
    untreated: Span | None
    treated_printed: Span | None
    untreated_printed: Span | None
    nnt: Span | None
    stated_ratio: Span | None
    course_cost: Span | None
    bleed_cost: Span | None
    admissions: Span

    @property
    def ratio(self) -> Span | None:
        """Course cost in bleed costs."""
        if self.course_cost is not None and self.bleed_cost is not None:
            return combine(lambda course, bleed: course / bleed, self.course_cost, self.bleed_cost)
        return self.stated_ratio

    @property
    def years(self) -> float | None:
        """The stated horizon."""
        return self.claim.years


def read_claim(claim: Claim) -> Stated:
    """Read a claim, refusing what is impossible.

    Raises
    ------
    ParameterError
        Impossible counts, a risk outside 0 to 1 or at odds with the counts beside it, an NNT between -1 and 1, a cost
        below 0, a bleed cost or horizon of 0, or nothing stated at all.
    """
    if claim == Claim():
        what = "nothing is stated: there is no claim to check"
        raise ParameterError(what, fix="give at least one figure, for example --treated 6/80 --nnt 3")
    if claim.years is not None:
        check_years(claim.years, "--years")
    if claim.sessions is not None and not claim.sessions >= 1:
        what = f"sessions = {claim.sessions:g}: a course has at least one"
        raise ParameterError(what, where="--sessions", fix="give sessions per course")
    treated_counts, treated = _arm(claim.treated, claim.treated_risk, "treated")
    untreated_counts, untreated = _arm(claim.untreated, claim.untreated_risk, "untreated")
    return Stated(
        claim,
        treated_counts,
        untreated_counts,
        Span.exact(treated_counts.risk) if treated_counts else treated,
        Span.exact(untreated_counts.risk) if untreated_counts else untreated,
        treated,
        untreated,
        _read_nnt(claim.nnt),
        _optional(claim.cost_ratio, "cost ratio", "--cost-ratio", at_least=0.0),
        _optional(claim.course_cost, "course cost", "--course-cost", at_least=0.0),
        _optional(claim.bleed_cost, "bleed cost", "--bleed-cost", above=0.0),
        Span.exact(1.0)
        if claim.admissions_saved is None
        else parse_number(claim.admissions_saved, "admissions saved", "--admissions-saved", above=0.0),
    )


def _arm(counts: CountsLike | None, risk: NumberLike | None, arm: str) -> tuple[Counts | None, Span | None]:
    """Read an arm's counts and printed risk, and refuse a risk the counts would not print as."""
    read = None if counts is None else parse_counts(counts, f"--{arm}")
    printed = None if risk is None else parse_risk(risk, f"{arm} risk", f"--{arm}-risk")
    if read and printed and not printed.overlaps(Span.exact(read.risk)):
        what = f"{arm} risk {100 * printed.value:.4g}% contradicts the counts {read}, which are {100 * read.risk:.4g}%"
        raise ParameterError(what, where=f"--{arm} and --{arm}-risk", fix="give the counts alone, or correct one")
    return read, printed


def _read_nnt(given: NumberLike | None) -> Span | None:
    if given is None:
        return None
    span = parse_number(given, "NNT", "--nnt")
    if abs(span.value) < 1:
        what = f"NNT = {span.value:g}: no NNT lies between -1 and 1"
        raise ParameterError(what, where="--nnt", fix="give 1 or more, or -1 or less for a number needed to harm")
    # No NNT below 1 exists, so rounding cannot reach there.
    return Span(span.value, max(span.low, 1.0), span.high) if span.value > 0 else Span(span.value, span.low, min(span.high, -1.0))


def _optional(given: NumberLike | None, name: str, where: str, **bounds: float) -> Span | None:
    return None if given is None else parse_number(given, name, where, **bounds)
