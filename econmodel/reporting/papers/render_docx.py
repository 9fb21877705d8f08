"""Render a paper as DOCX: real heading styles, editable tables, pictures with alternative text."""

from __future__ import annotations

import io
import re
import zipfile
from itertools import zip_longest
from pathlib import Path
from textwrap import shorten
from typing import TYPE_CHECKING, Any

from econmodel.package import stamp
from econmodel.reporting.papers import docx_parts as parts
from econmodel.reporting.papers.content import Blanks, Block, Bullets, Charts, KeyNumbers, Pair, Paper, Paragraph, Table
from econmodel.reporting.papers.render_html import LOOSE_MINUS

if TYPE_CHECKING:
    from docx.document import Document as WordDocument

ZIP_START = bytes((0, 0, 0x21, 0))  # 1 January 1980, midnight
PROPERTY_LENGTH = 255
CONTROL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f]")


def render_docx(paper: Paper, figures: Path) -> bytes:
    """Render a paper.

    Parameters
    ----------
    paper
        Content; it is written as text runs, so no text in it can become markup or a field.
    figures
        Folder with the PNG of each chart the paper names.
    """
    import docx

    word = docx.Document()
    parts.set_styles(word, small=paper.kind == "brief")
    parts.set_footer(word, clean(paper.footer), banner=bool(paper.banner))
    if paper.banner:
        parts.shaded(word, clean(paper.banner), "FFF3C9", bold=True)
    parts.styled(word, "Title", clean(paper.title))
    parts.styled(word, "Subtitle", clean(paper.subtitle))
    for section in paper.sections:
        new_page = section.new_page and section is not paper.sections[0]
        parts.start_section(word, landscape=section.landscape, new_page=new_page)
        parts.styled(word, f"Heading {section.level}", clean(section.heading))
        for block, following in zip_longest(section.blocks, section.blocks[1:]):
            _draw(word, block, figures)
            if isinstance(block, Paragraph) and not isinstance(following, Paragraph | Bullets | None):
                word.paragraphs[-1].paragraph_format.keep_with_next = True
    return _save(word, paper)


def clean(text: str) -> str:
    """Drop control characters, which a DOCX may not hold, and keep a minus with its number at the end of a line."""
    return LOOSE_MINUS.sub("\\1\u2060", CONTROL.sub("", text))


def _draw(word: WordDocument, block: Block, figures: Path) -> None:
    if isinstance(block, Pair):
        for item in (*block.left, *block.right):
            _draw(word, item, figures)
        return
    drawers: dict[type, Any] = {Paragraph: _paragraph, Bullets: _bullets, KeyNumbers: _key_numbers, Table: _table, Blanks: _blanks}
    if isinstance(block, Charts):
        _charts(word, block, figures)
    else:
        drawers[type(block)](word, block)


def _paragraph(word: WordDocument, block: Paragraph) -> None:
    if block.tone == "caution":
        parts.shaded(word, clean(block.lead + block.text), "FBEEE9")
        return
    styles = {"answer": "Answer", "note": "Note"}
    paragraph = parts.styled(word, styles.get(block.tone, "Normal"))
    parts.lead_and_text(paragraph, clean(block.lead), clean(block.text))


def _bullets(word: WordDocument, block: Bullets) -> None:
    for lead, text in block.items:
        parts.lead_and_text(parts.styled(word, "List Bullet"), clean(lead), clean(text))


def _key_numbers(word: WordDocument, block: KeyNumbers) -> None:
    rows = [block.numbers[i : i + 4] for i in range(0, len(block.numbers), 4)]
    grid = word.add_table(rows=len(rows), cols=4)
    parts.spread_columns(word, grid, [1.0] * 4)
    for i, row in enumerate(rows):
        for j, number in enumerate(row):
            parts.key_cell(grid.cell(i, j), clean(number.value), clean(number.label), clean(number.note))
    parts.space_after(word)


def _table(word: WordDocument, block: Table) -> None:
    parts.styled(word, "Table Caption", clean(block.caption))
    parts.data_table(
        word,
        [clean(c.heading) for c in block.columns],
        [[clean(t) for t in row] for row in block.rows],
        [c.width for c in block.columns],
        [c.is_number for c in block.columns],
        style="TableSmall" if block.small else "TableText",
    )
    if block.note:
        parts.styled(word, "Note", clean(block.note))
    else:
        parts.space_after(word)


def _charts(word: WordDocument, block: Charts, figures: Path) -> None:
    per_row = min(len(block.charts), 2)
    rows = [block.charts[i : i + per_row] for i in range(0, len(block.charts), per_row)]
    grid = word.add_table(rows=len(rows), cols=per_row)
    width = parts.spread_columns(word, grid, [1.0] * per_row)
    for i, row in enumerate(rows):
        for j, chart in enumerate(row):
            parts.picture(
                grid.cell(i, j),
                figures / f"{chart.name}.png",
                clean(chart.caption),
                clean(chart.alt),
                width * (0.9 if per_row == 2 else 0.8),
            )
    parts.space_after(word)


def _blanks(word: WordDocument, block: Blanks) -> None:
    for left, right in zip_longest(block.labels[::2], block.labels[1::2], fillvalue=""):
        line = parts.styled(word, "Blank Line", f"{clean(left)}:\t")
        if right:
            line.add_run(f"\t{clean(right)}:\t")


def _property(text: str) -> str:
    """What a property of the file holds, at most 255 characters; the page itself tells the whole."""
    return shorten(clean(text), PROPERTY_LENGTH, placeholder=" …")


def _save(word: WordDocument, paper: Paper) -> bytes:
    """Save with the date of the run inside and no other, so that one run gives the same bytes for the same content."""
    core = word.core_properties
    core.title, core.author, core.comments = _property(paper.title), "econmodel", _property(paper.footer)
    core.created = core.modified = stamp().moment.replace(tzinfo=None)
    written = io.BytesIO()
    word.save(written)
    return _undated(written.getvalue())


def _undated(archive: bytes) -> bytes:
    """Set the date of every entry of a ZIP, in its own header and in the directory, to the first one that a ZIP can hold."""
    made = bytearray(archive)
    with zipfile.ZipFile(io.BytesIO(archive)) as source:
        at = source.start_dir
        for entry in source.infolist():
            made[entry.header_offset + 10 : entry.header_offset + 14] = ZIP_START
            made[at + 12 : at + 16] = ZIP_START
            at += 46 + sum(int.from_bytes(made[at + k : at + k + 2], "little") for k in (28, 30, 32))
    return bytes(made)
