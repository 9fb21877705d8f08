"""``econmodel registry --ask``: walk through the headings and words of a registry that are not known, on the screen alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import click

from econmodel.errors import DataError
from econmodel.evidence.registry.cleaning import clean_registry
from econmodel.evidence.registry.columns import SYNONYMS
from econmodel.evidence.registry.layouts import draft
from econmodel.evidence.registry.recipe import may_stand, new_key
from econmodel.evidence.registry.rows import UnclearDates, Unknown, known_words
from econmodel.evidence.registry.settings import Options
from econmodel.evidence.registry.table import read_table
from econmodel.wording import nearest

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
    """Ask what each column of no known heading holds."""
    layout = draft(path, replace(options, layout_key=new_key()))[0]
    headings = read_table(path, at=(layout.number, layout.header_row)).headings
    names = [*SYNONYMS, "ignore"]
    chosen = {}
    for heading, (letter, name) in zip((h for h in headings if h), layout.columns.items(), strict=True):
        if not name:
            chosen[letter] = _choose(f"Column {letter}, {heading!r}: what does it hold", names, nearest_name(heading, names))
    return replace(options, mapping={**options.mapping, **chosen})


def nearest_name(heading: str, names: Sequence[str]) -> str:
    """Suggest a name for a heading; ``ignore`` where none is near.

    Examples
    --------
    >>> nearest_name("bleed dt", ["bleed_date", "ignore"]), nearest_name("Mood", ["bleed_date", "ignore"])
    ('bleed_date', 'ignore')
    """
    said = nearest(heading.lower(), names, "'ignore'")
    return said.split("'")[1]


def ask_words(unknown: Sequence[Unknown], options: Options) -> Options:
    """Ask what each unknown word means; ``unknown`` is an answer, ``?`` leaves the word open."""
    told = dict(options.words)
    for word in unknown:
        words = [*known_words(word.column, options), "unknown", LEAVE]
        answer = _choose(f"Column {word.letter} ({word.column}), {word.patients} patients, {word.text!r}: means", words, LEAVE)
        if answer != LEAVE:
            told[word.column, word.text if may_stand(word.text) else f"row {word.row}"] = answer
    return replace(options, words=told)


def _choose(question: str, known: Sequence[str], suggested: str) -> str:
    click.echo(f"{question}? One of: {', '.join(known)}", err=True)
    try:
        answer: str = click.prompt("", default=suggested, err=True, prompt_suffix="> ")
    except click.Abort:
        what = "stopped at a question"
        raise DataError(what, where="--ask", fix="run it in a terminal; nothing was written") from None
    while answer not in known:
        answer = click.prompt(f"{answer!r} is none of them", default=suggested, err=True)
    return answer
