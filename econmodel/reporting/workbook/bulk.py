"""Long runs of formulas, written straight into the sheet's XML.

Hundreds of thousands of cells would take the spreadsheet library most of ten seconds; the library writes everything
else, and these rows are put into its file before it is saved.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from xml.sax.saxutils import escape

_DIMENSION = re.compile(rb'<dimension ref="[^"]*"\s*/>')
_END = b"</sheetData>"


@dataclass
class BulkRows:
    """Cells of one sheet below its headers, as XML by row and column."""

    cells: dict[int, dict[int, str]] = field(default_factory=lambda: defaultdict(dict))

    def formulas(
        self, rows: Sequence[int], column: int, place: str, pattern: str, style: int, marks: Mapping[str, Sequence[int]]
    ) -> None:
        """Add a column of formulas from one pattern; each mark in it becomes the number it has in that row."""
        escaped = escape(pattern)
        used = [(mark, list(map(str, numbers))) for mark, numbers in marks.items() if mark in pattern]
        for i, row in enumerate(rows):
            filled = escaped
            for mark, numbers in used:
                filled = filled.replace(mark, numbers[i])
            self.cells[row][column] = f'<c r="{place}{row}" s="{style}"><f>{filled}</f></c>'

    def number(self, row: int, column: int, place: str, value: float, style: int) -> None:
        """Add a number."""
        self.cells[row][column] = f'<c r="{place}{row}" s="{style}"><v>{value!r}</v></c>'

    def xml(self) -> bytes:
        """Rows in order, cells in order within them."""
        rows = (f'<row r="{row}">{"".join(cells[c] for c in sorted(cells))}</row>' for row, cells in sorted(self.cells.items()))
        return "".join(rows).encode()


def insert_rows(content: bytes, rows_of_sheet: Mapping[str, BulkRows]) -> bytes:
    """Put bulk rows into a saved workbook.

    Parameters
    ----------
    content
        The XLSX file.
    rows_of_sheet
        Rows by the sheet's path inside the file, for example ``xl/worksheets/sheet3.xml``. The sheet must have cells
        above them and none in the same rows.
    """
    result = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as source, zipfile.ZipFile(result, "w", zipfile.ZIP_DEFLATED, compresslevel=3) as target:
        for entry in source.infolist():
            data = source.read(entry)
            if entry.filename in rows_of_sheet:
                head, end, tail = data.rpartition(_END)
                data = _DIMENSION.sub(b"", head, count=1) + rows_of_sheet[entry.filename].xml() + end + tail
            target.writestr(entry.filename, data)
    return result.getvalue()
