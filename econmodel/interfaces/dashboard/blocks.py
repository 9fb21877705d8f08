"""Reporting's blocks on the screen: the same content as the papers, every text escaped."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape

import streamlit as st

from econmodel.interfaces.dashboard.screen_words import on_screen
from econmodel.reporting.papers.content import Block, Bullets, KeyNumbers, Paragraph, Table

MOST = 8


def text(words: str, kind: str = "body") -> None:
    """Say something that may hold what a user typed: shown as plain text, never as markup."""
    st.html(f'<p class="say {kind}">{_shown(words)}</p>')


def note(words: str) -> None:
    """Say something in small print."""
    text(words, "note")


def points(items: Iterable[str], kind: str = "body") -> None:
    """Say several things, one below the other."""
    listed = "".join(f"<li>{_shown(item)}</li>" for item in items)
    st.html(f'<ul class="say points {kind}">{listed}</ul>')


def alert(words: str) -> None:
    """Say why something was refused; read out at once by a screen reader."""
    st.html(f'<div class="refusal" role="alert">{_shown(words)}</div>')


def banner(words: str) -> None:
    """Warn that data are invented."""
    if words:
        st.html(f'<div class="banner" role="note">{escape(words)}</div>')


def numbers(block: KeyNumbers, place: str = "numbers") -> None:
    """Show headline numbers as tiles: what it is in plain words, the number, and what is needed to use it."""
    with st.container(key=f"tiles_{place}"):
        for column, number in zip(st.columns(len(block.numbers)), block.numbers, strict=True):
            column.metric(number.label, number.value)
            column.caption(number.note)


def table(block: Table) -> None:
    """Show a table that a reader can scroll, print and hear; the first column heads each row."""
    whole = sum(c.width for c in block.columns)
    size = "small" if block.small else "many" if len(block.columns) > MOST else "plain"
    widths = "" if size == "plain" else "".join(f'<col style="width:{c.width / whole:.1%}">' for c in block.columns)
    head = "".join(f'<th scope="col"{_side(c.is_number)}>{escape(c.heading)}</th>' for c in block.columns)
    rows = "".join(_row(block, row) for row in block.rows)
    below = f'<p class="say note">{_shown(block.note)}</p>' if block.note else ""
    st.html(
        f'<div class="scroll" tabindex="0" role="region" aria-label="{escape(block.caption, quote=True)}">'
        f'<table class="{size}"><caption>{escape(block.caption)}</caption>'
        f"<colgroup>{widths}</colgroup><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table></div>{below}"
    )


def flow(items: Iterable[Block]) -> None:
    """Show paragraphs, lists and tables of a paper one below the other; pictures stay with their pages."""
    for item in items:
        if isinstance(item, Table):
            table(item)
        elif isinstance(item, Bullets):
            points(lead + words for lead, words in item.items)
        elif isinstance(item, Paragraph):
            text(item.text)


def across(first: str, headings: Iterable[str], width: float = 2.4) -> list[tuple[str, float] | tuple[str, float, bool]]:
    """Give the columns of a table with a wide first one and numbers under every other heading."""
    return [(first, width), *((heading, 1.0, True) for heading in headings)]


def _row(block: Table, row: tuple[str, ...]) -> str:
    cells = "".join(
        f'<td{_side(c.is_number)} data-label="{escape(c.heading, quote=True)}">{_shown(value)}</td>'
        for c, value in zip(block.columns[1:], row[1:], strict=True)
    )
    return f'<tr><th scope="row">{_shown(row[0])}</th>{cells}</tr>'


def _shown(words: str) -> str:
    """Words of a terminal in those of the screen, and nothing of it markup."""
    return escape(on_screen(words))


def _side(is_number: bool) -> str:
    return ' class="number"' if is_number else ""
