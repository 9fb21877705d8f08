"""Render a paper as DOCX: real heading styles, editable tables, pictures with alternative text."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Sequence
from itertools import pairwise, zip_longest
from pathlib import Path
from textwrap import shorten
from typing import TYPE_CHECKING, Any

from econmodel.package import stamp
from econmodel.reporting.papers.content import Blanks, Block, Bullets, Charts, KeyNumbers, Pair, Paper, Paragraph, Table
from econmodel.reporting.papers.render_html import LOOSE_MINUS

if TYPE_CHECKING:
    from docx.document import Document as WordDocument
    from docx.table import Table as WordTable
    from docx.table import _Cell
    from docx.text.paragraph import Paragraph as WordParagraph

ZIP_START = bytes((0, 0, 0x21, 0))  # 1 January 1980, midnight
PROPERTY_LENGTH = 255
CONTROL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f]")
FONT = "Arial"
INK, MUTED, ACCENT = "20272E", "5C6670", "14506B"
KEPT_ROWS = 16
RIGHT = '<w:jc w:val="right"/>'
HEADING = '<w:rPr><w:b/><w:sz w:val="13"/></w:rPr>'
AFTER_NUMBER = '<w:tcMar><w:left w:w="170" w:type="dxa"/></w:tcMar>'
OWN_STYLES: dict[str, tuple[float, float, str, bool, float]] = {  # size in a report, in a brief, colour, bold, space after
    "Answer": (12.0, 10.0, INK, False, 5.0),
    "Note": (8.0, 6.2, MUTED, False, 2.0),
    "Table Caption": (9.5, 8.0, INK, True, 2.0),
    "Table Text": (7.5, 7.0, INK, False, 0.0),
    "Table Small": (6.1, 6.0, INK, False, 0.0),
    "Key Value": (15.0, 12.0, ACCENT, True, 0.0),
    "Blank Line": (9.5, 8.0, MUTED, False, 3.0),
}


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
    set_styles(word, small=paper.kind == "brief")
    set_footer(word, clean(paper.footer), banner=bool(paper.banner))
    if paper.banner:
        shaded(word, clean(paper.banner), "FFF3C9", bold=True)
    styled(word, "Title", clean(paper.title))
    styled(word, "Subtitle", clean(paper.subtitle))
    for section in paper.sections:
        new_page = section.new_page and section is not paper.sections[0]
        start_section(word, landscape=section.landscape, new_page=new_page)
        styled(word, f"Heading {section.level}", clean(section.heading))
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
        shaded(word, clean(block.lead + block.text), "FBEEE9")
        return
    styles = {"answer": "Answer", "note": "Note"}
    paragraph = styled(word, styles.get(block.tone, "Normal"))
    lead_and_text(paragraph, clean(block.lead), clean(block.text))


def _bullets(word: WordDocument, block: Bullets) -> None:
    for lead, text in block.items:
        lead_and_text(styled(word, "List Bullet"), clean(lead), clean(text))


def _key_numbers(word: WordDocument, block: KeyNumbers) -> None:
    rows = [block.numbers[i : i + 4] for i in range(0, len(block.numbers), 4)]
    grid = word.add_table(rows=len(rows), cols=4)
    spread_columns(word, grid, [1.0] * 4)
    for i, row in enumerate(rows):
        for j, number in enumerate(row):
            key_cell(grid.cell(i, j), clean(number.value), clean(number.label), clean(number.note))
    space_after(word)


def _table(word: WordDocument, block: Table) -> None:
    styled(word, "Table Caption", clean(block.caption))
    data_table(
        word,
        [clean(c.heading) for c in block.columns],
        [[clean(t) for t in row] for row in block.rows],
        [c.width for c in block.columns],
        [c.is_number for c in block.columns],
        style="TableSmall" if block.small else "TableText",
    )
    if block.note:
        styled(word, "Note", clean(block.note))
    else:
        space_after(word)


def _charts(word: WordDocument, block: Charts, figures: Path) -> None:
    per_row = min(len(block.charts), 2)
    rows = [block.charts[i : i + per_row] for i in range(0, len(block.charts), per_row)]
    grid = word.add_table(rows=len(rows), cols=per_row)
    width = spread_columns(word, grid, [1.0] * per_row)
    for i, row in enumerate(rows):
        for j, chart in enumerate(row):
            picture(
                grid.cell(i, j),
                figures / f"{chart.name}.png",
                clean(chart.caption),
                clean(chart.alt),
                width * (0.9 if per_row == 2 else 0.8),
            )
    space_after(word)


def _blanks(word: WordDocument, block: Blanks) -> None:
    for left, right in zip_longest(block.labels[::2], block.labels[1::2], fillvalue=""):
        line = styled(word, "Blank Line", f"{clean(left)}:\t")
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


def set_styles(word: WordDocument, *, small: bool) -> None:
    """Set page, fonts and the paper's own paragraph styles; ``small`` is for the brief."""
    from docx.enum.style import WD_STYLE_TYPE
    from docx.enum.text import WD_TAB_LEADER
    from docx.shared import Mm, Pt, RGBColor

    page = word.sections[0]
    page.page_width, page.page_height = Mm(210), Mm(297)
    side = Mm(15 if small else 20)
    page.left_margin = page.right_margin = side
    page.top_margin, page.bottom_margin = Mm(11), Mm(12 if small else 16)
    page.header_distance, page.footer_distance = Mm(6), Mm(6)
    body = 8.0 if small else 10.0
    for name, size in (
        ("Normal", body),
        ("Title", 15.0 if small else 20.0),
        ("Subtitle", body),
        ("List Bullet", body),
        ("Heading 1", 11.0 if small else 14.0),
        ("Heading 2", 11.0),
    ):
        style: Any = word.styles[name]
        _font(style, size)
        _plain_style(style)
        colour = ACCENT if "Heading" in name else MUTED if name == "Subtitle" else INK
        style.font.color.rgb = RGBColor.from_string(colour)
        style.paragraph_format.line_spacing = 1.0 if small else 1.1
        style.paragraph_format.space_after = Pt(3 if small else 6)
        style.paragraph_format.space_before = Pt((6 if small else 12) if "Heading" in name else 0)
        style.paragraph_format.keep_with_next = "Heading" in name
    for name, (large, tight, colour, bold, after) in OWN_STYLES.items():
        own: Any = word.styles.add_style(name, WD_STYLE_TYPE.PARAGRAPH)
        own.base_style = word.styles["Normal"]
        _font(own, tight if small else large)
        own.font.bold, own.font.color.rgb = bold, RGBColor.from_string(colour)
        own.paragraph_format.space_after = Pt(after)
        own.paragraph_format.keep_with_next = name in ("Table Caption", "Key Value")
    width = int(page.page_width) - 2 * int(side)
    stops = word.styles["Blank Line"].paragraph_format.tab_stops
    stops.add_tab_stop(int(0.49 * width), leader=WD_TAB_LEADER.LINES)
    stops.add_tab_stop(int(0.51 * width))
    stops.add_tab_stop(width, leader=WD_TAB_LEADER.LINES)


def _plain_style(style: Any) -> None:
    """Drop the letter spacing and the ruled line that the template gives some styles."""
    from docx.oxml.ns import qn

    for name in ("w:spacing", "w:kern"):
        for found in style.element.get_or_add_rPr().findall(qn(name)):
            style.element.rPr.remove(found)
    for found in style.element.get_or_add_pPr().findall(qn("w:pBdr")):
        style.element.pPr.remove(found)


def _font(style: Any, size: float) -> None:
    from docx.oxml.ns import qn
    from docx.shared import Pt

    style.font.name, style.font.size, style.font.italic = FONT, Pt(size), False
    fonts = style.element.get_or_add_rPr().get_or_add_rFonts()
    for script in ("w:ascii", "w:hAnsi", "w:cs", "w:eastAsia"):
        fonts.set(qn(script), FONT)
    for theme in ("w:asciiTheme", "w:hAnsiTheme", "w:cstheme", "w:eastAsiaTheme"):
        fonts.attrib.pop(qn(theme), None)


def set_footer(word: WordDocument, text: str, *, banner: bool) -> None:
    """Put the footer and the page number on every page; invented data is said there too."""
    paragraph = word.sections[0].footer.paragraphs[0]
    paragraph.style = word.styles["Note"]
    lead_and_text(paragraph, "Invented data. " if banner else "", text + " · page ")
    _field(paragraph, "PAGE")
    paragraph.add_run(" of ")
    _field(paragraph, "NUMPAGES")


def _field(paragraph: WordParagraph, code: str) -> None:
    from docx.oxml import OxmlElement
    from docx.oxml.ns import qn

    field = OxmlElement("w:fldSimple")
    field.set(qn("w:instr"), code)
    paragraph._p.append(field)


def start_section(word: WordDocument, *, landscape: bool, new_page: bool) -> None:
    """Turn the page where the section is landscape (or no longer), or break it."""
    from docx.enum.section import WD_ORIENT, WD_SECTION

    page = word.sections[-1]
    turned = page.orientation == WD_ORIENT.LANDSCAPE
    if turned != landscape:
        width, height = page.page_width, page.page_height
        fresh = word.add_section(WD_SECTION.NEW_PAGE)
        fresh.orientation = WD_ORIENT.LANDSCAPE if landscape else WD_ORIENT.PORTRAIT
        fresh.page_width, fresh.page_height = height, width
    elif new_page:
        word.add_page_break()  # type: ignore[no-untyped-call]


def styled(container: WordDocument | _Cell, style: str, text: str = "") -> WordParagraph:
    """Add a paragraph in a style of the document; the library's own way looks through all styles each time."""
    paragraph = container.add_paragraph(text)
    _set_style(paragraph, style)
    return paragraph


def _set_style(paragraph: WordParagraph, style: str) -> None:
    paragraph._p.style = style.replace(" ", "")


def lead_and_text(paragraph: WordParagraph, lead: str, text: str) -> None:
    """Write a bold lead and the text after it."""
    if lead:
        paragraph.add_run(lead).bold = True
    paragraph.add_run(text)


def shaded(word: WordDocument, text: str, fill: str, *, bold: bool = False) -> None:
    """Write a paragraph on a shaded ground."""
    paragraph = word.add_paragraph()
    paragraph.add_run(text).bold = bold
    paragraph._p.get_or_add_pPr().append(_shade(fill))


def _shade(fill: str) -> Any:
    from docx.oxml import OxmlElement
    from docx.oxml.ns import qn

    shade = OxmlElement("w:shd")
    for name, value in (("w:val", "clear"), ("w:color", "auto"), ("w:fill", fill)):
        shade.set(qn(name), value)
    return shade


def spread_columns(word: WordDocument, made: WordTable, widths: Sequence[float]) -> int:
    """Give the columns their relative widths over the text width; returns the first one's width."""
    page = word.sections[-1]
    whole = int(page.page_width or 0) - int(page.left_margin or 0) - int(page.right_margin or 0)
    made.autofit = False
    shares = [int(whole * width / sum(widths)) for width in widths]
    for column, share in zip(made.columns, shares, strict=True):
        column.width = share
    for row in made.rows:
        for cell, share in zip(row.cells, shares, strict=True):
            cell.width = share
    return shares[0]


def data_table(
    word: WordDocument,
    headings: Sequence[str],
    rows: Sequence[Sequence[str]],
    widths: Sequence[float],
    numeric: Sequence[bool],
    *,
    style: str,
) -> None:
    """Add a table; rows, and short tables, are kept whole and the headings are repeated on every page.

    It is written as markup in one go, because building a long table cell by cell takes minutes.
    """
    from docx.oxml import parse_xml
    from docx.oxml.ns import nsdecls

    page = word.sections[-1]
    whole = int(page.page_width or 0) - int(page.left_margin or 0) - int(page.right_margin or 0)
    twips = [int(whole * width / sum(widths) / 635) for width in widths]
    grid = "".join(f'<w:gridCol w:w="{w}"/>' for w in twips)
    whole_on_a_page = len(rows) <= KEPT_ROWS
    lines = [_row_xml(headings, twips, numeric, style, header=True, keep=True)]
    lines += [_row_xml(row, twips, numeric, style, keep=whole_on_a_page and row is not rows[-1]) for row in rows]
    xml = (
        f'<w:tbl {nsdecls("w")}><w:tblPr><w:tblW w:w="{sum(twips)}" w:type="dxa"/><w:tblLayout w:type="fixed"/>'
        '<w:tblCellMar><w:left w:w="50" w:type="dxa"/><w:right w:w="50" w:type="dxa"/></w:tblCellMar></w:tblPr>'
        f"<w:tblGrid>{grid}</w:tblGrid>{''.join(lines)}</w:tbl>"
    )
    word.element.body.insert_element_before(parse_xml(xml), "w:sectPr")


def _row_xml(
    texts: Sequence[str], twips: Sequence[int], numeric: Sequence[bool], style: str, *, header: bool = False, keep: bool = False
) -> str:
    from xml.sax.saxutils import escape

    line = f'w:sz="{8 if header else 4}" w:color="{INK if header else "D5DADD"}"'
    bold = HEADING if header else ""
    together = "<w:keepNext/>" if keep else ""
    after_number = [not now and before for before, now in pairwise([False, *numeric])]
    cells = "".join(
        f'<w:tc><w:tcPr><w:tcW w:w="{width}" w:type="dxa"/><w:tcBorders><w:bottom w:val="single" {line}/></w:tcBorders>'
        f'{AFTER_NUMBER if far else ""}<w:vAlign w:val="{"bottom" if header else "top"}"/></w:tcPr>'
        f'<w:p><w:pPr><w:pStyle w:val="{style}"/>{together}'
        f"{RIGHT if is_number else ''}</w:pPr><w:r>{bold}"
        f'<w:t xml:space="preserve">{escape(text)}</w:t></w:r></w:p></w:tc>'
        for text, width, is_number, far in zip(texts, twips, numeric, after_number, strict=True)
    )
    return f"<w:tr><w:trPr><w:cantSplit/>{'<w:tblHeader/>' if header else ''}</w:trPr>{cells}</w:tr>"


def key_cell(cell: _Cell, value: str, label: str, note: str) -> None:
    """Fill the cell of one headline number."""
    cell._tc.get_or_add_tcPr().append(_shade("EEF4F6"))
    first = cell.paragraphs[0]
    _set_style(first, "Key Value")
    first.add_run(value)
    styled(cell, "Table Text", label)
    styled(cell, "Note", note)


def picture(cell: _Cell, file: Path, caption: str, alt: str, width: float) -> None:
    """Put a picture, which carries its own title, with its caption and alternative text for a reader who cannot see it."""
    from docx.oxml.ns import qn

    shape = cell.paragraphs[0].add_run().add_picture(str(file), width=int(width))
    described = shape._inline.find(qn("wp:docPr"))
    described.set("descr", alt)
    described.set("title", caption)


def space_after(word: WordDocument) -> None:
    """Leave a little room after a table, which has no spacing of its own."""
    from docx.shared import Pt

    paragraph = word.add_paragraph()
    paragraph.paragraph_format.space_after = Pt(0)
    paragraph.paragraph_format.line_spacing = Pt(6)
