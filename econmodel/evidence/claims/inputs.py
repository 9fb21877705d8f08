"""What a claim states, and its reading into figures with the range that rounding allows.

Every field of :class:`Claim` is optional. Counts read as ``6/80``; risks as 0.41 or 41%; a ratio or an NNT may carry its
interval, ``0.48 (0.24-0.96)``; a negative NNT is one to harm. An NNT printed whole may have been rounded up. A cost ratio is
the cost of one course of prophylaxis in units of one bleed admission.
"""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Literal

from econmodel.errors import ParameterError
from econmodel.evidence.claims.figures import Figure, Interval, Rounding, Sizes
from econmodel.evidence.printed import Counts, Span, combine, parse_counts, parse_number, parse_risk
from econmodel.evidence.rates import check_years
from econmodel.numbers import read_digits
from econmodel.records import record

CountsLike = str | tuple[int, int] | Counts
NumberLike = str | float | Span
ENDS = re.compile(
    r"(?P<value>[^(\[]+?)\s*[(\[]\s*(?:(?P<level>\d\d)\s*%\s*)?(?:CI)?[:=,]?\s*(?P<low>-?\d*(?:[.,]\d+)*)\s*%?\s*(?:to|[-–,;])\s*"
    r"(?:inf\w*\s*to\s*(?P<harm>NNTH?|NNH)\s*)?(?P<high>-?\d*(?:[.,]\d+)*)\s*%?\s*[)\]]",
    re.IGNORECASE,
)
RATIO_NAMES = {"relative_risk": "rr", "odds_ratio": "or", "hazard_ratio": "hr"}
REDUCTIONS = {"relative_reduction": ("RRR", "rr"), "odds_reduction": ("odds reduction", "or")}


@record
class Claim:
    """The stated parts of a claim.

    Attributes
    ----------
    treated, untreated
        Events/patients of each arm.
    treated_risk, untreated_risk
        Cumulative risks as printed.
    treated_n, untreated_n, patients
        Patients of each arm, or in all.
    arr, relative_risk, odds_ratio, hazard_ratio, relative_reduction, odds_reduction
        As printed, each with its interval or without; differences and reductions as shares or with a % sign.
    nnt
        Number needed to treat as printed; below 0 for harm.
    p
        The p value: ``0.02``, ``<0.05``.
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
    pooled, adjusted, actuarial
        The risks are not events over patients: of several studies, of a regression, of a life table.
    borrowed
        One arm comes from elsewhere.
    arms
        What tells which arm is treated: ``labelled``; else only the order, untreated first (``to``) or treated first (``v``).
    rounding
        How an NNT was rounded; None for either way.
    exact
        Costs and their ratio are exact, not printed figures.
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
    treated_n: int | None = None
    untreated_n: int | None = None
    patients: int | None = None
    arr: NumberLike | None = None
    relative_risk: NumberLike | None = None
    odds_ratio: NumberLike | None = None
    hazard_ratio: NumberLike | None = None
    relative_reduction: NumberLike | None = None
    odds_reduction: NumberLike | None = None
    p: str | None = None
    pooled: bool = False
    adjusted: bool = False
    actuarial: bool = False
    borrowed: bool = False
    arms: Literal["labelled", "to", "v"] = "labelled"
    rounding: Rounding | None = None
    exact: bool = False

    @property
    def crude(self) -> bool:
        """Whether the risks are events over patients."""
        return not (self.pooled or self.adjusted or self.actuarial)

    def swapped(self) -> Claim:
        """The same claim with its arms the other way round."""
        return replace(
            self,
            treated=self.untreated,
            untreated=self.treated,
            treated_risk=self.untreated_risk,
            untreated_risk=self.treated_risk,
            treated_n=self.untreated_n,
            untreated_n=self.treated_n,
        )


@record
class Stated:
    """A claim read and checked: its figures, patients, and costs with their rounding ranges.

    ``ratio`` comes from the two costs where both are given, else as stated.
    """

    claim: Claim
    figures: tuple[Figure, ...]
    sizes: Sizes
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
        Impossible counts, a risk outside 0 to 1 or at odds with the counts beside it, an NNT between -1 and 1, a ratio or cost
        below 0, a bleed cost or horizon of 0, or nothing stated at all.
    """
    if claim == Claim(arms=claim.arms):
        what = "nothing is stated: there is no claim to check"
        raise ParameterError(what, fix="give at least one figure, for example --treated 6/80 --nnt 3")
    if claim.years is not None:
        check_years(claim.years, "--years")
    if claim.sessions is not None and not claim.sessions >= 1:
        what = f"sessions = {claim.sessions:g}: a course has at least one"
        raise ParameterError(what, where="--sessions", fix="give sessions per course")
    treated_counts, treated = _arm(claim.treated, claim.treated_risk, "treated")
    untreated_counts, untreated = _arm(claim.untreated, claim.untreated_risk, "untreated")
    nnt = _read_nnt(claim)
    arms = (("treated", treated_counts, treated), ("untreated", untreated_counts, untreated))
    figures = [f for arm in arms for f in _arm_figures(*arm)]
    return Stated(
        claim,
        (*figures, *_others(claim), *(() if nnt is None else (nnt,))),
        _sizes(claim),
        treated_counts,
        untreated_counts,
        Span.exact(treated_counts.risk) if treated_counts else treated,
        Span.exact(untreated_counts.risk) if untreated_counts else untreated,
        treated,
        untreated,
        None if nnt is None else Span(nnt.value, nnt.low, nnt.high),
        _cost(claim, claim.cost_ratio, "cost ratio", "--cost-ratio", at_least=0.0),
        _cost(claim, claim.course_cost, "course cost", "--course-cost", at_least=0.0),
        _cost(claim, claim.bleed_cost, "bleed cost", "--bleed-cost", above=0.0),
        Span.exact(1.0)
        if claim.admissions_saved is None
        else parse_number(claim.admissions_saved, "admissions saved", "--admissions-saved", above=0.0),
    )


def _arm(counts: CountsLike | None, risk: NumberLike | None, arm: str) -> tuple[Counts | None, Span | None]:
    """Read an arm's counts and printed risk."""
    read = None if counts is None else parse_counts(counts, f"--{arm}")
    printed = None if risk is None else parse_risk(risk, f"{arm} risk", f"--{arm}-risk")
    return read, printed


def _arm_figures(arm: str, counts: Counts | None, risk: Span | None) -> list[Figure]:
    found = []
    if counts is not None:
        found.append(Figure(f"{arm} counts", f"{arm} {counts}", counts.risk, counts.risk, counts.risk, counts=counts))
    if risk is not None:
        found.append(Figure(f"{arm} risk", f"{arm} {100 * risk.value:.4g}%", risk.value, risk.low, risk.high))
    return found


def _others(claim: Claim) -> list[Figure]:
    """Read difference, ratios and reductions."""
    found = []
    if claim.arr is not None:
        text, interval = _with_interval(claim.arr, "--arr")
        share = parse_risk(text.removeprefix("-"), "risk difference", "--arr")
        sign = -1 if text.startswith("-") else 1
        low, high = sorted((sign * share.low, sign * share.high))
        found.append(Figure("arr", f"ARR {text}", sign * share.value, low, high, interval=interval))
    for name, kind in RATIO_NAMES.items():
        if (given := getattr(claim, name)) is not None:
            text, interval = _with_interval(given, f"--{kind}")
            span = parse_number(text, name.replace("_", " "), f"--{kind}", at_least=0.0)
            found.append(Figure(kind, f"{kind.upper()} {text}", span.value, span.low, span.high, interval=interval))
    for name, (label, kind) in REDUCTIONS.items():
        if (given := getattr(claim, name)) is not None:
            text, _ = _with_interval(given, f"--{name.replace('_', '-')}")
            span = parse_risk(text, label, f"--{name.replace('_', '-')}")
            found.append(Figure(kind, f"{label} {text}", 1 - span.value, 1 - span.high, 1 - span.low))
    return found


def _with_interval(given: NumberLike, where: str) -> tuple[str, Interval | None]:
    """Part a figure from the interval in brackets behind it."""
    text = str(given.value if isinstance(given, Span) else given).strip()
    match = ENDS.fullmatch(text)
    if match is None:
        return text, None
    scale = 100 if "%" in match["value"] + text[match.start("low") :] else 1
    ends = [parse_number(match[end], "interval", where) for end in ("low", "high")]
    low, high = (span.value / scale for span in ends)
    if match["harm"]:
        high = -high
    elif low > high and not (low > 0 > high):
        what = f"interval {match['low']} to {match['high']}: runs backwards"
        raise ParameterError(what, where=where, fix="write the lower end first")
    unit = max(span.high - span.low for span in ends) / scale
    value = float(read_digits(match["value"], "point", where)[0]) / scale
    if not match["harm"] and low <= high and not low - unit <= (abs(value) if where == "--nnt" else value) <= high + unit:
        what = f"{match['value'].strip()} lies outside its own interval, {match['low']} to {match['high']}"
        raise ParameterError(what, where=where, fix="check both against the paper, or leave the interval out")
    return match["value"].strip(), Interval(
        low, high, unit, float(match["level"] or 95) / 100, text[match.end("value") :].strip(" ()[]")
    )


def _read_nnt(claim: Claim) -> Figure | None:
    if claim.nnt is None:
        return None
    text, interval = _with_interval(claim.nnt, "--nnt")
    span = claim.nnt if isinstance(claim.nnt, Span) else parse_number(text, "NNT", "--nnt")
    if abs(span.value) < 1:
        what = f"NNT = {span.value:g}: no NNT lies between -1 and 1"
        raise ParameterError(what, where="--nnt", fix="give 1 or more, or -1 or less for a number needed to harm")
    size, (low, high) = abs(span.value), sorted((abs(span.low), abs(span.high)))
    upward = size == round(size) and claim.rounding != "nearest" and "." not in text.rstrip("0").rstrip(".")
    if upward:
        low, high = size - 1, (size if claim.rounding == "up" else high)
    # No NNT below 1 exists, so rounding cannot reach there.
    strict, low = upward and low >= 1, max(low, 1.0)
    least, most = (low, high) if span.value > 0 else (-high, -low)
    name = f"NNT {size:g}" if span.value > 0 else f"NNT to harm {size:g}"
    return Figure("nnt", name, span.value, least, most, open_end=strict, interval=interval)


def _sizes(claim: Claim) -> Sizes:
    for name in ("treated_n", "untreated_n", "patients"):
        n = getattr(claim, name)
        if n is not None and n < 1:
            what = f"{n} patients: needs at least one"
            raise ParameterError(what, where=f"--{name.replace('_', '-')}", fix="give a whole number of patients")
    return Sizes(claim.treated_n, claim.untreated_n, claim.patients) if claim.crude else Sizes()


def _cost(claim: Claim, given: NumberLike | None, name: str, where: str, **bounds: float) -> Span | None:
    if given is None:
        return None
    span = parse_number(given, name, where, **bounds)
    return Span.exact(span.value) if claim.exact else span
