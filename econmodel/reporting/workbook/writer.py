"""Write cells, text that can never become a formula, and whole files.

Every sheet of the live workbook and of the form is written through :class:`Sheet`; only ``formula`` makes formulas.
"""

from __future__ import annotations

import io
import math
import re
import zipfile
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import escape, quoteattr

import numpy as np

from econmodel.files import FORMULA_STARTS, check_file, write_bytes
from econmodel.reporting.workbook.formula import ROW, Formula, as_text, value_of
from econmodel.reporting.workbook.styles import ALERT_FILL, WARNING, Styles

if TYPE_CHECKING:
    from openpyxl import Workbook
    from openpyxl.worksheet.worksheet import Worksheet

LONGEST_TEXT = 32000
_DIMENSION, _EMPTY = re.compile(rb'<dimension ref="[^"]*"\s*/>'), re.compile(rb"<sheetData>\s*</sheetData>|<sheetData\s*/>")
_MARGINS = re.compile(rb"(?=<printOptions|<pageMargins)")
_MARK = re.compile(r"(\$?)([\x01-\x06])")
_ELSEWHERE = re.compile(r"!\$?[A-Z]+[\x01-\x06]")
_FORBIDDEN = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff]")


@lru_cache(maxsize=4096)
def letters(column: int) -> str:
    """Column letters of a 1-based column number.

    Examples
    --------
    >>> letters(1), letters(28)
    ('A', 'AB')
    """
    text = ""
    while column:
        column, remainder = divmod(column - 1, 26)
        text = chr(65 + remainder) + text
    return text


def address(row: int, column: int, sheet: str = "") -> str:
    """Absolute address of a cell, with its sheet if given.

    Examples
    --------
    >>> address(5, 3, "Inputs")
    'Inputs!$C$5'
    """
    prefix = f"{sheet}!" if sheet else ""
    return f"{prefix}${letters(column)}${row}"


def span(first_row: int, last_row: int, column: int, sheet: str = "", last_column: int | None = None) -> str:
    """Absolute address of a block of cells, one column unless ``last_column`` says otherwise."""
    prefix = f"{sheet}!" if sheet else ""
    return f"{prefix}${letters(column)}${first_row}:${letters(last_column or column)}${last_row}"


def clean(text: str) -> str:
    """Drop characters that no XLSX cell may hold and cut what is too long, saying so."""
    kept = _FORBIDDEN.sub("\ufffd", text)
    return kept if len(kept) <= LONGEST_TEXT else kept[:LONGEST_TEXT] + " … (cut)"


@dataclass
class Sheet:
    """A worksheet with the few ways in which cells are filled.

    Cells are written as XML, a formula with its value, which is many times quicker than the spreadsheet library; the
    library keeps styles, widths, rules, printing and the file around them. ``digits`` are those a stored value is rounded to;
    ``compact`` leaves out the place of a value right of another cell, which a reader counts.
    """

    page: Worksheet
    styles: Styles
    mark: str = ""
    cells: dict[int, dict[int, str]] = field(default_factory=lambda: defaultdict(dict))
    heights: dict[int, float] = field(default_factory=dict)
    formulas: list[str] = field(default_factory=list)
    links: list[str] = field(default_factory=list)
    shared: int = -1
    digits: int = 17
    compact: bool = False

    @property
    def name(self) -> str:
        """Sheet name as formulas use it; never one that needs quotation marks."""
        return str(self.page.title)

    def linked(self) -> bytes:
        """Links of the sheet as they stand in its file."""
        return f"<hyperlinks>{''.join(self.links)}</hyperlinks>".encode() if self.links else b""

    def text(self, row: int, column: int, text: str, style: str = "text") -> None:
        """Write text as text: what looks like a formula stays text, and stays so when the cell is edited."""
        number = self.styles.number_of(style, quoted=text[:1] in FORMULA_STARTS)
        place, shown = f"{letters(column)}{row}", escape(clean(text))
        content = f' t="inlineStr"><is><t xml:space="preserve">{shown}</t></is></c>' if text else "/>"
        self.cells[row][column] = f'<c r="{place}" s="{number}"{content}'

    def number(self, row: int, column: int, value: float | None, style: str = "number") -> Formula:
        """Write a number, and give what refers to it; None leaves a styled cell to type in."""
        content = "/>" if value is None else f"><v>{value!r}</v></c>"
        self.cells[row][column] = f'<c r="{letters(column)}{row}" s="{self.styles.number_of(style)}"{content}'
        return self.at(row, column, value)

    def formula(self, row: int, column: int, formula: Formula | float | str, style: str = "number") -> Formula:
        """Write a formula with its value, and give what refers to it; user text enters only through ``quoted``."""
        return self.column([row], column, formula, style, single=True)

    def column(
        self,
        rows: Sequence[int],
        column: int,
        formula: Formula | float | str,
        style: str = "factor",
        marks: Mapping[str, Sequence[int]] | None = None,
        *,
        single: bool = False,
    ) -> Formula:
        """Write a column of formulas from one, and give what refers to it row by row.

        Parameters
        ----------
        rows
            Where they go.
        formula
            Its text may hold marks; its value is one for all rows, or one by row.
        marks
            Numbers that stand for a mark, by row; ``ROW`` is the row itself unless given.
        single
            One cell, referred to as such.
        """
        text, value = as_text(formula), value_of(formula)
        self.formulas.append(text)
        own = escape(text.replace(f"{self.name}!$", "$")).replace("%", "%%")
        numbers = {ROW: rows, **(marks or {})}
        order = [char for char in own if char in numbers]
        runs = _runs(rows, own, numbers)
        for mark in numbers:
            own = own.replace(mark, "%d")
        values = [value] * len(rows) if np.ndim(value) == 0 else list(value)
        kinds, shown = zip(*(_stored(one, self.digits) for one in values), strict=True)
        place, number = letters(column), self.styles.number_of(style)
        filled = list(zip(*(numbers[mark] for mark in order), strict=True)) if order else [()] * len(rows)
        for first, end in runs:
            formula_of_run = own % filled[first]
            head, rest = f"<f>{formula_of_run}</f>", ""
            if end - first > 1:
                self.shared += 1
                head = f'<f t="shared" ref="{place}{rows[first]}:{place}{rows[end - 1]}" si="{self.shared}">{formula_of_run}</f>'
                rest = f'<f t="shared" si="{self.shared}"></f>'
            for i in range(first, end):
                self.cells[rows[i]][column] = (
                    f'<c r="{place}{rows[i]}" s="{number}"{kinds[i]}>{head if i == first else rest}<v>{shown[i]}</v></c>'
                )
        return self.at(rows[0], column, value) if single else Formula(f"{self.name}!${place}{ROW}", value)

    def array(self, row: int, column: int, formula: Formula, style: str = "factor") -> Formula:
        """Write one formula over a block of cells, as large as its value, and give what refers to the block."""
        values = np.atleast_2d(np.asarray(formula.value, dtype=float).T).T
        last_row, last_column = row + values.shape[0] - 1, column + values.shape[1] - 1
        text, number = escape(formula.text.replace(f"{self.name}!$", "$")), self.styles.number_of(style)
        self.formulas.append(formula.text)
        head = f'<f t="array" ref="{letters(column)}{row}:{letters(last_column)}{last_row}">{text}</f>'
        for i, line in enumerate(values):
            for j, value in enumerate(line):
                kind, shown = _stored(value, self.digits)
                self.cells[row + i][column + j] = f'<c r="{letters(column + j)}{row + i}" s="{number}"{kind}>{head}<v>{shown}</v></c>'
                head = ""
        return Formula(span(row, last_row, column, self.name, last_column), formula.value)

    def at(self, row: int, column: int, value: Any) -> Formula:
        """Refer to a cell."""
        return Formula(address(row, column, self.name), value)

    @property
    def extent(self) -> bytes:
        """How far the cells reach, as the file tells it."""
        last = max((max(row) for row in self.cells.values() if row), default=1)
        return f'<dimension ref="A1:{letters(last)}{max(self.cells, default=1)}"/>'.encode()

    def xml(self) -> bytes:
        """Rows in order, cells in order within them."""
        return "".join(
            f'<row r="{row}"{self._height(row)}>{"".join(self._line(sorted(self.cells.get(row, {}).items())))}</row>'
            for row in sorted(self.cells.keys() | self.heights.keys())
        ).encode()

    def _line(self, cells: list[tuple[int, str]]) -> Iterator[str]:
        """Cells of a row, in order."""
        before = 0
        for column, cell in cells:
            follows = self.compact and column == before + 1 and "<f" not in cell
            yield "<c" + cell.split('"', 2)[2] if follows else cell
            before = column

    def _height(self, row: int) -> str:
        return f' ht="{self.heights[row]:g}" customHeight="1"' if row in self.heights else ""

    def merge(self, row: int, first: int, last: int) -> None:
        """Let a cell stretch over its neighbours to the right."""
        from openpyxl.worksheet.cell_range import CellRange

        self.page.merged_cells.add(CellRange(min_row=row, max_row=row, min_col=first, max_col=last))

    def link(self, row: int, column: int, sheet: str, cell: str = "A1") -> None:
        """Make a cell lead to a cell of a sheet of this file."""
        place = quoteattr(f"'{sheet}'!{cell}")
        self.links.append(f'<hyperlink ref="{letters(column)}{row}" location={place}/>')

    def heading(self, title: str, subtitle: str = "") -> None:
        """Title in the first row, what the sheet is in the second."""
        self.text(1, 1, title + self.mark, "title")
        self.heights[1] = 24
        if subtitle:
            self.text(2, 1, subtitle, "subtitle")

    def row(self, row: int, texts: list[str], style: str = "header", first: int = 1) -> None:
        """Write several texts side by side; ``headings`` puts the first to the left, the others over their numbers."""
        for column, text in enumerate(texts, start=first):
            chosen = ("header" if column == first else "header_right") if style == "headings" else style
            self.text(row, column, text, chosen)

    def height(self, row: int, *texts_and_widths: tuple[str, float], least: int = 1) -> None:
        """Make a row as high as its longest wrapped text needs, given column widths in characters."""
        lines = max(math.ceil(len(text) * 0.75 / width) for text, width in texts_and_widths)
        self.heights[row] = 3 + 11.5 * max(least, lines)

    def break_before(self, *, row: int = 0, column: int = 0) -> None:
        """Start a printed page at a row or column."""
        from openpyxl.worksheet.pagebreak import Break

        if row > 1:
            self.page.row_breaks.append(Break(id=row - 1))
        if column > 1:
            self.page.col_breaks.append(Break(id=column - 1))

    def alert(self, cells: str, formula: str) -> None:
        """Turn cells red where a formula, relative to the first of them, holds."""
        from openpyxl.formatting.rule import FormulaRule
        from openpyxl.styles import Font, PatternFill

        look = {"font": Font(color=WARNING, bold=True), "fill": PatternFill("solid", bgColor=ALERT_FILL)}
        self.page.conditional_formatting.add(cells, FormulaRule(formula=[formula], **look))  # type: ignore[no-untyped-call]

    def widths(self, *widths: float) -> None:
        """Set the widths of the first columns, in characters."""
        for column, width in enumerate(widths, start=1):
            self.page.column_dimensions[letters(column)].width = width

    def frame(self, freeze: str, footer: str, *, header_rows: str = "", wide: bool = False) -> None:
        """Freeze headers and set up printing: fitted to the width unless ``wide``, headers repeated, a footer."""
        from openpyxl.worksheet.header_footer import HeaderFooterItem, _HeaderFooterPart
        from openpyxl.worksheet.properties import PageSetupProperties

        page = self.page
        page.freeze_panes = freeze
        page.sheet_view.showGridLines = False
        page.page_setup.orientation = "landscape"
        page.page_setup.paperSize = page.PAPERSIZE_A4
        page.page_setup.fitToWidth, page.page_setup.fitToHeight = 1, 0
        page.sheet_properties.pageSetUpPr = PageSetupProperties(fitToPage=not wide)
        page.page_margins.left = page.page_margins.right = 0.4
        page.page_margins.top, page.page_margins.bottom = 0.5, 0.6
        if header_rows:
            page.print_title_rows = header_rows
        left, right = clean(footer)[:200].replace("&", "&&"), "&A, page &P of &N"
        page.oddFooter = HeaderFooterItem(left=_HeaderFooterPart(left, size=7), right=_HeaderFooterPart(right, size=7))


def _runs(rows: Sequence[int], text: str, numbers: Mapping[str, Sequence[int]]) -> list[tuple[int, int]]:
    """Stretches of rows whose formulas are one and the same, told relative to their row; a row held with ``$`` stays.

    A spreadsheet reads the formula of a stretch once, which is much of the time it takes to open the file. Excel shares
    no formula that refers to a moving row of another sheet.
    """
    alike = (np.diff(rows) == 1) & (_ELSEWHERE.search(text) is None)
    for held, mark in set(_MARK.findall(text)):
        alike &= np.diff(numbers[mark]) == (0 if held else 1)
    ends = [*(np.flatnonzero(~alike) + 1).tolist(), len(rows)]
    return list(zip([0, *ends[:-1]], ends, strict=True))


def _stored(value: Any, digits: int) -> tuple[str, str]:
    """Kind and text of a value as a cell stores it."""
    if isinstance(value, str):
        return ' t="str"', escape(clean(value))
    number = float(value)
    return ("", repr(number if digits == 17 else float(f"{number:.{digits}g}"))) if math.isfinite(number) else (' t="e"', "#N/A")


def save_workbook(workbook: Workbook, path: Path, sheets: Iterable[Sheet]) -> Path:
    """Save a workbook whole or not at all.

    Parameters
    ----------
    workbook, path
        What, and where.
    sheets
        What fills its pages.

    Raises
    ------
    AnalysisError
        The path is a folder, or cannot be written to.
    """
    check_file(path)
    frame, result = io.BytesIO(), io.BytesIO()
    workbook.save(frame)
    number = {page.title: i for i, page in enumerate(workbook.worksheets, start=1)}
    rows = {f"xl/worksheets/sheet{number[sheet.name]}.xml": sheet for sheet in sheets}
    with zipfile.ZipFile(frame) as source, zipfile.ZipFile(result, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as target:
        for entry in source.infolist():
            data = source.read(entry)
            if entry.filename in rows:
                head, tail = _EMPTY.split(data, maxsplit=1)
                sheet = rows[entry.filename]
                data = (
                    _DIMENSION.sub(sheet.extent, head)
                    + b"<sheetData>"
                    + sheet.xml()
                    + b"</sheetData>"
                    + _MARGINS.sub(sheet.linked(), tail, count=1)
                )
            target.writestr(entry.filename, data)
    return write_bytes(path, result.getvalue())
