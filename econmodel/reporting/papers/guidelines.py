"""Positions of professional bodies on primary prophylaxis of gastric varices, as a table.

The positions themselves, in our words, stand with the evidence in ``params/evidence/statements.toml``: here they are only laid
out. One that was not read says so.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from econmodel.parameters.statements import positions
from econmodel.reporting.papers.content import Table, table

if TYPE_CHECKING:
    from econmodel.parameters.parameter_set import ParameterSet


def guideline_table(parameters: ParameterSet, caption: str = "Guideline positions on varices that have not bled") -> Table:
    """Positions as a table, each with its source."""
    known = parameters.sources
    return table(
        caption,
        (("Body", 1.3), ("Position (our words)", 4.2), ("Source", 2.2), ("How seen", 1.5)),
        [(p.body, p.position, known[p.source].reference if p.source in known else "to be confirmed", p.read) for p in positions()],
    )
