"""Published results beside the model's, on a terminal."""

from __future__ import annotations

import io

import pytest
from rich.console import Console

from econmodel.economics.validation import CheckRow
from econmodel.reporting.tables.checks import KINDS
from econmodel.reporting.tables.terminal import checks_table

ROWS = [
    CheckRow(
        key=f"target_{i}",
        target=f"Salama 2020, beta-blocker, {i} months (control calibrated to 36.7%)",
        kind=kind,
        observed=0.2,
        predicted=0.245,
        pass_rule="inside the exact 95% interval",
        verdict="fails" if kind == "independent" else "passes",
        source="salama2020",
        note="",
    )
    for i, kind in enumerate(reversed(KINDS))
]


@pytest.mark.parametrize("width", [80, 120])
def test_checks_can_be_read_on_a_narrow_terminal(width: int) -> None:
    """No word of a target is broken and no figure is cut; kinds stand in their order; a target takes at most three lines."""
    screen = Console(width=width, file=io.StringIO())
    screen.print(checks_table(ROWS))
    lines = screen.file.getvalue().splitlines()
    words = " ".join(lines).split()
    assert max(len(line.rstrip()) for line in lines) <= width
    for row in ROWS:
        assert all(word in words for word in row.target.split())
    assert sum("20.0%" in line and "24.5%" in line for line in lines) == len(ROWS)
    places = [next(i for i, line in enumerate(lines) if line.strip() == kind.capitalize()) for kind in KINDS]
    assert places == sorted(places)
    assert len(lines) <= 4 * len(ROWS) + 6
