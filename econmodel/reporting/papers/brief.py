"""Content of the two-page brief: the answer, its numbers, charts, harms and evidence, then what it rests on."""

from __future__ import annotations

from typing import TYPE_CHECKING

from econmodel.parameters.statements import said
from econmodel.reporting import formatting as f
from econmodel.reporting.papers import blocks, phrases
from econmodel.reporting.papers import programme as programme_content
from econmodel.reporting.papers.content import Bullets, Paper, Paragraph, Section
from econmodel.reporting.papers.phrases import guideline_table
from econmodel.reporting.tables.fetch import fetch_items

if TYPE_CHECKING:
    from econmodel.economics.results import Results
    from econmodel.parameters.loading import Case
    from econmodel.programme.fetch import ToFetch
    from econmodel.programme.flips import FlipList
    from econmodel.programme.report import ProgrammeResult
    from econmodel.uncertainty.risk import Risk
    from econmodel.uncertainty.within_route import WithinRoute


def brief_paper(
    case: Case,
    results: Results,
    *,
    programme: ProgrammeResult | None = None,
    psa: Risk | None = None,
    within_route: WithinRoute | None = None,
    flips: FlipList | None = None,
    fetch: ToFetch | None = None,
    with_inputs: bool = False,
) -> Paper:
    """Build the brief.

    Parameters
    ----------
    programme
        The programme's result; without it the brief is about one patient, not a budget.
    psa
        Analysis with all inputs varied together, for the interval of the NNT.
    within_route
        What the lead adds to the next strategy of its route.
    flips, fetch
        What turns the decision, and what to find out first.
    with_inputs
        Append the table of every input (for the screen; on paper the technical report has it).
    """
    cautions = Bullets(phrases.cautions(results, brief=programme is not None))
    turns = (Paragraph(" ".join(flips.first_of_each), "What would reverse it. ", tone="note"),) if flips else ()
    if programme is None:
        sections = [_answer(case, results, within_route), _results(results), _harms(case, with_positions=with_inputs)]
        sections += [Section("Before this is used", (cautions, *turns)), _inputs(case, with_inputs=with_inputs)]
    else:
        decision, charts, *rest = programme_content.sections(case, results, programme, psa)
        notes = [
            *turns,
            *(Paragraph(text, lead, tone="note") for lead, text in (fetch_items(fetch) if fetch else ())),
            *phrases.within_route(within_route),
            *(Paragraph(text, tone="note") for text in phrases.lifetime_sentences(results, results.lead)),
        ]
        turning = [Section("What would reverse it, and what to find out first", tuple(notes))] if notes else []
        sections = [decision, charts, *turning, *rest, *([_harms(case, with_positions=True)] if with_inputs else [])]
        rests = _inputs(case, with_inputs=with_inputs, named=False)
        sections += [
            Section("Before this is used", (cautions, *(() if with_inputs else rests.blocks))),
            *([rests] if with_inputs else []),
        ]
    return Paper(
        "Prophylaxis of high-risk gastric varices",
        subtitle(case, results),
        tuple(sections),
        phrases.footer(case, results),
        phrases.banner(case),
    )


def subtitle(case: Case, results: Results) -> str:
    """Whose brief it is, whose money, which prices, what is compared."""
    settings = results.settings
    return (
        f"{case.title} · {settings.perspective.replace('_', ' ')} view, {f.price_note(settings)} · "
        f"{len(results.strategies)} strategies compared"
    )


def _answer(case: Case, results: Results, within_route: WithinRoute | None) -> Section:
    key = results.lead
    row = case.parameters.strategies[key]
    caution = f"Certainty of the evidence for {phrases.lower(row.label)}: {row.evidence_grade or 'not graded'}. {said('standing')}"
    which = f"All are for {phrases.lower(results.labels[key])}; the other strategies stand in the table below."
    return Section(
        "The answer",
        (
            Paragraph(phrases.answer(results), tone="answer"),
            *phrases.within_route(within_route),
            *(Paragraph(said, tone="note") for said in phrases.lifetime_sentences(results, key)),
            Paragraph(caution, tone="caution"),
            blocks.key_numbers(results),
            Paragraph(which, tone="note"),
        ),
    )


def _results(results: Results) -> Section:
    return Section(
        "Benefits, costs and harms side by side",
        (
            blocks.headline_table(results),
            blocks.charts(results, "first_bleeds", "nnt_by_year", "cost_by_category", "cost_effectiveness_plane"),
        ),
    )


def _harms(case: Case, *, with_positions: bool) -> Section:
    if with_positions:
        return Section("How sure, and at what risk", (blocks.evidence_table(case.parameters), guideline_table(case.parameters)))
    return Section("How sure, and at what risk", (blocks.harms_table(list(case.parameters.strategies.values())),))


def _inputs(case: Case, *, with_inputs: bool, named: bool = True) -> Section:
    text = phrases.status_sentence(case.parameters)
    again = phrases.second_look_text(case.parameters)
    warning = (Paragraph(again, tone="caution"),) if again else ()
    if with_inputs:
        text += (
            " Each value, with its source or the reasoning behind it, is listed here; the command "
            "econmodel where NAME shows one in full."
        )
        return Section("What it rests on", (*warning, Paragraph(text), blocks.inputs_table(case.parameters)), new_page=True)
    items = phrases.unconfirmed_items(case.parameters) if named else ()
    return Section(
        "What it rests on",
        (*warning, Paragraph(text, tone="body" if named else "note"), *(Paragraph(rest, lead, tone="note") for lead, rest in items)),
    )
