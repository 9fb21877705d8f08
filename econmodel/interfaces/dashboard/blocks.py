"""Reporting's blocks on the screen: the same content as the papers, every text escaped."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Mapping
from html import escape

import streamlit as st

from econmodel.interfaces.dashboard.screen_words import on_screen
from econmodel.reporting.papers.content import Block, Bullets, KeyNumbers, Paragraph, Table

MOST = 8


def text(words: str, kind: str = "body") -> None:
    """Say something that may hold what a user typed: shown as plain text, never as markup."""
    st.html(f'<p class="say {kind}">{_shown(words)}</p>')


def live(words: str, kind: str, below: str = "") -> None:
    """Say what a screen reader reads out whenever it changes, with a note below; in one piece, so that neither is of an older case."""
    more = f'<p class="say note">{_shown(below)}</p>' if below else ""
    st.html(f'<div role="status" aria-live="polite"><p class="say {kind}">{_shown(words)}</p></div>{more}')


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


def sections(key: str, shown: Mapping[str, Callable[[], object]]) -> None:
    """Lay sections in tabs, of which the open one alone is worked out."""
    for tab, show in zip(st.tabs(list(shown), key=key, on_change="rerun"), shown.values(), strict=True):
        if tab.open:
            with tab:
                show()


def on_demand(name: str, button: str, now: tuple[Hashable, ...], show: Callable[..., object], *args: object) -> None:
    """Show what takes long once it is asked for; what was asked of an earlier case stays, greyed, until it is run again.

    Parameters
    ----------
    name, button
        What it is kept by in the session, and the words to press.
    now
        What it is of: the case, and what else was chosen.
    show, args
        What works it out and shows it, and of what.
    """
    kept = f"asked_{name}"
    if st.button(button, type="primary", key=f"ask_{name}"):
        st.session_state[kept] = now, args
    if kept not in st.session_state:
        return
    of, asked = st.session_state[kept]
    with st.container(key=f"{'of' if of == now else 'stale'}_{name}"):
        if of != now:
            text("Of an earlier case or choice: run again.", "note")
        show(*asked)


def bridge(block: Table) -> None:
    """Show steps one beside the other: what each is, what it adds, and where it leads."""
    steps = "".join(
        f"<li><span>{_shown(label)}</span><b>{_shown(adds)}</b><span>comes to {_shown(leads)}</span></li>"
        for label, adds, leads in block.rows
    )
    named = escape(block.caption, quote=True)
    st.html(f'<div class="scroll" tabindex="0" role="region" aria-label="{named}"><ol class="bridge">{steps}</ol></div>')


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
