"""Follow-up protocols on a terminal: one row each, where it turns, and what it rests on."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from econmodel.reporting import formatting as f
from econmodel.reporting.papers.phrases import caution

if TYPE_CHECKING:
    from econmodel.parameters.loading import Case
    from econmodel.uncertainty.surveillance import Protocols

RESTS_ON = (
    "What surveillance is worth rests on how much an open varix bleeds (hr_patent), how often a closed one opens again "
    "(r_recurrence) and who comes back (r_lost). No study gives the first: over its range the gain runs from nothing up."
)
HEADINGS = ("Protocol", "Cost", "First\n/100", "Bleeds\n/100", "NNT", "Per bleed\naverted", "Exams", "Again", "QALYs", "Best\nvalue")


def surveillance_lines(case: Case, found: Protocols) -> Iterator[Any]:
    """Build the table with its units, the sentences and the caution."""
    from rich import box
    from rich.markup import escape
    from rich.table import Table
    from rich.text import Text

    currency = case.parameters.text("currency")
    table = Table(
        box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0), title=escape(f"{case.title}: follow-up after {found.label}")
    )
    for heading in HEADINGS:
        table.add_column(heading, justify="left" if heading == "Protocol" else "right")
    for row in found.rows:
        table.add_row(
            escape(row.label),
            f.money(row.cost, currency),
            f"{row.first_bleeds_per_100:.1f}",
            f"{row.bleeds_per_100:.1f}",
            "–" if row.nnt is None else f"{row.nnt:.0f}",
            "–" if row.cost_per_bleed_averted is None else f.money(row.cost_per_bleed_averted, currency),
            f"{row.examinations:.1f}",
            f"{row.retreatments:.2f}",
            f"{row.qalys:.2f}",
            f.percent(row.best),
        )
    yield table
    yield Text(
        f"Per patient over {f.duration(found.years)}, QALYs over a lifetime; NNT and cost per bleed averted against no surveillance. "
        "Again: re-treatments. Effects are held: a schedule changes what is found, not what the trials saw.",
        style="dim",
    )
    for sentence in found.sentences:
        yield Text(f"- {sentence}")
    yield Text(RESTS_ON, style="bold")
    if case.is_demo:
        yield Text("Invented data: a fictional hospital.", style="bold")
    yield Text(caution(), style="dim")
