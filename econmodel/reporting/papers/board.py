"""Content of the paper for a board, in the five parts of the business case that HM Treasury publishes as guidance.

It is filled where the model knows; what only the site knows stands as a blank line, and page one counts them.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from econmodel.parameters.board import COMMERCIAL, ECONOMIC, FINANCIAL, MANAGEMENT, PARTS, STRATEGIC, TEXTS, TITLE, blank
from econmodel.parameters.statements import said
from econmodel.reporting import formatting as f
from econmodel.reporting.charts.programme import CHARTS, programme_chart
from econmodel.reporting.papers import blocks, phrases
from econmodel.reporting.papers import programme as content
from econmodel.reporting.papers.content import Blanks, Block, Bullets, Charts, Paper, Paragraph, Section
from econmodel.reporting.tables import programme as tables
from econmodel.reporting.tables.fetch import fetch_tables

if TYPE_CHECKING:
    from econmodel.economics.results import Results
    from econmodel.parameters.loading import Case
    from econmodel.programme.report import ProgrammeResult
    from econmodel.reporting.tables.findings import Findings
    from econmodel.uncertainty.risk import Risk


def board_paper(case: Case, results: Results, programme: ProgrammeResult, findings: Findings) -> Paper:
    """Build the paper.

    Parameters
    ----------
    case, results
        The case and its results.
    programme
        Its programme.
    findings
        The other analyses; what was not run is left out.
    """
    return Paper(
        "Prophylaxis of high-risk gastric varices: business case",
        f"{case.title} · {f.price_note(results.settings)}",
        (
            _first_page(case, results, programme, findings.psa),
            Section("Strategic: why change at all", (*_strategic(case, results, programme), *_texts(case, STRATEGIC)), new_page=True),
            Section("Economic: which option", (*_economic(case, results, programme, findings), *_texts(case, ECONOMIC))),
            Section("Commercial: who pays, who supplies", (*_commercial(results, programme), *_texts(case, COMMERCIAL))),
            Section("Financial: what it does to cash", (*_financial(results, programme), *_texts(case, FINANCIAL))),
            Section("Management: how it is done and watched", (*_management(programme, findings), *_texts(case, MANAGEMENT))),
            Section("Signatures", (Blanks(content.SIGNED),)),
        ),
        phrases.footer(case, results),
        phrases.banner(case),
        kind="report",
    )


def _first_page(case: Case, results: Results, programme: ProgrammeResult, risk: Risk | None) -> Section:
    board = case.parameters.board
    sentence, asked = content.answer(programme)
    left = {part: len(blank(board, texts)) for part, texts in ({"title": TITLE} | PARTS).items()}
    counted = ", ".join(f"{part} {count}" for part, count in left.items() if count)
    place = "the hospital's file has a place for each"
    blanks = f"{sum(left.values())} texts are left to the site ({counted}); {place}." if counted else "None."
    return Section(
        "The decision",
        (
            Paragraph(" · ".join(f"{label}: {board.get(key, '________')}" for key, label in TITLE.items())),
            Paragraph(sentence, tone="answer"),
            Paragraph(asked, lead="Decision asked: "),
            Paragraph(f"{content.mixes(results, programme)}. {content.natural_course(results, risk)}", lead="Proposed: "),
            Paragraph(blanks, lead="Blanks: "),
            content.key_numbers(case, results, programme, risk),
            *tables.options_table(programme, short=True),
            Bullets(phrases.cautions(results)),
        ),
    )


def _texts(case: Case, part: dict[str, str]) -> Iterator[Block]:
    """What the site writes of one part, then blank lines for the rest."""
    board = case.parameters.board
    for key in part:
        if key in board:
            yield Paragraph(str(board[key]), lead=f"{part[key]}: ")
    if left := blank(board, part):
        yield Blanks(tuple(TEXTS[key] for key in left))


def _strategic(case: Case, results: Results, programme: ProgrammeResult) -> Iterator[Block]:
    yield content.funnel_table(programme)
    yield Charts((programme_chart("programme_bleeds", programme, results.settings.currency),))
    if programme.reality:
        yield Paragraph(programme.reality.text, lead="Last year's count: ")
    yield Paragraph(said("standing"), tone="caution")
    yield phrases.guideline_table(case.parameters)


def _economic(case: Case, results: Results, programme: ProgrammeResult, findings: Findings) -> Iterator[Block]:
    yield Paragraph(phrases.answer(results, risk=findings.psa))
    yield from tables.options_step_table(programme)
    yield from tables.options_value_table(programme)
    yield from phrases.within_route(findings.within_route)
    if findings.flips:
        yield Paragraph(" ".join(findings.flips.first_of_each), lead="What would reverse it: ")
    yield blocks.harms_table(list(case.parameters.strategies.values()))
    yield content.harms(programme)


def _commercial(results: Results, programme: ProgrammeResult) -> Iterator[Block]:
    yield tables.views_table(results, programme)
    yield Paragraph(said("off_label"), tone="caution")


def _financial(results: Results, programme: ProgrammeResult) -> Iterator[Block]:
    yield Charts(tuple(programme_chart(name, programme, results.settings.currency) for name in CHARTS if name != "programme_bleeds"))
    yield tables.summary_table(programme)
    yield from tables.reconciliation_table(programme)
    yield from tables.interval_tables(results, programme)
    yield tables.downside_table(results, programme)


def _management(programme: ProgrammeResult, findings: Findings) -> Iterator[Block]:
    yield tables.capacity_table(programme)
    yield content.risks_table(programme)
    yield from content.counted(programme)
    if findings.fetch:
        yield from fetch_tables(findings.fetch)
    yield Bullets(tuple(("", sentence) for sentence in programme.sentences))
