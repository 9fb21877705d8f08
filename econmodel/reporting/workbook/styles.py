"""How cells look: a small set of named styles, made once per workbook.

Ink on white with one accent; cells to type in are pale yellow with a border, so that print and colour-blind readers
tell them apart by the border as well.
"""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from openpyxl import Workbook
    from openpyxl.cell.cell import Cell
    from openpyxl.worksheet.worksheet import Worksheet

INK, MUTED, ACCENT, WARNING = "20272E", "5C6670", "14506B", "9B2226"
TYPED = "1A3E8C"
PALE, INPUT_FILL, BAND, ALERT_FILL = "E8EEF2", "FFF7D6", "F6F8F9", "FBE9E7"
NUMBER_FORMATS = {
    "number": "General",
    "probability": "0.000000",
    "rate": "0.00000",
    "money": "#,##0;[Red]-#,##0",
    "money_exact": "#,##0.00;[Red]-#,##0.00",
    "count": "0.0000",
    "one": "0.0",
    "two": "0.00",
    "whole": "0",
    "factor": "0.000000",
    "share": "0.0%",
    "trace": "0.000000",
    "years": '[>=100000000]"always";0.0',
    "small_number": "0.0E+00",
    "slope": '[>1E+200]"none";[<-1E+200]"none";#,##0',
}


@dataclass(frozen=True)
class Look:
    """Look of a cell: font, fill, border (box, line or hair below), alignment, and whether it may be typed in."""

    size: float = 9
    color: str = INK
    bold: bool = False
    italic: bool = False
    fill: str = ""
    border: Literal["", "box", "line", "hair"] = ""
    to: Literal["left", "right"] | None = None
    at: Literal["top", "center", "bottom"] = "top"
    wrap: bool = False
    indent: int = 0
    open: bool = False


LOOKS = {
    "title": Look(16, ACCENT, bold=True, at="center"),
    "subtitle": Look(color=MUTED, italic=True),
    "section": Look(11, "FFFFFF", bold=True, fill=ACCENT, at="center"),
    "header": Look(color=ACCENT, bold=True, fill=PALE, border="line", at="bottom", wrap=True),
    "header_right": Look(color=ACCENT, bold=True, fill=PALE, border="line", to="right", at="bottom", wrap=True),
    "key": Look(8, MUTED, to="right"),
    "text": Look(border="hair", wrap=True),
    "bold": Look(bold=True, border="hair", wrap=True),
    "small": Look(8, MUTED, border="hair", wrap=True, indent=1),
    "note": Look(color=MUTED, italic=True),
    "plain_text": Look(),
    "caution_line": Look(color=WARNING, bold=True),
    "caution": Look(color=WARNING, bold=True, fill=ALERT_FILL, wrap=True),
    "demo": Look(11, WARNING, bold=True, fill=ALERT_FILL, border="box", at="center", wrap=True),
    "plain": Look(border="hair", to="right"),
    "strong": Look(bold=True, fill=BAND, border="hair", to="right"),
    "input": Look(color=TYPED, bold=True, fill=INPUT_FILL, border="box", to="right", open=True),
    "answer": Look(color=TYPED, bold=True, fill=INPUT_FILL, border="box", wrap=True, open=True),
    "fixed": Look(color=MUTED, fill="E4E7EB", border="box", to="right"),
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
    """Fields of a base style, from its look."""
    from openpyxl.styles import Alignment, Border, Font, PatternFill, Protection, Side

    look = LOOKS[name]
    line, hair = Side(style="thin", color="9AA5B1"), Side(style="hair", color="CBD2D9")
    borders = {
        "box": Border(left=line, right=line, top=line, bottom=line),
        "line": Border(bottom=line),
        "hair": Border(bottom=hair),
        "": Border(),
    }
    found: dict[str, Any] = {
        "font": Font(name="Calibri", size=look.size, color=look.color, bold=look.bold, italic=look.italic),
        "border": borders[look.border],
        "protection": Protection(locked=not look.open),
        "alignment": Alignment(horizontal=look.to, vertical=look.at, wrap_text=look.wrap, indent=look.indent),
    }
    return found | ({"fill": PatternFill("solid", fgColor=look.fill)} if look.fill else {})
