"""Two cases side by side as tables: their headline numbers with the difference, and an earlier table's cells in a later one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from econmodel.programme.beside import Beside
from econmodel.reporting.papers.content import Table, table
from econmodel.reporting.tables.explained import told_in


def beside_table(names: tuple[str, str], found: Sequence[Beside], currency: str) -> Table:
    """Numbers of two cases by their names, and the second less the first."""
    told, more = told_in(currency), told_in(currency, change=True)
    rows = [(row.label, told[row.told](row.first), told[row.told](row.second), more[row.told](row.difference)) for row in found]
    heads = (("", 2.4), (f"Pinned: {names[0]}", 1.2, True), (f"Now: {names[1]}", 1.2, True), ("Difference", 1.0, True))
    note = "The programme over its budget against today's mix; one patient of the lead strategy against usual care."
    return table(f"Two cases side by side ({currency})", heads, rows, note=note)


def with_earlier(now: Table, then: Table) -> Table:
    """The later table, each cell that differs with what the earlier one holds for the same row and heading."""
    heads = [column.heading for column in then.columns]
    known = {row[0]: dict(zip(heads, row, strict=True)) for row in then.rows}
    rows = tuple(
        (row[0], *(_both(cell, known.get(row[0], {}).get(c.heading, cell)) for c, cell in zip(now.columns[1:], row[1:], strict=True)))
        for row in now.rows
    )
    return replace(now, rows=rows)


def _both(now: str, then: str) -> str:
    return now if now == then else f"{now} (was {then})"
