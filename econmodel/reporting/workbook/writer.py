"""Write cells, text that can never become a formula, and whole files.

Every sheet of the live workbook and of the form is written through :class:`Sheet`; only ``formula`` makes formulas.
"""

from __future__ import annotations

import io
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, cast

from econmodel.files import FORMULA_STARTS, check_file, write_bytes
from econmodel.reporting.workbook.bulk import BulkRows, insert_rows
from econmodel.reporting.workbook.styles import ALERT_FILL, WARNING, Styles

if TYPE_CHECKING:
    from openpyxl import Workbook
    from openpyxl.cell.cell import Cell
    from openpyxl.worksheet.worksheet import Worksheet

LONGEST_TEXT = 32000
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


def quoted(text: str) -> str:
    """Text as a string inside a formula, its quotation marks doubled."""
    return '"' + text.replace('"', '""') + '"'


def clean(text: str) -> str:
    """Drop characters that no XLSX cell may hold and cut what is too long, saying so."""
    kept = _FORBIDDEN.sub("\ufffd", text)
    return kept if len(kept) <= LONGEST_TEXT else kept[:LONGEST_TEXT] + " … (cut)"


@dataclass
class Sheet:
    """A worksheet with the few ways in which cells are filled."""

    page: Worksheet
    styles: Styles
    bulk: BulkRows = field(default_factory=BulkRows)
    mark: str = ""

    @property
    def name(self) -> str:
        """Sheet name as formulas use it; never one that needs quotation marks."""
        return str(self.page.title)

    def text(self, row: int, column: int, text: str, style: str = "text") -> Cell:
        """Write text as text: what looks like a formula stays text, and stays so when the cell is edited."""
        cell = self._cell(row, column)
        cell.value = clean(text)
        cell.data_type = "s"
        self.styles.apply(cell, style)
        cell.quotePrefix = text.startswith(FORMULA_STARTS)
        return cell

    def number(self, row: int, column: int, value: float | None, style: str = "number") -> Cell:
        """Write a number; None leaves a styled cell to type in."""
        cell = self._cell(row, column)
        cell.value = value
        self.styles.apply(cell, style)
        return cell

    def formula(self, row: int, column: int, formula: str, style: str = "number") -> Cell:
        """Write a formula, given without its equals sign; user text enters only through :func:`quoted`."""
        cell = self._cell(row, column)
        cell.value = "=" + formula
        self.styles.apply(cell, style)
        return cell

    def put(self, row: int, column: int, value: float, style: str = "factor") -> None:
        """Write a number among long runs of formulas."""
        self.bulk.number(row, column, letters(column), value, self.styles.number_of(self.page, style))

    def fill(
        self, rows: Sequence[int], column: int, pattern: str, style: str = "factor", marks: Mapping[str, Sequence[int]] | None = None
    ) -> None:
        """Write a column of formulas from one pattern.

        Parameters
        ----------
        rows
            Where they go.
        pattern
            Formula without its equals sign.
        marks
            What stands in the pattern for a number, and that number by row; None is ``#`` for the row itself.
        """
        self.bulk.formulas(rows, column, letters(column), pattern, self.styles.number_of(self.page, style), marks or {"#": rows})

    def _cell(self, row: int, column: int) -> Cell:
        return cast("Cell", self.page.cell(row, column))

    def heading(self, title: str, subtitle: str = "") -> None:
        """Title in the first row, what the sheet is in the second."""
        self.text(1, 1, title + self.mark, "title")
        self.page.row_dimensions[1].height = 24
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
        self.page.row_dimensions[row].height = 3 + 11.5 * max(least, lines)

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


def save_workbook(workbook: Workbook, path: Path, sheets: Iterable[Sheet] = ()) -> Path:
    """Save a workbook whole or not at all.

    Parameters
    ----------
    workbook, path
        What, and where.
    sheets
        Sheets that hold long runs of rows beside what is in the workbook.

    Raises
    ------
    AnalysisError
        The path is a folder, or cannot be written to.
    """
    check_file(path)
    stream = io.BytesIO()
    workbook.save(stream)
    number = {page.title: i for i, page in enumerate(workbook.worksheets, start=1)}
    rows = {f"xl/worksheets/sheet{number[s.name]}.xml": s.bulk for s in sheets if s.bulk.cells}
    return write_bytes(path, insert_rows(stream.getvalue(), rows) if rows else stream.getvalue())
