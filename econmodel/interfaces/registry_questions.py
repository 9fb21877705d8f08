"""``econmodel registry --ask``: walk through the headings and words of a registry that are not known, on the screen alone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from difflib import get_close_matches
from itertools import count
from pathlib import Path

import click

from econmodel.errors import DataError
from econmodel.evidence.registry.cleaning import clean_registry
from econmodel.evidence.registry.columns import SYNONYMS, plain
from econmodel.evidence.registry.layouts import draft
from econmodel.evidence.registry.recipe import may_stand, new_key
from econmodel.evidence.registry.rows import UnclearDates, Unknown, known_words
from econmodel.evidence.registry.settings import Options
from econmodel.evidence.registry.table import column_letter, read_table

LEAVE = "?"


def ask(path: Path, options: Options) -> Options:
    """Ask about headings, then about dates and words; what is left open stays open.

    Raises
    ------
    DataError
        The file is no table, or what it lacks cannot be answered here.
    """
    if not options.sheets:
        options = ask_headings(path, options)
    for _ in range(2):
        try:
            return ask_words(clean_registry(path, options).unknown, options)
        except UnclearDates as fault:
            click.echo(fault.what, err=True)
            day = click.confirm("Is 04/03/2021 the fourth of March", default=True, err=True)
            options = replace(options, date_order="day_first" if day else "month_first")
    return options


def ask_headings(path: Path, options: Options) -> Options:
    """Ask what each column of no known heading holds; a name given to several columns is numbered, sessions across."""
    options = replace(options, layout_key=new_key())
    names, sheets = [*SYNONYMS, "ignore"], []
    for layout in draft(path, options):
        headings = read_table(path, at=(layout.number, layout.header_row)).headings
        chosen = dict(layout.columns)
        if "" in chosen.values():
            click.echo(f"Sheet {layout.number}: what do these columns hold? One of: {', '.join(names)}", err=True)
        for letter in chosen:
            heading = dict(zip(map(column_letter, count(1)), headings, strict=False)).get(letter, "")
            if not chosen[letter]:
                chosen[letter] = _choose(f"Column {letter}, {heading!r}", names, nearest_name(heading))
        sheets.append(replace(layout, columns=numbered(chosen)))
    return replace(options, sheets=tuple(sheets))


def numbered(columns: Mapping[str, str]) -> dict[str, str]:
    """Number the names that several columns bear.

    Examples
    --------
    >>> numbered({"A": "id", "F": "coils", "I": "coils", "J": "ignore", "K": "ignore"})
    {'A': 'id', 'F': 'coils 1', 'I': 'coils 2', 'J': 'ignore', 'K': 'ignore'}
    """
    names = list(columns.values())
    found = {}
    for place, (letter, name) in enumerate(columns.items()):
        several = name != "ignore" and names.count(name) > 1
        found[letter] = f"{name} {names[: place + 1].count(name)}" if several else name
    return found


def nearest_name(heading: str) -> str:
    """Suggest a name for a heading; ``ignore`` where no known one is near.

    Examples
    --------
    >>> nearest_name("Bleeding dates"), nearest_name("Mood")
    ('bleed_date', 'ignore')
    """
    known = {word: name for name, words in SYNONYMS.items() for word in (plain(name), *words)}
    close = get_close_matches(plain(heading), known, n=1, cutoff=0.75)
    return known[close[0]] if close else "ignore"


def ask_words(unknown: Sequence[Unknown], options: Options) -> Options:
    """Ask what each unknown word means; ``unknown`` is an answer, ``?`` leaves the word open."""
    told = dict(options.words)
    for word in unknown:
        words = [*known_words(word.column, options), "unknown", LEAVE]
        click.echo(f"One of: {', '.join(words)}", err=True)
        answer = _choose(f"Column {word.letter} ({word.column}), {word.patients} patients, {word.text!r} means", words, LEAVE)
        if answer != LEAVE:
            told[word.column, word.text if may_stand(word.text) else f"row {word.row}"] = answer
    return replace(options, words=told)


def _choose(question: str, known: Sequence[str], suggested: str) -> str:
    try:
        answer: str = click.prompt(question, default=suggested, err=True)
        while answer not in known:
            answer = click.prompt(f"{answer!r} is none of them. {question}", default=suggested, err=True)
    except click.Abort:
        what = "stopped at a question"
        raise DataError(what, where="--ask", fix="run it in a terminal; nothing was written") from None
    return answer
