"""The raw table of a registry: cells as text under headings, numbered by the spreadsheet's own rows."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
import pandas as pd

from econmodel.errors import DataError

HEADER_SEARCH = 30  # rows looked through for the headings
LEAST_KNOWN = 2


@dataclass(frozen=True)
class RawTable:
    """Cells of a registry as text.

    Parameters
    ----------
    cells
        One column per heading; the index holds row numbers as a spreadsheet shows them (1 is the top row).
    overfull
        Row numbers with more filled cells than there are headings.
    notes
        What should be known about the file: encoding, delimiter, sheets, macros.
    file
        Name of the file, without its folder.
    invented
        Whether a line above the headings says that the data are invented or fictional.
    """

    cells: pd.DataFrame
    overfull: tuple[int, ...]
    notes: tuple[str, ...]
    file: str
    invented: bool = False


def assemble(
    cells: pd.DataFrame, header: list[str], first_row: int, notes: tuple[str, ...], name: str, *, invented: bool = False
) -> RawTable:
    """Name the columns, number the rows, strip the cells and drop blank rows.

    Raises
    ------
    DataError
        No row under the headings holds anything.
    """
    cells = cells.fillna("")
    cells.index = pd.RangeIndex(first_row, first_row + len(cells), name="row")
    for column in cells.columns:
        codes, values = pd.factorize(cells[column])
        cells[column] = np.array([str(v).strip() for v in values] or [""], dtype=object)[codes]
    filled = cells != ""
    overfull = tuple(int(r) for r in cells.index[filled.iloc[:, len(header) :].any(axis=1)])
    blank = ~filled.any(axis=1)
    if blank.all():
        what = f"{name} has headings but no patient rows"
        raise DataError(what, where=name, fix="export the registry with its rows")
    if blank.any():
        notes = (*notes, f"blank rows passed over: {int(blank.sum())}")
    cells = cells.loc[~blank].iloc[:, : len(header)]
    cells.columns = pd.Index(unique_headings(header))
    return RawTable(cells.loc[:, [c for c in cells.columns if c]], overfull, notes, name, invented)


def unique_headings(header: list[str]) -> list[str]:
    """Make repeated headings different: the second ``bled`` becomes ``bled (2)``; blank ones stay blank."""
    seen: dict[str, int] = {}
    named = []
    for heading in header:
        seen[heading] = seen.get(heading, 0) + 1
        named.append(heading if seen[heading] == 1 or not heading else f"{heading} ({seen[heading]})")
    return named


def says_invented(title: str) -> bool:
    """Whether the words above the headings label the data as invented."""
    return bool(re.search(r"\b(invented|fictional)\b", title, re.IGNORECASE))


def no_table(name: str) -> DataError:
    """Fault of a file in whose first rows no heading row can be found."""
    what = f"{name} is not a registry table: none of its first {HEADER_SEARCH} rows holds two column names known here"
    fix = 'give each column a heading such as "decision date", "bled", "last seen", or use --map COLUMN=NAME'
    return DataError(what, where=name, fix=fix)
