"""Content of the brief: the answer, its numbers, charts, harms and evidence, then what it all rests on."""

from __future__ import annotations

from typing import TYPE_CHECKING

from econmodel.reporting import blocks, phrases
from econmodel.reporting import formatting as f
from econmodel.reporting.content import Bullets, Paper, Paragraph, Section
from econmodel.reporting.guidelines import STANDING, guideline_table
from econmodel.reporting.series import Document, labels
from econmodel.reporting.tables import focus_strategy

if TYPE_CHECKING:
    from econmodel.parameters.loading import Case


def brief_paper(case: Case, document: Document) -> Paper:
    """Build the brief of a case without a programme."""
    sections = (_answer(case, document), _results(document), _harms(case), _guidelines(),
                Section("Before this is used", (Bullets(phrases.CAUTIONS),)), _inputs(case))
    return Paper(f"Prophylaxis of high-risk gastric varices: {case.title}", subtitle(document), sections,
                 phrases.footer(case, document), phrases.banner(case))


def subtitle(document: Document) -> str:
    """Whose money, which prices, what is compared."""
    settings = document["settings"]
    return (f"{phrases.view(settings)} view, {f.price_note(settings)}; {len(document['strategies'])} strategies for "
            "adults whose high-risk gastric varices have never bled")


def _answer(case: Case, document: Document) -> Section:
    key = focus_strategy(document)
    row = case.parameters.strategies[key]
    caution = (f"Certainty of the evidence for {phrases.lower(row.label)}: {row.evidence_grade or 'not graded'}. "
               f"{STANDING}")
    which = f"All eight are for {phrases.lower(labels(document)[key])}; the other strategies stand in the table below."
    return Section("The answer", (
        Paragraph(phrases.answer(document), tone="answer"), Paragraph(caution, tone="caution"),
        blocks.key_numbers(document), Paragraph(which, tone="note")))


def _results(document: Document) -> Section:
    return Section("Benefits, costs and harms side by side", (
        blocks.headline_table(document),
        blocks.charts(document, "first_bleeds", "nnt_by_year"),
        blocks.charts(document, "cost_by_category", "cost_effectiveness_plane")))


def _harms(case: Case) -> Section:
    return Section("How sure, and at what risk", (blocks.evidence_table(case.parameters),))


def _guidelines() -> Section:
    return Section("What guidelines say", (Paragraph(STANDING), guideline_table()))


def _inputs(case: Case) -> Section:
    text = (f"{phrases.status_sentence(case.parameters)} Each value, with its source or the reasoning behind it, is "
            "listed here; the command `econmodel where NAME` shows one in full.")
    return Section("What it rests on", (Paragraph(text), blocks.inputs_table(case.parameters)), new_page=True)
