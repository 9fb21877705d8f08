"""Treat by risk, as a reader meets it: the sentence, thresholds by strategy, and the lead by patient group."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from econmodel.reporting import formatting as f
from econmodel.reporting.papers.content import Paragraph, Table, table
from econmodel.wording import lower

if TYPE_CHECKING:
    from econmodel.parameters.parameter_set import ParameterSet
    from econmodel.programme.by_risk import TreatByRisk, Turn


def turn_text(turn: Turn) -> str:
    """Say from which risk on something is better."""
    if turn.risk is None:
        return "at every risk" if turn.above else "at no risk"
    return f"{'above' if turn.above else 'below'} {f.percent(turn.risk, 1)}"


def by_risk_sentences(parameters: ParameterSet, found: TreatByRisk) -> list[str]:
    """Say in whom the lead is worth its price, what choosing by risk gains, and how much own follow-up would settle it."""
    names = {key: lower(label) for key, label in found.labels.items()}
    if found.treat_all is None:
        turns = "; ".join(f"{names[s.strategy]} {turn_text(s.life_years)}" for s in found.strategies)
        return [f"Longer life than with {names[found.usual_care]}, by untreated year-1 risk of the reference mix: {turns}."]
    currency = parameters.text("currency")
    left_out = [group for group in found.groups if group.net_benefit <= 0]
    who = ", ".join(f"{g.name} ({f.percent(g.share)} of patients)" for g in left_out)
    all_, some = (f.money(value, currency) for value in (found.treat_all, found.treat_some))
    said = [
        f"Against {names[found.usual_care]}, {names[found.lead]} is not worth its price in: {who}. Net benefit per patient of the mix "
        f"is {all_} where all are treated, {some} where these keep {names[found.usual_care]}."
        if left_out
        else f"Against {names[found.usual_care]}, {names[found.lead]} is worth its price in every patient group: {all_} per patient."
    ]
    if found.person_years is not None:
        years = f"{f.number(found.person_years)} untreated person-years of the site's own follow-up"
        said.append(
            f"The evidence leaves open on which side of its threshold a site stands; at today's risk, {years} would tell."
            if found.person_years
            else "The evidence alone tells on which side of its threshold the site stands."
        )
    return said


def by_risk_blocks(parameters: ParameterSet, found: TreatByRisk) -> Iterator[Paragraph | Table]:
    """Build the sentences and the two tables."""
    for sentence in by_risk_sentences(parameters, found):
        yield Paragraph(sentence)
    names, usual = found.labels, lower(found.labels[found.usual_care])
    money = f"{parameters.text('currency')}, {parameters.text('price_year')} prices"
    valued, worth = found.treat_all is not None, f.money(parameters.threshold, parameters.text("currency"))
    yield table(
        f"Untreated year-1 risk of the reference mix from which each strategy is better than {usual} "
        f"(now {f.percent(found.now, 1)}; {money})",
        (("Strategy", 2.4), ("In life-years", 1.2, True), *([(f"Worth its price, {worth} a QALY", 1.4, True)] if valued else [])),
        [(names[s.strategy], *(turn_text(t) for t in (s.life_years, s.net_benefit) if t)) for s in found.strategies],
        note=f"The programme's net present value in cash is above 0 {turn_text(found.cash)}. Risk moves alone, effects held.",
    )
    if not found.groups:
        return
    yield table(
        f"{names[found.lead]} against {usual}, by patient group: own untreated year-1 risk, and that from which it is worth its price "
        f"({money})",
        (("Group", 2.4), ("Share", 0.7, True), ("Own risk", 0.8, True), ("Worth it", 1.2, True), ("Net benefit", 1.0, True)),
        [
            (g.name, f.percent(g.share), f.percent(g.risk, 1), turn_text(g.turn), f.money(g.net_benefit, parameters.text("currency")))
            for g in found.groups
        ],
    )
