"""What turns the decision, as tables: one for each answer, the likeliest first."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from econmodel.reporting import formatting as f
from econmodel.reporting.papers.content import Paragraph, Table, table

if TYPE_CHECKING:
    from econmodel.programme.flips import Decision, Flip, FlipList

SCENARIO = "scenario"
HOW = (
    "Each input by itself over its declared range, each choice and each scenario, on the base structure; effects stay calibrated on "
    "the evidence. Chance: what the input's own distribution puts beyond the value; an input held certain has none."
)
COLUMNS = (
    ("With", 3.2),
    ("At", 1.2, True),
    ("Now", 0.9, True),
    ("Range", 1.3),
    ("Unit", 1.0),
    ("Chance", 0.8, True),
    ("Turns to", 1.6),
    ("Status", 1.0),
)


def flip_blocks(found: FlipList) -> Iterator[Paragraph | Table]:
    """Build the notes, the tables, and a sentence for each answer that nothing turns."""
    yield Paragraph(f"{HOW} {found.looked_at} inputs were looked at.")
    for note in found.notes:
        yield Paragraph(note, tone="caution")
    for decision in found.decisions:
        rows = [flip for flip in found.flips if flip.decision == decision.key]
        yield flip_table(found, decision, rows) if rows else Paragraph(found.sentence(decision.key, 0))


def flip_table(found: FlipList, decision: Decision, rows: list[Flip]) -> Table:
    """Put everything that turns one answer in a table."""
    cells = [
        (
            flip.label,
            *(("", "") if flip.status == SCENARIO else (flip.where, f.plain(flip.base))),
            "" if flip.low is None or flip.high is None else f"{f.plain(flip.low)} to {f.plain(flip.high)}",
            flip.unit,
            "" if flip.low is None else flip.likely,
            flip.then,
            flip.status,
        )
        for flip in rows
    ]
    return table(f"{decision.label}: {found.now[decision.key]}", COLUMNS, cells)
