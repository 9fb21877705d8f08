"""A registry's recipe: where its tables stand, what its columns and words mean. Written by the first run, read by later ones.

It holds no heading and no word of the file but those that a person has typed or confirmed there; columns are letters, unknown words
their places. Names are those of :data:`~econmodel.evidence.registry.columns.SYNONYMS` and ``birth_date``; ``ignore`` drops a column.

    date_order = "day_first"
    number_style = "comma"          # of numbers with two readings
    [[sheet]]
    number = 1                      # sheets are joined by id
    header_row = 2
    first_row = 4                   # what lies between is heading or units
    [sheet.columns]
    A = "id"
    F = "session_date 1"            # several columns of one row to one name
    I = "session_date 2"
    [words.status]                  # words and code book
    "RIP" = "dead"
    "9" = "unknown"
    "row 23" = "lost"               # the word that stands in row 23 of that column
"""

from __future__ import annotations

import hmac
import re
import secrets
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

from econmodel.errors import DataError
from econmodel.evidence.registry.columns import SYNONYMS
from econmodel.evidence.registry.recipe_book import book_of, document_of
from econmodel.evidence.registry.rows import MUST_READ, WORD_COLUMNS, Unknown, known_words
from econmodel.evidence.registry.settings import Options, SheetLayout
from econmodel.parameters.documents import parse_toml, read_text
from econmodel.wording import nearest

TOP = ("date_order", "number_style", "layout_key", "sheet", "words")
OF_SHEET = ("number", "header_row", "first_row", "layout", "columns")
ORDERS = ("day_first", "month_first")
STYLES = ("point", "comma", "unknown")
NAMES = (*SYNONYMS, "birth_date", "ignore")
LONGEST = 30
_NUMBERED = re.compile(r"(\w+?) (\d+)")


def may_stand(word: str) -> bool:
    """Whether a word may stand in a recipe: short, and no record number or year of birth in it.

    Examples
    --------
    >>> may_stand("RIP"), may_stand("row 12345"), may_stand("SMITH-1950"), may_stand("x" * 31)
    (True, True, False, False)
    """
    short = len(word) <= LONGEST and word.isprintable()
    return bool(re.fullmatch(r"row \d{1,8}", word)) or (short and not re.search(r"\d{4}", word))


def read_recipe(path: Path, options: Options) -> Options:
    """Lay a recipe (TOML, or its XLSX) under options: words and date order given by hand go before those of the recipe.

    Raises
    ------
    EconModelError
        The file is no recipe: not TOML, an unknown key, name, letter or order, or a word that may not stand there.
    """
    is_book = path.name.lower().endswith(".xlsx")
    document = document_of(path) if is_book else parse_toml(read_text(path), path.name)
    _only(document, TOP, path)
    order = document.get("date_order")
    if order not in (None, *ORDERS):
        raise _refused(path, f"date_order = {order!r} must be one of {', '.join(ORDERS)}", "day_first reads 04/03 as 4 March")
    style = document.get("number_style", "unknown")
    if style not in STYLES:
        raise _refused(path, f"number_style = {style!r} must be one of {', '.join(STYLES)}", "comma reads 1,250 as 1.25")
    sheets = tuple(_sheet(sheet, path) for sheet in document.get("sheet", []))
    if not sheets:
        raise _refused(path, "the recipe names no [[sheet]]", "let a run write a new recipe")
    return replace(
        options,
        sheets=sheets,
        layout_key=str(document.get("layout_key", "")),
        date_order=options.date_order or order,
        number_style=style,
        words=_words(document.get("words", {}), path) | dict(options.words),
    )


def _refused(path: Path, what: str, fix: str) -> DataError:
    return DataError(what, where=path.name, fix=fix)


def _only(found: Any, known: Sequence[str], path: Path) -> None:
    if not isinstance(found, Mapping):
        raise _refused(path, f"a table with {', '.join(known)} is wanted, not {found!r}", "let a run write a new recipe")
    for key in found:
        if key not in known:
            raise _refused(path, f"the recipe has an unknown key {key!r}", nearest(key, known))


def _sheet(raw: Any, path: Path) -> SheetLayout:
    _only(raw, OF_SHEET, path)
    header = raw.get("header_row", 1)
    below = header + 1 if isinstance(header, int) else 1
    numbers = {"number": raw.get("number", 1), "header_row": header, "first_row": raw.get("first_row", below)}
    for key, value in numbers.items():
        if not isinstance(value, int) or value < 1 or (key == "first_row" and value <= header):
            raise _refused(path, f"{key} = {value!r} must be a row or sheet as a spreadsheet counts them", "rows count from 1")
    columns = {str(letter): str(name) for letter, name in raw.get("columns", {}).items()}
    for letter, name in columns.items():
        plain_name = m[1] if (m := _NUMBERED.fullmatch(name)) else name
        if plain_name not in NAMES:
            raise _refused(path, f"column {letter} = {name!r}: no such name", nearest(plain_name, NAMES))
        if not re.fullmatch(r"[A-Z]{1,3}", letter):
            raise _refused(path, f"{letter} = {name!r}: columns are named by their letters", "for example AB")
    twice = {name for name in columns.values() if name != "ignore" and list(columns.values()).count(name) > 1}
    if twice:
        raise _refused(path, f"several columns are {', '.join(sorted(twice))}", 'number them: "session_date 1", "session_date 2"')
    return SheetLayout(**numbers, columns=columns, layout=str(raw.get("layout", "")))


def _words(raw: Any, path: Path) -> dict[tuple[str, str], str]:
    _only(raw, WORD_COLUMNS, path)
    found = {}
    for name, words in raw.items():
        for word, known in words.items():
            if not may_stand(word):
                what = f"a word of {name} is longer than {LONGEST} characters or has four digits in a row"
                raise _refused(path, what, 'name it by its row: "row 23" = "..."')
            found[name, word] = str(known)
    return found


def layout_of(headings: Iterable[str], key: str) -> str:
    """Keyed hash of headings, which tells whether they are the same and not what they are."""
    return hmac.new(key.encode(), "\x1f".join(headings).encode(), "sha256").hexdigest()[:16]


def new_key() -> str:
    """Make a key for hashes of headings."""
    return secrets.token_hex(8)


def recipe_text(sheets: Sequence[SheetLayout], unknown: Sequence[Unknown], options: Options) -> str:
    """Text of a recipe: what was understood, and every open question as a line to fill in."""
    lines = [
        "# How this registry's file is read. Fill in what is open, then: econmodel registry FILE --recipe recipe.toml",
        "# Names of columns, and words: econmodel registry --words. Several columns of one row to one name:",
        '# "session_date 1", "session_date 2". Another sheet: another [[sheet]], joined by id. first_row: below headings and units.',
        f'date_order = "{options.date_order}"' if options.date_order else '# date_order = "day_first"',
        f'{"# " if options.number_style == "unknown" else ""}number_style = "{options.number_style}"  # point, comma: of 1,250',
        f'layout_key = "{options.layout_key}"',
    ]
    for sheet in sheets:
        lines += ["", "[[sheet]]", f"number = {sheet.number}", f"header_row = {sheet.header_row}", f"first_row = {sheet.first_row}"]
        lines += [f'layout = "{sheet.layout}"', "", "[sheet.columns]"]
        lines += [f'{letter} = "{name}"' if name else f'# {letter} = "?"' for letter, name in sheet.columns.items()]
    told = {column: [(w, known) for (c, w), known in options.words.items() if c == column] for column in WORD_COLUMNS}
    for column in WORD_COLUMNS:
        open_words = [word for word in unknown if word.column == column]
        if told[column] or open_words:
            lines += ["", f"[words.{column}]"]
            lines += [f"{_quoted(word)} = {_quoted(known)}" for word, known in told[column] if may_stand(word)]
            lines += _asked(open_words, column, options)
    return "\n".join(lines) + "\n"


def recipe_book(sheets: Sequence[SheetLayout], unknown: Sequence[Unknown], options: Options) -> bytes:
    """Write the recipe of :func:`recipe_text` as a workbook, what is open to be picked from lists."""
    words: dict[str, dict[str, str]] = {}
    for (column, word), known in options.words.items():
        if may_stand(word) and column in WORD_COLUMNS:
            words.setdefault(column, {})[word] = known
    for w in unknown:
        words.setdefault(w.column, {})[f"row {w.row}"] = ""
    document = {
        "date_order": options.date_order or "",
        "number_style": options.number_style,
        "layout_key": options.layout_key,
        "sheet": [asdict(sheet) for sheet in sheets],
        "words": words,
    }
    lists = {"columns": NAMES, "date_order": ORDERS, "number_style": STYLES}
    lists |= {name: (*known_words(name, options), "unknown") for name in WORD_COLUMNS}
    return book_of(document, {(w.column, f"row {w.row}"): f"column {w.letter}, word {w}" for w in unknown}, lists)


def _asked(unknown: Sequence[Unknown], column: str, options: Options) -> Iterable[str]:
    held = "its patients are held" if column in MUST_READ else "its cells are left out"
    for word in unknown:
        yield f"# column {word.letter}: unknown word {word} = ?  ({held}; one of {', '.join(known_words(column, options))}, unknown)"
        yield f'# "row {word.row}" = "?"'


def _quoted(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'
