"""How cells look: a small set of named styles, made once per workbook.

Ink on white with one accent; cells to type in are pale yellow with a border, so that print and colour-blind readers
tell them apart by the border as well.
"""

from __future__ import annotations

from copy import copy
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from openpyxl import Workbook
    from openpyxl.cell.cell import Cell
    from openpyxl.worksheet.worksheet import Worksheet

INK, MUTED, ACCENT, WARNING = "20272E", "5C6670", "14506B", "9B2226"
PALE, INPUT_FILL, BAND, ALERT_FILL = "E8EEF2", "FFF7D6", "F6F8F9", "FBE9E7"
NUMBER_FORMATS = {
    "number": "General",
    "probability": "0.000000",
    "rate": "0.00000",
    "money": "#,##0;[Red]-#,##0",
    "money_exact": "#,##0.00;[Red]-#,##0.00",
    "count": "0.0000",
    "one": "0.0",
    "whole": "0",
    "factor": "0.000000",
    "share": "0.0%",
    "trace": "0.000000",
    "years": '[>=100000000]"always";0.0',
    "small_number": "0.0E+00",
    "slope": '[>1E+200]"none";[<-1E+200]"none";#,##0',
}


class Styles:
    """Named styles of one workbook; each is registered on first use and then applied by name.

    Parameters
    ----------
    workbook
        Where the styles are kept.
    """

    def __init__(self, workbook: Workbook) -> None:
        self._workbook = workbook
        self._ready: dict[str, Any] = {}
        self._numbers: dict[str, int] = {}

    def apply(self, cell: Cell, name: str) -> None:
        """Give a cell a style; the first use of a name builds it on the cell, later ones share it."""
        if name not in self._ready:
            for field, value in describe(name).items():
                setattr(cell, field, value)
            self._ready[name] = copy(cell._style)  # type: ignore[attr-defined]
        else:
            cell._style = copy(self._ready[name])  # type: ignore[attr-defined]

    def number_of(self, page: Worksheet, name: str) -> int:
        """Give the number by which the file knows a style, for cells written as XML."""
        if name not in self._numbers:
            from openpyxl.cell.cell import Cell as NewCell

            cell = NewCell(page, row=1, column=1)
            self.apply(cell, name)
            self._numbers[name] = cell.style_id
        return self._numbers[name]


def describe(name: str) -> dict[str, Any]:
    """Fields of a style by its name: a base, then optionally ``|`` and a number format.

    Examples
    --------
    >>> describe("input|money")["number_format"]
    '#,##0;[Red]-#,##0'
    """
    base, _, form = name.partition("|")
    if base in NUMBER_FORMATS:
        base, form = "plain", base
    found = _base(base)
    if form:
        found["number_format"] = NUMBER_FORMATS[form]
    return found


def _base(name: str) -> dict[str, Any]:
    from openpyxl.styles import Alignment, Border, Font, PatternFill, Protection, Side

    wrap = Alignment(wrap_text=True, vertical="top")
    indented, right = Alignment(wrap_text=True, vertical="top", indent=1), Alignment(horizontal="right", vertical="top")
    line, hair = Side(style="thin", color="9AA5B1"), Side(style="hair", color="CBD2D9")
    box = Border(left=line, right=line, top=line, bottom=line)
    below = Border(bottom=hair)

    def font(size: float = 9, color: str = INK, *, bold: bool = False, italic: bool = False) -> Font:
        return Font(name="Calibri", size=size, color=color, bold=bold, italic=italic)

    def fill(color: str) -> PatternFill:
        return PatternFill("solid", fgColor=color)

    styles: dict[str, dict[str, Any]] = {
        "title": {"font": font(16, ACCENT, bold=True), "alignment": Alignment(vertical="center")},
        "subtitle": {"font": font(9, MUTED, italic=True)},
        "section": {
            "font": font(11, "FFFFFF", bold=True),
            "fill": fill(ACCENT),
            "alignment": Alignment(vertical="center"),
        },
        "header": {
            "font": font(9, ACCENT, bold=True),
            "fill": fill(PALE),
            "border": Border(bottom=line),
            "alignment": Alignment(wrap_text=True, vertical="bottom"),
        },
        "header_right": {
            "font": font(9, ACCENT, bold=True),
            "fill": fill(PALE),
            "border": Border(bottom=line),
            "alignment": Alignment(wrap_text=True, horizontal="right", vertical="bottom"),
        },
        "key": {"font": font(8, MUTED), "alignment": right},
        "text": {"font": font(), "alignment": wrap, "border": below},
        "bold": {"font": font(bold=True), "alignment": wrap, "border": below},
        "small": {"font": font(8, MUTED), "alignment": indented, "border": below},
        "note": {"font": font(9, MUTED, italic=True)},
        "caution_line": {"font": font(9, WARNING, bold=True)},
        "plain_text": {"font": font()},
        "caution": {"font": font(9, WARNING, bold=True), "fill": fill(ALERT_FILL), "alignment": wrap},
        "demo": {
            "font": font(11, WARNING, bold=True),
            "fill": fill(ALERT_FILL),
            "border": box,
            "alignment": Alignment(wrap_text=True, vertical="center"),
        },
        "plain": {"font": font(), "alignment": right, "border": below},
        "strong": {"font": font(bold=True), "alignment": right, "border": below, "fill": fill(BAND)},
        "input": {
            "font": font(9, "1A3E8C", bold=True),
            "fill": fill(INPUT_FILL),
            "border": box,
            "alignment": right,
            "protection": Protection(locked=False),
        },
        "answer": {
            "font": font(9, "1A3E8C", bold=True),
            "fill": fill(INPUT_FILL),
            "border": box,
            "alignment": wrap,
            "protection": Protection(locked=False),
        },
        "fixed": {"font": font(9, MUTED), "fill": fill("E4E7EB"), "border": box, "alignment": right},
    }
    return styles[name]
