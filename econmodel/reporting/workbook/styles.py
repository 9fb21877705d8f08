"""How cells look: a small set of named styles, made once per workbook.

Ink on white with one accent; cells to type in are pale yellow with a border, so that print and colour-blind readers
tell them apart by the border as well.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal

from econmodel.records import record

if TYPE_CHECKING:
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


@record
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
    "bold_left": Look(bold=True, border="hair", to="left"),
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
    """Named styles of one workbook; each is registered on first use and known to the file by a number.

    Parameters
    ----------
    page
        Any sheet of the workbook, to register styles with.
    """

    def __init__(self, page: Worksheet) -> None:
        self._page = page
        self._numbers: dict[tuple[str, bool], int] = {}

    def number_of(self, name: str, *, quoted: bool = False) -> int:
        """Give the number of a style; ``quoted`` keeps what looks like a formula text when the cell is edited."""
        if (name, quoted) not in self._numbers:
            from openpyxl.cell.cell import Cell

            cell = Cell(self._page, row=1, column=1)
            for field, value in describe(name).items():
                setattr(cell, field, value)
            cell.quotePrefix = quoted
            self._numbers[name, quoted] = cell.style_id
        return self._numbers[name, quoted]


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
