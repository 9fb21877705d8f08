"""What a paper holds, apart from how it looks: sections of paragraphs, tables, figures and key numbers.

The HTML, PDF and DOCX renderers each draw the same content. Text is plain: renderers escape it, so nothing a user
typed becomes markup.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields, is_dataclass
from typing import Any, Literal

from econmodel.records import record

Tone = Literal["body", "answer", "note", "caution"]


@record
class Paragraph:
    """A paragraph; ``lead`` is set in bold before the text."""

    text: str
    lead: str = ""
    tone: Tone = "body"


@record
class Bullets:
    """A list; each item is (bold lead, text), the lead may be empty."""

    items: tuple[tuple[str, str], ...]


@record
class KeyNumber:
    """One of the headline numbers: the value, what it is, and what a reader must know to use it."""

    value: str
    label: str
    note: str = ""


@record
class KeyNumbers:
    """The headline numbers."""

    numbers: tuple[KeyNumber, ...]


@record
class Column:
    """One column of a table: heading, relative width, and whether it holds numbers (right-aligned)."""

    heading: str
    width: float = 1.0
    is_number: bool = False


@record
class Table:
    """A table of text cells; ``small`` is for long annexes."""

    caption: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[str, ...], ...]
    note: str = ""
    small: bool = False


@record
class Chart:
    """A saved figure by name, with caption and alternative text."""

    name: str
    caption: str
    alt: str


@record
class Charts:
    """Figures set side by side where there is room."""

    charts: tuple[Chart, ...]


@record
class Blanks:
    """Lines to be filled in by hand."""

    labels: tuple[str, ...]


@record
class Pair:
    """Two stacks of blocks set side by side where there is room."""

    left: tuple[Block, ...]
    right: tuple[Block, ...]


Block = Paragraph | Bullets | KeyNumbers | Table | Charts | Blanks | Pair


@record
class Section:
    """A heading and its blocks.

    On paper, ``new_page`` starts it on a page of its own and ``landscape`` turns that page.
    """

    heading: str
    blocks: tuple[Block, ...]
    new_page: bool = False
    level: int = 1
    landscape: bool = False


@record
class Paper:
    """A whole paper; ``kind`` sets its size: a brief is tight, a report has a list of contents.

    ``banner`` warns of invented data; ``footer`` tells version, case, seed, draws and hash of the inputs.
    """

    title: str
    subtitle: str
    sections: tuple[Section, ...]
    footer: str
    banner: str = ""
    kind: Literal["brief", "report"] = "brief"


def to_plain(value: Any) -> Any:
    """Turn content into plain data; each block carries the name of its kind as ``kind``."""
    if is_dataclass(value) and not isinstance(value, type):
        plain = {f.name: to_plain(getattr(value, f.name)) for f in fields(value)}
        return {"kind": type(value).__name__} | plain
    return [to_plain(item) for item in value] if isinstance(value, tuple | list) else value


def chart_names(blocks: Sequence[Block]) -> list[str]:
    """Names of the figures that the blocks show."""
    found: list[str] = []
    for block in blocks:
        if isinstance(block, Charts):
            found += [chart.name for chart in block.charts]
        elif isinstance(block, Pair):
            found += chart_names((*block.left, *block.right))
    return found


def table(
    caption: str,
    columns: Sequence[tuple[str, float] | tuple[str, float, bool]],
    rows: Sequence[Sequence[str]],
    *,
    note: str = "",
    small: bool = False,
) -> Table:
    """Build a table from (heading, width, is number) tuples and rows of text."""
    return Table(caption, tuple(Column(*c) for c in columns), tuple(tuple(row) for row in rows), note, small)
