"""Long runs of formulas, written straight into the sheet's XML.

Hundreds of thousands of cells would take the spreadsheet library most of ten seconds; the library writes everything
else, and these rows are put into its file before it is saved.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass, field
from xml.sax.saxutils import escape

_DIMENSION = re.compile(rb'<dimension ref="[^"]*"\s*/>')
_END = b"</sheetData>"


@dataclass
class BulkRows:
    """Cells of one sheet below its headers, as XML by row and column."""

    cells: dict[int, dict[int, str]] = field(default_factory=dict)

    def formula(self, row: int, column: int, place: str, formula: str, style: int) -> None:
        """Add a formula, given without its equals sign."""
        self.cells.setdefault(row, {})[column] = f'<c r="{place}{row}" s="{style}"><f>{escape(formula)}</f></c>'

    def number(self, row: int, column: int, place: str, value: float, style: int) -> None:
        """Add a number."""
        self.cells.setdefault(row, {})[column] = f'<c r="{place}{row}" s="{style}"><v>{value!r}</v></c>'

    def xml(self) -> bytes:
        """Rows in order, cells in order within them."""
        rows = (
            f'<row r="{row}">{"".join(cells[c] for c in sorted(cells))}</row>'
            for row, cells in sorted(self.cells.items())
        )
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
    with (
        zipfile.ZipFile(io.BytesIO(content)) as source,
        zipfile.ZipFile(result, "w", zipfile.ZIP_DEFLATED, compresslevel=3) as target,
    ):
        for entry in source.infolist():
            data = source.read(entry)
            if entry.filename in rows_of_sheet:
                head, end, tail = data.rpartition(_END)
                data = _DIMENSION.sub(b"", head, count=1) + rows_of_sheet[entry.filename].xml() + end + tail
            target.writestr(entry.filename, data)
    return result.getvalue()
