"""Typed rows: each cell of the file as a date, number or key, every fault listed with its row.

Identifiers end here: a record number joins the rows of a patient and a date of birth gives a birth year, and both are
dropped. A patient's label is the registry's own study number when it looks like one, else ``patient-N``.
"""

from __future__ import annotations

import re

import numpy as np
import pandas as pd

from econmodel.errors import DataError
from econmodel.evidence.registry import words
from econmodel.evidence.registry.columns import DATE_COLUMNS, ColumnMap, plain
from econmodel.evidence.registry.dates import DateColumn, Reading, build_column, infer_order, read_uniques
from econmodel.evidence.registry.ledger import HELD, LEFT_OUT, Ledger
from econmodel.evidence.registry.settings import Options
from econmodel.evidence.registry.table import RawTable

NUMBER_COLUMNS = ("age", "birth_year", "size_mm", "coils", "glue_ml", "sessions")
WORD_READERS: dict[str, words.Reader] = {
    "sex": words.sex,
    "cause": words.cause,
    "child": words.child,
    "varix_type": words.varix_type,
    "red_spot": words.yes_no,
    "previous_bleed": words.yes_no,
    "start_basis": words.start_basis,
    "obliterated": words.yes_no,
    "check_found": words.check_found,
    "complication": words.complication,
    "bled": words.yes_no,
    "bleed_order": words.bleed_order,
    "bleed_source": words.bleed_source,
    "status": words.status,
    "death_cause": words.death_cause,
}
MUST_READ = ("bled", "strategy", "status")
OFTEN, LONGEST_WORD = 3, 30
_OWN_LABEL = r"(?:patient-\d+|[A-Za-z]{0,8}[-_/ ]?\d{1,5}[A-Za-z]?)"
_SEVERAL = re.compile(r"\d\s*(?:mm|cm)?\s*(?:[/+&]|and)\s*\d")
_LIMITS = {"age": (0, 110), "birth_year": (1900, 2100), "size_mm": (0, 100), "coils": (0, 50), "glue_ml": (0, 50), "sessions": (0, 50)}


def type_rows(table: RawTable, columns: ColumnMap, options: Options, ledger: Ledger) -> pd.DataFrame:
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
    DataFrame
        One row per row of the file: ``row``, ``label`` (of the patient) and every name of
        :data:`~econmodel.evidence.registry.columns.SYNONYMS`; missing columns are blank.

    Raises
    ------
    DataError
        A column's dates can be read both ways and the caller has not said which.
    """
    cells = {name: table.cells[heading] for name, heading in columns.found.items()}
    typed = pd.DataFrame({"row": table.cells.index.to_numpy()}, index=table.cells.index)
    typed["label"] = _labels(table, columns, ledger)
    for name, column in _read_dates(cells, options, ledger, table.file).items():
        typed[name] = column.dates
        if name == "bleed_date":
            typed["month_first_day"], typed["month_last_day"] = column.earliest, column.latest
    for name in NUMBER_COLUMNS:
        typed[name] = _read_numbers(cells[name], name, ledger) if name in cells else np.nan
    readers = WORD_READERS | {"strategy": words.strategy_reader(options.strategies)}
    _check_words(options, readers, columns)
    for name, reader in readers.items():
        typed[name] = None
        if name in cells:
            told = _as_told(cells[name], name, options, ledger)
            typed[name] = _read_keys(told, name, reader, options, ledger)
    _use_birth_dates(typed, table, columns)
    ledger.problem(table.overfull, "", "more filled cells than the file has columns", HELD)
    return _blank_missing(typed).rename_axis(None)


def _blank_missing(typed: pd.DataFrame) -> pd.DataFrame:
    for name in (*DATE_COLUMNS, "month_first_day", "month_last_day"):
        if name not in typed:
            typed[name] = np.array("NaT", dtype="datetime64[ns]")
    return typed


def _labels(table: RawTable, columns: ColumnMap, ledger: Ledger) -> pd.Series:
    heading = columns.found.get("id", columns.record_number)
    if not heading:
        ledger.note("the file has no id column: every row is taken as another patient")
        return pd.Series([f"patient-{n}" for n in range(1, len(table.cells) + 1)], index=table.cells.index)
    raw_codes, raw = pd.factorize(table.cells[heading])
    ids = pd.Series(np.array([_plain_id(t) for t in raw], dtype=object)[raw_codes], index=table.cells.index)
    blank = ids.eq("")
    stripped = sum(t[:1] in ("=", "+", "-", "@") for t in raw)
    if stripped:
        ledger.note(f"ids that began with a sign a spreadsheet takes for a formula; the sign was dropped: {stripped}")
    ledger.problem(ids.index[blank], "id", "no id, in a file where ids join the rows of a patient", HELD)
    codes, uniques = pd.factorize(ids.mask(blank, "blank " + ids.index.astype(str).to_series(index=ids.index)))
    own = pd.Series(uniques).str.fullmatch(_OWN_LABEL) & (heading == columns.found.get("id", ""))
    taken = set(pd.Series(uniques)[own])
    free = (f"patient-{n}" for n in range(1, 2 * len(uniques) + 2) if f"patient-{n}" not in taken)
    labels = np.array([u if ok else next(free) for u, ok in zip(uniques, own, strict=True)], dtype=object)
    replaced = int((~own).sum()) - int(blank.sum())
    if replaced:
        ledger.note(f"patients whose ids may be names or record numbers, numbered instead: {replaced}")
    return pd.Series(labels[codes], index=ids.index)


def _plain_id(text: str) -> str:
    return " ".join(text.lstrip("=+@-'\t ").split())


def _read_dates(cells: dict[str, pd.Series], options: Options, ledger: Ledger, file: str) -> dict[str, DateColumn]:
    read = {name: read_uniques(cells[name], options.as_of) for name in DATE_COLUMNS if name in cells}
    orders = {name: infer_order(readings) for name, (_, _, readings) in read.items()}
    open_columns = {n: o for n, o in orders.items() if o in ("ambiguous", "mixed")}
    if open_columns and options.date_order is None:
        raise _ask(open_columns, read, file)
    columns = {}
    for name, (codes, _, readings) in read.items():
        order = str(options.date_order) if name in open_columns else orders[name]
        columns[name] = build_column(cells[name], codes, readings, order, options.as_of)
        _log_dates(name, cells[name], columns[name], ledger)
        if options.date_order and order and order != options.date_order:
            ledger.note(f"{name} is written {_said(order)}, as its own days above 12 show: the option was not used")
    return columns


def _ask(found: dict[str, str], read: dict[str, tuple[np.ndarray, list[str], list[Reading]]], file: str) -> DataError:
    why = {"ambiguous": "no day above 12 shows the order", "mixed": "some of its dates are day first, some month first"}
    listed = "; ".join(f"{name}: {why[kind]}, as in {_example(read[name])}" for name, kind in found.items())
    what = f"dates can be read both ways ({listed})"
    return DataError(what, where=file, fix="say which: --day-first or --month-first")


def _example(read: tuple[np.ndarray, list[str], list[Reading]]) -> str:
    return next(t for t, r in zip(read[1], read[2], strict=True) if r.kind == "numeric" and r.parts[0] != r.parts[1])


def _said(order: str) -> str:
    return order.replace("_", " ")


def _log_dates(name: str, cells: pd.Series, column: DateColumn, ledger: Ledger) -> None:
    for fault, rows in column.faults.groupby(column.faults).groups.items():
        ledger.problem(rows, name, f"impossible date: {fault}", HELD, _shown(cells[rows]))
    for rows, why in (
        (column.serials, "spreadsheet serial number read as a date"),
        (column.months, "a month without a day: the 15th is used"),
    ):
        ledger.change(rows, name, _shown(cells[rows]), column.dates[rows].dt.strftime("%Y-%m-%d").to_numpy(), why)
    if column.order:
        ledger.change([0], name, f"written {_said(column.order)}", "YYYY-MM-DD", "one way of writing dates")
    if column.short_years:
        ledger.change([0], name, f"{column.short_years} years of two digits", "four digits", "the latest century not in the future")


def _shown(cells: pd.Series) -> np.ndarray:
    """Cells that can only be dates; any other text is kept back, since it may name a person."""
    return cells.where(cells.str.fullmatch(r"[\d./\- ]{1,10}|[A-Za-z]{3,9}[-/., ']*\d{2,4}"), "").to_numpy()


def _read_numbers(cells: pd.Series, name: str, ledger: Ledger) -> pd.Series:
    codes, uniques = pd.factorize(cells)
    blank = np.array([plain(t) in words.BLANK_WORDS for t in uniques] + [True], dtype=bool)[codes]
    reader = words.size if name == "size_mm" else words.number
    values = pd.Series(np.array([reader(t) for t in uniques] + [np.nan], dtype=float)[codes], index=cells.index)
    values[blank] = np.nan
    low, high = _LIMITS[name]
    wrong = (values.isna() & ~blank) | values.lt(low) | values.gt(high)
    ledger.problem(cells.index[wrong], name, f"not a number from {low} to {high}", LEFT_OUT)
    if name == "size_mm":
        several = np.array([bool(_SEVERAL.search(t)) for t in uniques] + [False])[codes] & ~wrong
        ledger.change(cells.index[several], name, "several sizes", values[several].to_numpy(), "the largest varix counts")
    return values.where(~wrong)


def _check_words(options: Options, readers: dict[str, words.Reader], columns: ColumnMap) -> None:
    for (name, word), known in options.words.items():
        where = f"--word {name}:{word}={known}"
        if name not in readers or name not in columns.found:
            what = f"the file has no column of words for {name!r}"
            fix = (
                f'say which column it is: --map "COLUMN={name}"'
                if name in readers
                else "choose one of " + ", ".join(n for n in readers if n in columns.found)
            )
            raise DataError(what, where=where, fix=fix)
        if readers[name](known) == words.UNREADABLE:
            what = f"{known!r} is not a word known for {name}"
            raise DataError(what, where=where, fix=f"use one of {words.known_words(name, tuple(options.strategies))}")


def _as_told(cells: pd.Series, name: str, options: Options, ledger: Ledger) -> pd.Series:
    """Put the words the user explained into words known here, and log it."""
    told = {plain(word): known for (column, word), known in options.words.items() if column == name}
    if not told:
        return cells
    codes, uniques = pd.factorize(cells)
    read = pd.Series(np.array([told.get(plain(t), t) for t in uniques], dtype=object)[codes], index=cells.index)
    changed = read.ne(cells)
    ledger.change(cells.index[changed], name, cells[changed].to_numpy(), read[changed].to_numpy(), "a word explained with --word")
    return read


def _read_keys(cells: pd.Series, name: str, reader: words.Reader, options: Options, ledger: Ledger) -> pd.Series:
    keys = words.read_words(cells, reader)
    wrong = keys.eq(words.UNREADABLE)
    what = f"not a word known for {name} ({words.known_words(name, tuple(options.strategies))})"
    shown = _repeated(cells[wrong])
    ledger.problem(cells.index[wrong], name, what, HELD if name in MUST_READ else LEFT_OUT, shown)
    if wrong.any():
        named = ", ".join(f"{word!r} ({n})" for word, n in pd.Series(shown).value_counts().items() if word)
        rest = f" {named}" if named else f" {int(wrong.sum())} cells, one of a kind and so not shown"
        ledger.note(f'words not known for {name}:{rest}; say what one means with --word "{name}:WORD=KNOWN"')
    return keys.where(~wrong, None)


def _repeated(cells: pd.Series) -> np.ndarray:
    """Words that stand in several rows, short; any other text is kept back, since it may name a person."""
    often = cells.map(cells.value_counts()).ge(OFTEN) & cells.str.len().le(LONGEST_WORD)
    return cells.where(often, "").to_numpy()


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
