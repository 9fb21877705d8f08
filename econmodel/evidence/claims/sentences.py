"""The claim check in sentences, with the arithmetic shown.

Each function takes the claim as read and as solved and gives the sentences of one topic. Wording judges arithmetic
alone: it never says that a treatment works or should be given.
"""

from __future__ import annotations

from collections.abc import Sequence

from econmodel.evidence.claims.inputs import Stated
from econmodel.evidence.claims.solution import Solution
from econmodel.evidence.nnt import NumberNeededToTreat, format_nnt_interval, nnt_from_rates, wilson
from econmodel.evidence.printed import Counts, Span
from econmodel.evidence.rates import probability_to_rate
from econmodel.wording import duration

Z95 = 1.959963984540054
CLOSING = (
    "This checks arithmetic alone: it does not show that the claimed risks are right, weighs no harm of "
    "treatment (embolism, sepsis, procedure death), and is not advice for a patient."
)


def write_sentences(
    stated: Stated, solution: Solution, interval: NumberNeededToTreat | None, counts: Sequence[Counts], model: str | None
) -> tuple[str, ...]:
    """Write the whole check: what contradicts, whether it saves, what is implied, what would have to hold, the rest.

    Parameters
    ----------
    stated, solution
        The claim as read and as worked out.
    interval
        The two arms compared by counts, where both have counts.
    counts
        Which events/patients could print the percentage checked.
    model
        What the model says of the untreated risk, in a sentence; None without a model.
    """
    parts = [
        list(solution.contradictions),
        _cost(stated, solution),
        _implied(stated, solution),
        _conditions(stated, solution),
        _ratios(solution),
        _interval(stated, interval),
        _horizon(stated, solution),
        [model] if model else [],
        _counts(stated, counts),
        _event(stated),
        _content(stated),
        [CLOSING],
    ]
    return tuple(sentence for part in parts for sentence in part)


def percent(risk: float) -> str:
    """Write a risk as a percentage to one decimal."""
    return f"{100 * risk:.1f}%"


def percent_range(span: Span) -> str:
    """Write a range of risks."""
    return f"{percent(span.low)} to {percent(span.high)}"


def _implied(stated: Stated, solution: Solution) -> list[str]:
    treated, untreated, arr, nnt = solution.treated, solution.untreated, solution.arr, stated.nnt
    if arr is None:
        return ["Too little is stated to give an NNT: it needs two of treated risk, untreated risk and NNT."]
    if nnt is None or solution.basis == "risks":
        return _from_risks(solution)
    if stated.treated is not None and untreated is not None and treated is not None:
        sentences = [
            f"A treated risk of {percent(treated.value)} and {_number(nnt)} imply an untreated risk of "
            f"{percent(treated.value)} {'+' if nnt.value > 0 else '-'} 1/{abs(nnt.value):g} = "
            f"{percent(untreated.value)}."
        ]
        return sentences + _rounding(untreated, nnt)
    if stated.untreated is not None and untreated is not None and treated is not None:
        return [
            f"An untreated risk of {percent(untreated.value)} and {_number(nnt)} imply a treated risk of "
            f"{percent(untreated.value)} {'-' if nnt.value > 0 else '+'} 1/{abs(nnt.value):g} = "
            f"{percent(treated.value)}; rounding of the printed figures allows {percent_range(treated)}."
        ]
    return [
        f"{_number(nnt)} is a difference in risk of 1/{abs(nnt.value):g} = {percent(abs(arr.value))}; without a "
        "possible risk beside it nothing more follows."
    ]


def _number(nnt: Span) -> str:
    return f"NNT {nnt.value:g}" if nnt.value > 0 else f"NNT to harm {-nnt.value:g}"


def _event(stated: Stated) -> list[str]:
    if stated.treated is None and stated.untreated is None:
        return []
    return ["Ask which bleeds are counted, from gastric varices alone or from any source: every figure must count the same."]


def _from_risks(solution: Solution) -> list[str]:
    treated, untreated, arr = solution.treated, solution.untreated, solution.arr
    if treated is None or untreated is None or arr is None:
        return []
    gap = f"{percent(untreated.value)} - {percent(treated.value)} = {100 * arr.value:.1f} points"
    if arr.value == 0:
        return [f"Untreated less treated risk is {gap}: no difference, so no NNT."]
    sentence = (
        f"Untreated less treated risk is {gap}, so the number needed to treat is 1/{abs(arr.value):.4g} = "
        f"{1 / abs(arr.value):.2f} ({'to benefit, NNTB' if arr.value > 0 else 'to HARM, NNTH'})"
    )
    if arr.low == arr.high:
        return [sentence + "."]
    return [f"{sentence}; rounding of the printed risks allows {format_nnt_interval(arr.low, arr.high)}."]


def _rounding(untreated: Span, nnt: Span) -> list[str]:
    least, most = sorted((abs(nnt.low), abs(nnt.high)))
    return [f"{_number(nnt)} as printed covers {least:.4g} to {most:.4g}, so the untreated risk may be {percent_range(untreated)}."]


def _ratios(solution: Solution) -> list[str]:
    treated, untreated, relative, rate = (solution.treated, solution.untreated, solution.relative_risk, solution.rate_ratio)
    if treated is None or untreated is None or relative is None:
        return []
    change = "reduction" if relative.value <= 1 else "rise"
    sentence = (
        f"Relative risk {percent(treated.value)} / {percent(untreated.value)} = {relative.value:.2f} "
        f"({change} of {abs(1 - relative.value):.0%})"
    )
    if rate is None:
        return [sentence + "."]
    return [
        f"{sentence}; ratio of constant bleeding rates ln(1 - {treated.value:.4g}) / "
        f"ln(1 - {untreated.value:.4g}) = {rate.value:.2f}, the figure to set beside a hazard ratio."
    ]


def _counts(stated: Stated, counts: Sequence[Counts]) -> list[str]:
    found = stated.treated_counts if stated.treated is not None else stated.untreated_counts
    risk = stated.treated or stated.untreated
    if risk is None:
        return []
    if not counts:
        return [f"No events/patients up to 100 patients prints {percent(risk.value)}."]
    listed = ", ".join(str(c) for c in counts[:6]) + (f" and {len(counts) - 6} more" if len(counts) > 6 else "")
    stand = f"{found} is stated" if found else "ask which it was: the smaller, the less it shows"
    return [f"Counts that print as {percent(risk.value)}, of up to 100 patients: {listed}; {stand}."]


def _interval(stated: Stated, interval: NumberNeededToTreat | None) -> list[str]:
    if interval is not None and interval.arr_low is not None and interval.arr_high is not None:
        crosses = (
            " The interval passes through infinity: no effect and harm are not excluded."
            if (interval.arr_low < 0 < interval.arr_high)
            else ""
        )
        return [
            f"By counts ({stated.treated_counts} v {stated.untreated_counts}) the difference is "
            f"{percent(interval.arr)}, 95% interval {percent(interval.arr_low)} to {percent(interval.arr_high)} "
            f"(Newcombe), so {interval.text} ({interval.interval_text}).{crosses}"
        ]
    if stated.treated_counts is None:
        return ["No interval can be given: that needs events/patients in both arms."]
    low, high = wilson(stated.treated_counts, Z95)
    return [
        "No interval for the NNT can be given without untreated counts: the comparator is borrowed. "
        f"{stated.treated_counts} alone has a 95% interval of {percent(low)} to {percent(high)} (Wilson)."
    ]


def _horizon(stated: Stated, solution: Solution) -> list[str]:
    treated, untreated, years = solution.treated, solution.untreated, stated.years
    if years is None:
        missing = "No horizon is stated: risks and an NNT mean nothing without the time by which bleeds are counted"
        if untreated is None or untreated.value in (0.0, 1.0):
            return [missing + "."]
        slow, fast = (probability_to_rate(untreated.value, t) for t in (5.0, 1.0))
        return [
            f"{missing}; an untreated {percent(untreated.value)} is {fast:.3f} bleeds a patient-year if by one "
            f"year and {slow:.3f} if by five."
        ]
    if treated is None or untreated is None or max(treated.value, untreated.value) >= 1:
        return []
    rates = [probability_to_rate(risk.value, years) for risk in (treated, untreated)]
    other = " and ".join(f"{nnt_from_rates(rates[0], rates[1], years=t).text} at {duration(t)}" for t in (1.0, 5.0) if t != years)
    return [
        f"By {duration(years)} at constant rates, that is -ln(1 - {untreated.value:.3f}) / {years:.4g} = "
        f"{rates[1]:.3f} bleeds a patient-year untreated and {rates[0]:.3f} treated; the same rates give {other} "
        "(death not counted)."
    ]


def _cost(stated: Stated, solution: Solution) -> list[str]:
    ratio, break_even, arr = stated.ratio, solution.break_even_nnt, solution.arr
    if ratio is None:
        return _half_cost(stated)
    admissions = stated.admissions.value
    if break_even is None:
        return ["A course that costs nothing has no break-even NNT."]
    sentences = [
        f"A course costs {ratio.value:.3g} of a bleed admission and each bleed averted saves {admissions:g}"
        f"{'' if stated.claim.admissions_saved is not None else ' (assumed: none stated)'}: break-even NNT "
        f"{admissions:g} / {ratio.value:.3g} = {break_even.value:.2f} (rounding: {break_even.low:.2f} to "
        f"{break_even.high:.2f})."
    ]
    if arr is not None and solution.per_patient is not None:
        sentences.append(_verdict(stated, solution, arr, ratio.value, break_even, solution.per_patient))
    return sentences


def _verdict(stated: Stated, solution: Solution, arr: Span, ratio: float, break_even: Span, per_patient: Span) -> str:
    admissions, per_bleed = stated.admissions.value, solution.per_bleed_averted
    money = stated.bleed_cost.value if stated.bleed_cost is not None else None
    patient = f"{ratio:.3g} - {admissions:g} x {arr.value:.3f} = {per_patient.value:.3f} of a bleed cost per patient" + (
        f" ({per_patient.value * money:,.0f} in the currency given)" if money else ""
    )
    if per_bleed is None:
        return f"No bleed is averted, so the course does not save: {patient}."
    sign, saves = ("below", "saves") if solution.saves else ("not below", "does not save")
    return (
        f"NNT {1 / arr.value:.2f} is {sign} {break_even.value:.2f}, so the course {saves} by itself "
        f"({'whatever the rounding' if solution.certain else 'rounding of the figures could turn this'}): net cost "
        f"{1 / arr.value:.3g} x {ratio:.3g} - {admissions:g} = {per_bleed.value:.3f} of a bleed cost per bleed "
        f"averted, {patient}."
    )


def _half_cost(stated: Stated) -> list[str]:
    if stated.course_cost is None and stated.bleed_cost is None:
        return []
    missing = "bleed" if stated.bleed_cost is None else "course"
    return [f"The {missing}'s cost (or the ratio of the two) is not stated, so whether the course saves cannot be said."]


def _conditions(stated: Stated, solution: Solution) -> list[str]:
    known, bits = solution.conditions, []
    if (risk := known.get("untreated_risk_above")) is not None and solution.treated is not None:
        bits.append(f"an untreated risk above {percent(risk)} with the treated risk at {percent(solution.treated.value)}")
    if (risk := known.get("untreated_risk_above_at_same_relative_risk")) is not None:
        bits.append(f"an untreated risk above {percent(risk)} at the same relative risk")
    share, saved = known.get("course_share_of_bleed_cost_below"), known.get("admissions_saved_above")
    if share is not None:
        bits.append(f"a course below {share:.3g} of a bleed cost")
    for key, words in (("course_cost_below", "a course cost below"), ("bleed_cost_above", "a bleed cost above")):
        if (amount := known.get(key)) is not None:
            bits.append(f"{words} {amount:,.0f} in the currency given")
    if saved is not None:
        bits.append(f"more than {saved:.3g} bleed admissions saved per bleed averted")
    return [f'For "saves money" to hold, any one of these, all else as stated: {"; ".join(bits)}.'] if bits else []


def _content(stated: Stated) -> list[str]:
    claim, sentences = stated.claim, []
    ratio, sessions = stated.ratio, claim.sessions
    if sessions is not None and ratio is not None and ratio.value > 0:
        whole = ratio.value * sessions
        sentences.append(
            f"Over {sessions:g} sessions that is {ratio.value / sessions:.3g} of a bleed cost a session; "
            f"if each session cost {ratio.value:.3g}, the course would cost {whole:.3g} and break even at "
            f"NNT {stated.admissions.value / whole:.2f}."
        )
    if (ratio is not None or stated.course_cost is not None) and not claim.course_content:
        sentences.append(
            "The course's cost has no stated content: ask whether it holds every session, devices, glue, "
            "re-treatment, surveillance and complications, and whether it is full or variable cost."
        )
    if (ratio is not None or stated.bleed_cost is not None) and not claim.bleed_content:
        sentences.append(
            "The bleed's cost has no stated content: ask whether it holds intensive care, rebleeds, "
            "rescue procedures and aftercare; a full cost is cash saved only in so far as it is variable."
        )
    return sentences
