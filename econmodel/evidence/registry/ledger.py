"""The record of an import: what was wrong, what was changed, and what should be known about the file.

An entry of the problem list has an action:

held
    The patient is left out until the cell is put right.
excluded
    The patient is outside the question (bled before, GOV1).
left out
    Only the cell is left out.
kept
    Kept, with a reading that the owner of the registry should check.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

HELD, EXCLUDED, LEFT_OUT, KEPT = "held", "excluded", "left out", "kept"
PROBLEM_COLUMNS = ["row", "column", "problem", "detail", "action"]
CHANGE_COLUMNS = ["row", "column", "from", "to", "why"]


@dataclass
class Ledger:
    """Problems and changes by row of the file, and notes about the file as a whole."""

    notes: list[str] = field(default_factory=list)
    _problems: list[pd.DataFrame] = field(default_factory=list)
    _changes: list[pd.DataFrame] = field(default_factory=list)

    def note(self, text: str) -> None:
        """Add a remark about the whole file, once."""
        if text not in self.notes:
            self.notes.append(text)

    def problem(self, rows: Iterable[int], column: str, problem: str, action: str, detail: Any = "") -> None:
        """List a problem for each of ``rows``; ``detail`` is one text, or one per row."""
        found = np.asarray(list(rows), dtype=np.int64)
        if found.size:
            self._problems.append(_block(PROBLEM_COLUMNS, found, (column, problem, detail, action)))

    def change(self, rows: Iterable[int], column: str, before: Any, after: Any, why: str) -> None:
        """Log a change for each of ``rows``; row 0 stands for the whole column."""
        found = np.asarray(list(rows), dtype=np.int64)
        if found.size:
            self._changes.append(_block(CHANGE_COLUMNS, found, (column, before, after, why)))

    @property
    def problems(self) -> pd.DataFrame:
        """Every problem, in the order found: row, column, problem, detail, action."""
        return _stack(self._problems, PROBLEM_COLUMNS)

    @property
    def changes(self) -> pd.DataFrame:
        """Every change: row (0: the whole column), column, from, to, why."""
        return _stack(self._changes, CHANGE_COLUMNS)


def _block(columns: list[str], rows: np.ndarray[Any, np.dtype[np.int64]], values: tuple[Any, ...]) -> pd.DataFrame:
    content: dict[str, Any] = {"row": rows}
    for name, value in zip(columns[1:], values, strict=True):
        content[name] = value if isinstance(value, str) else np.asarray(value, dtype=object)
    return pd.DataFrame(content)


def _stack(blocks: list[pd.DataFrame], columns: list[str]) -> pd.DataFrame:
    if not blocks:
        return pd.DataFrame({name: pd.Series(dtype="int64" if name == "row" else "object") for name in columns})
    return pd.concat(blocks, ignore_index=True)
