"""What to find out first, as a reader meets it: two sentences for the brief, two tables for the report."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from econmodel.reporting import formatting as f
from econmodel.reporting.papers.content import Table, table
from econmodel.reporting.tables.provenance import STATUS_WORDS
from econmodel.wording import lower

if TYPE_CHECKING:
    from econmodel.programme.fetch import ToFetch, Wanted

OF_CASH = "Shares of variance over the draws of the programme's value in cash."
ASKED, STUDIED, FEW = 10, 4, 3
SHARES = "Shares of variance over the draws: net benefit of the lead strategy against usual care, and the programme's value in cash."


def fetch_items(found: ToFetch, *, few: bool = False) -> tuple[tuple[str, str], ...]:
    """Name the first inputs, or the first :data:`FEW`, to ask for and to study; each as (lead, text)."""

    def named(rows: Sequence[Wanted], most: int) -> str:
        return "; ".join(lower(row.label.split(" (")[0]) for row in rows[:most]) + "."

    return (
        *((("Ask here first. ", named(found.ask_here, FEW if few else ASKED)),) if found.ask_here else ()),
        *((("Only research can tell. ", named(found.only_research, FEW if few else STUDIED)),) if found.only_research else ()),
    )


def fetch_tables(found: ToFetch) -> Iterator[Table]:
    """Put both lists in tables."""
    worth = [row.of_benefit for row in (*found.ask_here, *found.only_research)]
    shares = (("Of net benefit", 0.9, True), ("Of cash", 0.9, True))[None in worth :]
    for caption, rows in (
        ("To ask in the house", found.ask_here),
        ("For research alone: see what a study would be worth", found.only_research),
    ):
        if rows:
            known = [[f.percent(x, 1) for x in (r.of_benefit, r.of_cash) if x is not None] for r in rows]
            cells = [(r.label, *part, STATUS_WORDS[r.status], r.who or "a study") for r, part in zip(rows, known, strict=True)]
            yield table(
                caption,
                (("Input", 3.2), *shares, ("Status", 1.3), ("Who knows", 1.6)),
                cells,
                note=OF_CASH if None in worth else SHARES,
            )
