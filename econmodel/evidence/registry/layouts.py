"""The tables of a registry as a recipe lays them out: lettered columns become named ones, wide rows long, sheets one table.

Rows keep their place: a row's number in the index is its row in the sheet, plus a million for each sheet before it and ten million
for each repetition within it (sessions 2, 3 ... across).
"""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pandas as pd

from econmodel.errors import DataError
from econmodel.evidence.registry.columns import BIRTH_DATES, RECORD_NUMBERS, map_columns, plain, recognise
from econmodel.evidence.registry.recipe import layout_of
from econmodel.evidence.registry.rows import PER_SHEET
from econmodel.evidence.registry.settings import Options, SheetLayout
from econmodel.evidence.registry.table import HEADER_SEARCH, RawTable, read_table

PER_REPETITION = 10 * PER_SHEET


def sheet_of(place: int) -> int:
    """Number of the table in the recipe, from 1."""
    return place % PER_REPETITION // PER_SHEET + 1


def read_layouts(path: Path, options: Options) -> RawTable:
    """Read the tables of a recipe as one, its columns under our names.

    Raises
    ------
    DataError
        A sheet or column is not there, the headings are not those the recipe was written for, or a joined sheet has no id.
    """
    tables = [read_table(path, at=(layout.number, layout.header_row), largest=options.largest) for layout in options.sheets]
    frames: list[pd.DataFrame] = []
    letters: dict[str, str] = {}
    overfull: list[int] = []
    several = len(tables) > 1
    for count, (table, layout) in enumerate(zip(tables, options.sheets, strict=True)):
        _check(table, layout, options.layout_key, several=several)
        for frame in _named(table, layout):
            frame.index += count * PER_SHEET
            frames.append(frame)
        overfull += [row + count * PER_SHEET for row in table.overfull if row >= layout.first_row]
        for letter, name in layout.columns.items():
            letters.setdefault(_unnumbered(name), f"{layout.number}:{letter}" if several else letter)
    cells = pd.concat(frames).fillna("")
    notes = tuple(dict.fromkeys(note for table in tables for note in table.notes))
    invented = any(table.invented for table in tables)
    return RawTable(cells, tuple(overfull), notes, {str(name): letters[str(name)] for name in cells}, invented, mark=tables[0].mark)


def _unnumbered(name: str) -> str:
    return re.sub(r" \d+$", "", name)


def _check(table: RawTable, layout: SheetLayout, key: str, *, several: bool) -> None:
    where = f"sheet {layout.number} of the registry's file"
    absent = [letter for letter in layout.columns if letter not in table.cells]
    if absent:
        what = f"the recipe names columns {', '.join(absent)}, which the sheet does not have"
        raise DataError(what, where=where, fix="check sheet and header_row in the recipe")
    if layout.layout and layout.layout != headings_hash(table, layout.first_row, key):
        what = "the headings are not those the recipe was written for: a column may have moved"
        raise DataError(what, where=where, fix="compare the columns, then delete the line layout of the recipe")
    if several and "id" not in layout.columns.values():
        what = "sheets are joined by id, and the recipe names no column id"
        raise DataError(what, where=where, fix='name the column with the patient number: LETTER = "id"')


def headings_hash(table: RawTable, first_row: int, key: str) -> str:
    """Keyed hash of a table's headings, units and all, above its first row of patients."""
    between = table.cells.loc[table.cells.index < first_row]
    rows = [table.headings, *between.to_numpy().tolist()]
    return layout_of((f"{r}.{n} {text}" for r, row in enumerate(rows) for n, text in enumerate(row) if text), key)


def _named(table: RawTable, layout: SheetLayout) -> list[pd.DataFrame]:
    """Rows under our names; where names are numbered, a further frame for each number but the first, with the id."""
    cells = table.cells.loc[table.cells.index >= layout.first_row]
    used = {letter: name for letter, name in layout.columns.items() if name != "ignore"}
    numbers = sorted({int(name.rsplit(" ", 1)[1]) for name in used.values() if name != _unnumbered(name)}) or [0]
    frames = []
    for count, number in enumerate(numbers):
        own = {letter: _unnumbered(name) for letter, name in used.items() if name.endswith(f" {number}")}
        shared = {letter: name for letter, name in used.items() if name == _unnumbered(name) and (not count or name == "id")}
        frame = cells[[*shared, *own]].set_axis([*shared.values(), *own.values()], axis=1)
        if count:
            frame = frame.loc[(frame[list(own.values())] != "").any(axis=1)]
        frame.index = frame.index + count * PER_REPETITION
        frames.append(frame)
    return frames


def understood(table: RawTable, options: Options) -> SheetLayout:
    """Lay out a table that was read by its headings; a column of no known meaning is left open ("")."""
    try:
        columns = map_columns(table.letters, options.mapping)
        found = {heading: name for name, heading in columns.found.items()}
        found |= {columns.record_number: "id"} if columns.record_number and "id" not in columns.found else {}
        found |= {columns.birth_date: "birth_date"} if columns.birth_date else {}
    except DataError:
        columns, found = None, {h: name for h in table.letters if (name := recognise(h)) not in ("", "identifier")}
    dropped = columns.identifiers if columns else tuple(h for h in table.letters if recognise(h) == "identifier")
    named = {letter: found.get(h, "ignore" if h in dropped else "") for h, letter in table.letters.items()}
    first_row = table.header_row + 1
    layout = headings_hash(table, first_row, options.layout_key)
    return SheetLayout(table.sheet, table.header_row, first_row, named, layout)


def draft(path: Path, options: Options) -> tuple[SheetLayout, ...]:
    """Lay out a file of which too little is known to be read: each sheet with an id and headings known, else the first.

    Headings stand in the row with most words among the first, patients below from the row with numbers or dates on.
    """
    if options.sheets:
        return options.sheets
    first = read_table(path, at=(1, 1))
    tables = [first, *(read_table(path, at=(n, 1)) for n in range(2, first.sheets + 1))]
    found = [_guessed(table, options) for table in tables]
    known = [layout for layout in found if "id" in layout.columns.values() and len({*layout.columns.values()} - {"", "ignore"}) > 1]
    return tuple(known) or (max(found, key=lambda layout: len(layout.columns)),)


def _guessed(table: RawTable, options: Options) -> SheetLayout:
    rows = {1: list(table.headings)} | dict(zip(table.cells.index, table.cells.to_numpy().tolist(), strict=True))
    top = {row: cells for row, cells in rows.items() if row <= HEADER_SEARCH}
    header = max(top, key=lambda row: len({cell for cell in top[row] if cell and not _FIGURES.match(cell)}))
    below = [row for row in rows if row > header]
    first_row = next((row for row in below if sum(bool(_FIGURES.match(cell)) for cell in rows[row]) > 1), header + 1)
    columns, used = {}, set[str]()
    for number, letter in enumerate(table.cells.columns):
        heading = rows[header][number] if number < len(rows[header]) else ""
        name = options.mapping.get(letter, options.mapping.get(heading, recognise(heading)))
        if name == "identifier":
            once = {"id": RECORD_NUMBERS, "birth_date": BIRTH_DATES}
            name = next((n for n, words in once.items() if plain(heading) in words and n not in used), name)
        columns[str(letter)] = "ignore" if name == "identifier" else "" if name in used else name
        used |= {name}
    filled = (table.cells.loc[table.cells.index >= first_row] != "").any()
    columns = {letter: name for letter, name in columns.items() if name or filled[letter]}
    here = replace(table, headings=tuple(rows[header]), cells=table.cells.loc[table.cells.index > header])
    return SheetLayout(table.sheet, header, first_row, columns, headings_hash(here, first_row, options.layout_key))


_FIGURES = re.compile(r"^\W*\d")
