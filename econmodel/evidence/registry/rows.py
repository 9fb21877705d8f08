"""Typed rows: each cell of the file as a date, number or key, every fault listed with its row.

Identifiers end here: what stands under id (or a record number) joins the rows of a patient, who is then numbered by us; a date
of birth gives an age; both are dropped. No text of a cell goes further, only what is known: a word that is not is counted, and told
by its column's letter, a number and the row it first stands in. :class:`Unknown` keeps it for the person at the screen.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable

import numpy as np
import pandas as pd

from econmodel.errors import DataError, ParameterError
from econmodel.evidence.registry import words
from econmodel.evidence.registry.columns import DATE_COLUMNS, ColumnMap, plain
from econmodel.evidence.registry.dates import DateColumn, build_column, infer_order, read_uniques
from econmodel.evidence.registry.ledger import HELD, LEFT_OUT, Ledger
from econmodel.evidence.registry.settings import Options
from econmodel.evidence.registry.table import THE_FILE, RawTable
from econmodel.evidence.registry.vocabulary import NONE, UNREADABLE, is_blank, keys_of, meanings_of, read_cells
from econmodel.numbers import TwoReadings, style_of
from econmodel.records import record

NUMBER_COLUMNS = ("age", "birth_year", "size_mm", "coils", "glue_ml", "sessions")
CLASS_READERS: dict[str, Callable[[str], str]] = {"child": words.child, "varix_type": words.varix_type}
CLASSES = {"child": ("A", "B", "C"), "varix_type": ("GOV1", "GOV2", "IGV1", "IGV2")}
WORD_COLUMNS = (
    "sex",
    "cause",
    *CLASS_READERS,
    "red_spot",
    "previous_bleed",
    "start_basis",
    "obliterated",
    "check_found",
    "complication",
    "bled",
    "bleed_order",
    "bleed_source",
    "status",
    "death_cause",
    "strategy",
)
MUST_READ = ("bled", "strategy", "status", "complication", "bleed_source", "death_cause")
PER_SHEET = 1_000_000  # rows of sheets after the first are numbered beyond it
SAID = 5  # unknown words of a column told one by one
_NUMBERS = re.compile(r"\d+(?:[.,]\d+)*")
_SEVERAL = re.compile(r"\d\s*(?:mm|cm)?\s*(?:[/+&]|and)\s*\d")
_LIMITS = {"age": (0, 110), "birth_year": (1900, 2100), "size_mm": (0, 100), "coils": (0, 50), "glue_ml": (0, 50), "sessions": (0, 50)}
_OURS = r"patient-\d{1,6}"


class UnclearDates(DataError):
    """Dates can be read both ways, and nobody has said which."""


@record
class Unknown:
    """A word that no vocabulary holds: where it stands, how often, and the text, which goes to no file.

    Parameters
    ----------
    column, letter, number
        Our name of the column, its letter in the file, and the word's number in it, by first row.
    row, cells, patients
        First row, and how many cells and patients have it.
    text
        As typed.
    """

    column: str
    letter: str
    number: int
    row: int
    cells: int
    patients: int
    text: str

    def __str__(self) -> str:
        """Where it stands, without the word."""
        return f"no. {self.number}, {self.patients} patients, first in row {self.row % PER_SHEET}"


def type_rows(table: RawTable, columns: ColumnMap, options: Options, ledger: Ledger) -> tuple[pd.DataFrame, tuple[Unknown, ...]]:
    """Read every known column.

    Parameters
    ----------
    table
        Cells as text.
    columns
        Which heading holds what.
    options
        Settles ambiguous dates; names the strategies.
    ledger
        Receives faults, changes and notes.

    Returns
    -------
    rows
        One row per row of the file: ``row``, ``label`` (of the patient) and every name of
        :data:`~econmodel.evidence.registry.columns.SYNONYMS`; missing columns are blank.
    unknown
        The words that are not known.

    Raises
    ------
    DataError
        A column's dates can be read both ways and the caller has not said which.
    """
    cells = {name: table.cells[heading] for name, heading in columns.found.items()}
    letters = {name: table.letters[heading] for name, heading in columns.found.items()}
    typed = pd.DataFrame({"row": table.cells.index.to_numpy()}, index=table.cells.index)
    typed["label"] = _labels(table, columns, ledger)
    for name, column in _read_dates(cells, letters, options, ledger).items():
        typed[name] = column.dates
        if name == "bleed_date":
            typed["month_first_day"], typed["month_last_day"] = column.earliest, column.latest
    for name in NUMBER_COLUMNS:
        typed[name] = _read_numbers(cells[name], name, options.number_style, ledger) if name in cells else np.nan
    told, unknown = _told(cells, letters, options), []
    for name in WORD_COLUMNS:
        typed[name] = None
        if name in cells:
            typed[name], texts = _read_keys(cells[name], name, told.get(name, {}), options, ledger)
            unknown += _unknown(texts, name, letters[name], typed["label"], ledger)
    _use_birth_dates(typed, table, columns)
    ledger.problem(table.overfull, "", "more filled cells than the file has columns", HELD)
    return _blank_missing(typed).rename_axis(None), tuple(unknown)


def _blank_missing(typed: pd.DataFrame) -> pd.DataFrame:
    for name in (*DATE_COLUMNS, "month_first_day", "month_last_day"):
        if name not in typed:
            typed[name] = np.array("NaT", dtype="datetime64[ns]")
    return typed


def _labels(table: RawTable, columns: ColumnMap, ledger: Ledger) -> pd.Series:
    """Number the patients in order of appearance; numbers of ours, as a repaired file has them, stay."""
    heading = columns.found.get("id", columns.record_number)
    if not heading:
        ledger.note("the file has no id column: every row is taken as another patient")
        return pd.Series([f"patient-{n}" for n in range(1, len(table.cells) + 1)], index=table.cells.index)
    ids = plain_ids(table.cells[heading])
    blank = ids.eq("")
    ledger.problem(ids.index[blank], "id", "no id, in a file where ids join the rows of a patient", HELD)
    if ids[~blank].str.fullmatch(_OURS).all() and not blank.any():
        return ids
    codes = pd.factorize(ids.mask(blank, "blank " + ids.index.astype(str).to_series(index=ids.index)))[0]
    return pd.Series([f"patient-{code + 1}" for code in codes], index=ids.index, dtype=object)


def plain_ids(cells: pd.Series) -> pd.Series:
    """Ids as they join rows: without the signs a spreadsheet takes for a formula, single spaces."""
    codes, raw = pd.factorize(cells)
    return pd.Series(np.array([" ".join(t.lstrip("=+@-'\t ").split()) for t in raw], dtype=object)[codes], index=cells.index)


def _read_dates(cells: dict[str, pd.Series], letters: dict[str, str], options: Options, ledger: Ledger) -> dict[str, DateColumn]:
    read = {name: read_uniques(cells[name], options.as_of) for name in DATE_COLUMNS if name in cells}
    orders = {name: infer_order(readings) for name, (_, _, readings) in read.items()}
    open_columns = {n: o for n, o in orders.items() if o in ("ambiguous", "mixed")}
    if open_columns and options.date_order is None:
        raise _ask(open_columns, letters)
    columns = {}
    for name, (codes, _, readings) in read.items():
        order = str(options.date_order) if name in open_columns else orders[name]
        columns[name] = build_column(cells[name], codes, readings, order, options.as_of)
        _log_dates(name, columns[name], ledger)
        if options.date_order and order and order != options.date_order:
            ledger.note(f"{name} is written {_said(order)}, as its own days above 12 show: the option was not used")
    return columns


def _ask(found: dict[str, str], letters: dict[str, str]) -> UnclearDates:
    why = {"ambiguous": "no day above 12 shows the order", "mixed": "some of its dates are day first, some month first"}
    listed = "; ".join(f"{name} in column {letters[name]}: {why[kind]}" for name, kind in found.items())
    what = f"dates can be read both ways ({listed})"
    return UnclearDates(what, where=THE_FILE, fix="say which: --day-first or --month-first")


def _said(order: str) -> str:
    return order.replace("_", " ")


def _log_dates(name: str, column: DateColumn, ledger: Ledger) -> None:
    for fault, rows in column.faults.groupby(column.faults).groups.items():
        ledger.problem(rows, name, f"impossible date: {fault}", HELD)
    for rows, before, why in (
        (column.serials, "a number", "spreadsheet serial number read as a date"),
        (column.months, "a month", "a month without a day: the 15th is used"),
    ):
        ledger.change(rows, name, before, column.dates[rows].dt.strftime("%Y-%m-%d").to_numpy(), why)
    if column.order:
        ledger.change([0], name, f"written {_said(column.order)}", "YYYY-MM-DD", "one way of writing dates")
    if column.short_years:
        ledger.change([0], name, f"{column.short_years} years of two digits", "four digits", "the latest century not in the future")


def _read_numbers(cells: pd.Series, name: str, style: str, ledger: Ledger) -> pd.Series:
    """Numbers of a column in the style of its cells with one reading, else in that of the recipe."""
    codes, uniques = pd.factorize(cells)
    found = style_of(n for t in uniques for n in _NUMBERS.findall(t))
    style = style if found == "unknown" else found
    read = [_read_one(t, name, style) for t in uniques]
    values = pd.Series(np.array([*read, np.nan], dtype=float)[codes], index=cells.index)
    blank = np.array([is_blank(t) for t in uniques] + [True], dtype=bool)[codes]
    low, high = _LIMITS[name]
    unclear = np.isinf(values)
    wrong = (values.isna() & ~blank) | (~unclear & (values.lt(low) | values.gt(high)))
    ledger.problem(cells.index[wrong], name, f"not a number from {low} to {high}", LEFT_OUT)
    what = "as 1.250 may be 1,250 or 1.25, and no other cell of the column tells; number_style in the recipe does"
    ledger.problem(cells.index[unclear], name, what, LEFT_OUT)
    if style == "comma":
        ledger.change([0], name, "written with a decimal comma", "a decimal point", "one way of writing numbers")
    if name == "size_mm":
        several = np.array([bool(_SEVERAL.search(t)) for t in uniques] + [False])[codes] & ~wrong & ~unclear
        ledger.change(cells.index[several], name, "several sizes", values[several].to_numpy(), "the largest varix counts")
    return values.where(~wrong & ~unclear)


def _read_one(text: str, name: str, style: str) -> float:
    """Number of a cell; NaN where it is none, infinite where it has two readings."""
    try:
        return math.nan if is_blank(text) else (words.size if name == "size_mm" else words.number)(text, style)
    except TwoReadings:
        return math.inf
    except ParameterError:
        return math.nan


def _told(cells: dict[str, pd.Series], letters: dict[str, str], options: Options) -> dict[str, dict[str, str]]:
    """What the user says words mean, by column: word -> key. A word may be named by its row."""
    found: dict[str, dict[str, str]] = {}
    for (column, word), known in options.words.items():
        where = f"--word {column}:...={known}"
        name = next((n for n in WORD_COLUMNS if n in cells and column in (n, letters[n])), "")
        if not name:
            what = f"the file has no column of words for {column!r}"
            fix = (
                f'say which column it is: --map "COLUMN={column}"'
                if column in WORD_COLUMNS
                else "choose one of " + ", ".join(n for n in WORD_COLUMNS if n in cells)
            )
            raise DataError(what, where=where, fix=fix)
        key = known if is_blank(known) else known_key(name, known, options)
        if key == UNREADABLE:
            what = f"{known!r} is not a word known for {name}"
            raise DataError(what, where=where, fix=f"use one of {', '.join(known_words(name, options))}")
        row = re.fullmatch(r"row (\d{1,8})", word)
        texts = _in_row(cells[name], int(row[1]), name, options) if row else [word]
        found.setdefault(name, {}).update(dict.fromkeys(texts, "" if is_blank(known) else key))
    return found


def _in_row(cells: pd.Series, row: int, name: str, options: Options) -> list[str]:
    """Words of a column in a row of the file that are not known."""
    texts = cells[(cells.index % PER_SHEET == row) & cells.ne("")]
    return [text for text in texts if known_key(name, text, options) == UNREADABLE]


def known_key(name: str, known: str, options: Options) -> str:
    """Key of a word that is known for a column, ``UNREADABLE`` for another."""
    if name in CLASS_READERS:
        return CLASS_READERS[name](known)
    key = read_cells([known], name, meanings_of(name, options.strategies))[0]
    return NONE if key in (None, "none") else str(key)


def known_words(name: str, options: Options) -> tuple[str, ...]:
    """Words that a column takes, for a message: its keys."""
    return CLASSES.get(name) or keys_of(name, options.strategies)


def _read_keys(cells: pd.Series, name: str, told: dict[str, str], options: Options, ledger: Ledger) -> tuple[pd.Series, pd.Series]:
    """Keys of a column, and the cells that hold an unknown word; what words told mean is logged without the words."""
    codes, uniques = pd.factorize(cells)
    if name in CLASS_READERS:
        by_word = {plain(word): key for word, key in told.items()}
        texts = [by_word.get(plain(t), t) for t in uniques]
        keys = [None if is_blank(t) else CLASS_READERS[name](t) for t in texts]
    else:
        keys = read_cells(list(uniques), name, meanings_of(name, options.strategies, told))
    read = pd.Series(np.array([*keys, None], dtype=object)[codes], index=cells.index, dtype=object)
    known = {plain(word) for word in told}
    explained = cells.index[np.array([*(plain(t) in known for t in uniques), False])[codes]]
    ledger.change(explained, name, "a word told", read[explained].fillna("").to_numpy(), "a word explained by the user")
    wrong = read.eq(UNREADABLE)
    what = f"not a word known for {name} ({', '.join(known_words(name, options))})"
    ledger.problem(cells.index[wrong], name, what, HELD if name in MUST_READ else LEFT_OUT)
    return read.where(~wrong, None), cells[wrong]


def _unknown(cells: pd.Series, name: str, letter: str, labels: pd.Series, ledger: Ledger) -> list[Unknown]:
    """Number the unknown words of a column by first row, and say where they stand."""
    by_word = cells.groupby(cells.str.split().str.join(" ").str.lower(), sort=False)
    found = [
        Unknown(name, letter, n, int(part.index[0]), len(part), int(labels[part.index].nunique()), str(part.iloc[0]))
        for n, (_, part) in enumerate(by_word, start=1)
    ]
    if found:
        rest = f"; and {len(found) - SAID} more" if len(found) > SAID else ""
        ledger.note(
            f"column {letter} ({name}), words not known: {'; '.join(map(str, found[:SAID]))}{rest}. Say what one means: "
            f'--word "{name}:row {found[0].row % PER_SHEET}=KNOWN"; --show-words shows them here'
        )
    return found


def _use_birth_dates(typed: pd.DataFrame, table: RawTable, columns: ColumnMap) -> None:
    if not columns.birth_date:
        return
    texts = table.cells[columns.birth_date]
    years = pd.to_numeric(texts.str.extract(r"((?:19|20)\d\d)")[0], errors="coerce")
    typed["birth_year"] = typed["birth_year"].fillna(years)


def drop_duplicates(typed: pd.DataFrame, ledger: Ledger) -> pd.DataFrame:
    """Drop rows that repeat another row of the same patient in every known cell, and log them."""
    twin = typed.duplicated(subset=[n for n in typed.columns if n != "row"], keep="first")
    ledger.change(typed.loc[twin, "row"], "", "row", "dropped", "the same as another row of this patient")
    return typed.loc[~twin]
