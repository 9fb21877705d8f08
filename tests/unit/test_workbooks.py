"""XLSX as a stream: what a cell holds, and every bound that keeps a small file from filling the machine."""

from __future__ import annotations

import io
import time
import zipfile
from datetime import datetime
from datetime import time as clock
from pathlib import Path

import openpyxl
import pytest

from econmodel import workbooks
from econmodel.errors import DataError
from econmodel.evidence.registry.table import RawTable, read_table
from econmodel.workbooks import Formula, Workbook

MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
RELATED = "http://schemas.openxmlformats.org/package/2006/relationships"
HEADS = '<row r="1"><c r="A1" t="inlineStr"><is><t>id</t></is></c><c r="B1" t="inlineStr"><is><t>bled</t></is></c></row>'
DATA = '<row r="2"><c r="A2"><v>7</v></c><c r="B2" t="inlineStr"><is><t>yes</t></is></c></row>'


def made(rows: str, book: str = "", styles: str = "", texts: str = "") -> bytes:
    """A workbook of one sheet, with these rows as they are."""
    parts = {
        "_rels/.rels": f'<Relationships xmlns="{RELATED}"><Relationship Id="a" Type="{OFFICE}/officeDocument" '
        'Target="xl/workbook.xml"/></Relationships>',
        "xl/_rels/workbook.xml.rels": f'<Relationships xmlns="{RELATED}"><Relationship Id="b" Type="{OFFICE}/worksheet" '
        'Target="worksheets/sheet1.xml"/></Relationships>',
        "xl/workbook.xml": f'<workbook xmlns="{MAIN}" xmlns:r="{OFFICE}">{book}<sheets><sheet name="One" r:id="b"/></sheets>'
        "</workbook>",
        "xl/worksheets/sheet1.xml": f'<worksheet xmlns="{MAIN}"><sheetData>{rows}</sheetData></worksheet>',
        "xl/styles.xml": f'<styleSheet xmlns="{MAIN}">{styles}</styleSheet>',
        "xl/sharedStrings.xml": f'<sst xmlns="{MAIN}">{texts}</sst>',
    }
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, part in parts.items():
            archive.writestr(name, part)
    return stream.getvalue()


def first_row(content: bytes) -> list[object]:
    return next(Workbook(content, "a.xlsx").rows(1, [])).values


def table(tmp_path: Path, content: bytes) -> RawTable:
    path = tmp_path / "r.xlsx"
    path.write_bytes(content)
    return read_table(path)


def test_each_kind_of_cell() -> None:
    """Numbers, texts plain, in runs and inline, yes/no, dates by style, formulas with and without a stored value, errors."""
    texts = "<si><t>plain</t></si><si><r><t>in </t></r><r><t>runs</t></r><rPh><t>aid</t></rPh></si>"
    styles = (
        '<numFmts><numFmt numFmtId="164" formatCode="dd\\.mm\\.yyyy"/><numFmt numFmtId="165" formatCode="[Red]0 &quot;days&quot;"/>'
        '</numFmts><cellXfs><xf numFmtId="0"/><xf numFmtId="14"/><xf numFmtId="164"/><xf numFmtId="165"/></cellXfs>'
    )
    row = (
        '<row><c><v>12</v></c><c r="C1"><v>1.125</v></c><c t="s"><v>0</v></c><c t="s"><v>1</v></c><c t="b"><v>1</v></c>'
        '<c s="1"><v>44260</v></c><c s="2"><v>44260.4375</v></c><c s="3"><v>30</v></c><c s="1"><v>0.5</v></c>'
        '<c t="str"><f>A1</f><v>stored</v></c><c><f>1+1</f></c><c t="e"><v>#DIV/0!</v></c><c s="1"/></row>'
    )
    expected = [12, None, 1.125, "plain", "in runs", True, datetime(2021, 3, 5), datetime(2021, 3, 5, 10, 30), 30, clock(12)]
    assert first_row(made(row, styles=styles, texts=texts)) == [*expected, Formula("stored"), Formula(None), "#DIV/0!"]
    later = made('<row><c s="1"><v>1</v></c></row>', '<workbookPr date1904="1"/>', styles)
    assert first_row(later) == [datetime(1904, 1, 2)]


def test_a_workbook_of_a_library_reads_the_same(tmp_path: Path) -> None:
    """What openpyxl writes comes back: dates from before the leap day that never was, tiny and huge numbers, texts with spaces."""
    row = [datetime(1900, 1, 5), datetime(1999, 12, 31, 23, 59), 1e-7, 123456789012, -0.5, " two  words ", True, None, "é"]
    book = openpyxl.Workbook()
    book.active.append(row)
    book.save(tmp_path / "a.xlsx")
    assert first_row((tmp_path / "a.xlsx").read_bytes()) == row


@pytest.mark.parametrize("stray", ["XFD1048576", "CV1048576"])
def test_a_stray_cell_far_away_is_answered_at_once(tmp_path: Path, stray: str) -> None:
    """Not read, and said."""
    begun = time.process_time()
    found = table(tmp_path, made(f'{HEADS}{DATA}<row r="1048576"><c r="{stray}"><v>1</v></c></row>'))
    assert time.process_time() - begun < 1
    assert found.cells.shape == (1, 2)
    assert "rows after 100 blank ones were not read, from row 103 on" in found.notes


def test_cells_past_the_last_heading_are_not_read_and_said(tmp_path: Path) -> None:
    """A remark beside the table holds nobody back, near or past the last column that is read."""
    found = table(tmp_path, made(HEADS + DATA.replace("</row>", '<c r="D2"><v>1</v></c><c r="XFD2"><v>1</v></c></row>')))
    assert (found.cells.shape, found.overfull) == ((1, 2), ())
    assert "cells past the last heading were not read: 1, the first in row 2" in found.notes
    assert "cells past the 200th column were not read, the first in row 2" in found.notes
    with pytest.raises(DataError, match="headings reach past the 200th column"):
        table(tmp_path, made(HEADS.replace("</row>", '<c r="XFD1"><v>1</v></c></row>') + DATA))


def test_more_rows_than_are_read_are_refused_as_soon_as_that_shows(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """The rest of the sheet is not even inflated; the same bound holds for text."""
    monkeypatch.setattr(workbooks, "MOST_ROWS", 50)
    many = HEADS + "".join(f'<row r="{n}"><c><v>{n}</v></c></row>' for n in range(2, 100_000))
    book = Workbook(made(many), "a.xlsx")
    with pytest.raises(DataError, match="more than 50 rows"):
        list(book.rows(1, []))
    assert book.bytes < 200_000
    monkeypatch.setattr("econmodel.evidence.registry.table.MOST_ROWS", 50)
    (tmp_path / "r.csv").write_text("id,bled\n" + "1,no\n" * 51, encoding="utf-8")
    with pytest.raises(DataError, match="51 rows and 2 columns: at most 50"):
        read_table(tmp_path / "r.csv")


def test_what_inflates_too_far_is_refused() -> None:
    """Counted while it inflates, whatever the archive declares."""
    content = made(HEADS + " " * 3_000_000)
    assert len(content) < 10_000
    with pytest.raises(DataError, match="unpacks to more than 1,000,000 bytes"):
        list(Workbook(content, "a.xlsx", 1_000_000).rows(1, []))


def broken(content: bytes, place: int, value: int) -> bytes:
    """The same archive with one byte of each central header changed."""
    at = content.find(b"PK\x01\x02")
    found = bytearray(content)
    while at >= 0:
        found[at + place] = value
        at = content.find(b"PK\x01\x02", at + 4)
    return bytes(found)


GOOD = made(HEADS + DATA)


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (broken(GOOD, 8, 1), "encrypted"),
        (broken(GOOD, 10, 97), "packed in an unusual way"),
        (GOOD[:600], "damaged"),
        (GOOD[:30] + bytes(200) + GOOD[230:], "damaged"),
        (made(HEADS + "<row>"), "damaged"),
        (made('<row><c t="s"><v>5</v></c></row>'), "damaged"),
        (made('<row><c r="A1"><v>five</v></c></row>'), "damaged"),
        (b"PK\x03\x04", "damaged"),
    ],
)
def test_what_is_no_workbook_is_one_clear_message(content: bytes, says: str) -> None:
    """Encrypted, oddly packed, cut short, overwritten, or against the format."""
    with pytest.raises(DataError, match=says) as refused:
        list(Workbook(content, "a.xlsx").rows(1, []))
    assert "a.xlsx cannot be opened as a workbook" in refused.value.what


def test_document_types_are_refused() -> None:
    """No spreadsheet program declares any."""
    declared = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(GOOD)) as good, zipfile.ZipFile(declared, "w") as archive:
        for name in good.namelist():
            archive.writestr(name, b'<!DOCTYPE a [<!ENTITY b "c">]>' * name.endswith("sheet1.xml") + good.read(name))
    with pytest.raises(DataError, match="document types"):
        list(Workbook(declared.getvalue(), "a.xlsx").rows(1, []))
