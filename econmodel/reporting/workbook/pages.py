"""A workbook under construction: its sheets, the names of its cells, and what every page of it carries."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from econmodel.parameters.loading import Case
from econmodel.reporting.workbook.formula import Formula
from econmodel.reporting.workbook.styles import Styles
from econmodel.reporting.workbook.writer import Sheet, address, save_workbook

if TYPE_CHECKING:
    from openpyxl import Workbook

DEMO = "INVENTED DATA: a fictional hospital, made up to show the tool. Nothing here comes from a real hospital or patient."
_NAME = re.compile(r"^[A-Za-z_][A-Za-z0-9_]*$")
_LIKE_A_CELL = re.compile(r"^([A-Za-z]{1,3}[0-9]+|[RrCc][0-9]*|[Rr][0-9]+[Cc][0-9]+|true|false)$", re.IGNORECASE)


def new_workbook(title: str) -> Workbook:
    """Make an empty workbook, worked out anew by whatever opens it; its last page is for styles."""
    from openpyxl import Workbook

    workbook = Workbook()
    workbook.remove(workbook.worksheets[0])
    workbook.create_sheet("styles")
    workbook.calculation.fullCalcOnLoad = True
    workbook.properties.title, workbook.properties.creator = title, "econmodel"
    return workbook


@dataclass(kw_only=True)
class Pages:
    """Sheets of a case; ``v`` maps a numeric input to its cell, so that the model's own functions take cells for values."""

    case: Case
    workbook: Workbook
    styles: Styles
    cells: dict[tuple[str, ...], Any] = field(default_factory=dict)
    v: dict[str, Any] = field(default_factory=dict)
    sheets: dict[str, Sheet] = field(default_factory=dict)

    @property
    def money_label(self) -> str:
        """Currency and price year, as every money heading shows them."""
        return f"{self.case.parameters.text('currency')}, {self.case.parameters.text('price_year')} prices"

    @property
    def footer(self) -> str:
        """Footer of every printed page: whose figures, whether invented, and the caution."""
        demo = "INVENTED DATA. " if self.case.is_demo else ""
        return f"{self.case.title[:90]}. {demo}Planning software, not advice for a patient."

    def add_sheet(self, name: str, tab: str = "") -> Sheet:
        """Add a sheet at the end."""
        page = self.workbook.create_sheet(name)
        if tab:
            page.sheet_properties.tabColor = tab
        self.sheets[name] = Sheet(page, self.styles, mark=" (invented data)" if self.case.is_demo else "")
        return self.sheets[name]

    def name_cell(self, name: str, sheet: str, row: int, column: int, value: float | str) -> None:
        """Make an input's cell known: by a defined name where the spelling allows one, else by its address."""
        from openpyxl.workbook.defined_name import DefinedName

        place = address(row, column, sheet)
        if _NAME.match(name) and not _LIKE_A_CELL.match(name):
            self.workbook.defined_names[name] = DefinedName(name, attr_text=place)
            place = name
        self.cells["input", name] = Formula(place, value)
        if not isinstance(value, str):
            self.v[name] = self.cells["input", name]

    def input(self, name: str) -> Any:
        """Refer to an input, a number or a setting."""
        return self.cells["input", name]

    def at(self, *key: str) -> Any:
        """Refer to a cell another sheet made known."""
        return self.cells[key]

    def save(self, path: Path, order: Sequence[str]) -> Path:
        """Put the sheets named first, the others after them, and save the whole or nothing."""
        self.workbook.remove(self.workbook["styles"])
        pages = {page.title: page for page in self.workbook.worksheets}
        first = [name for name in order if name in pages]
        for position, name in enumerate([*first, *(name for name in pages if name not in first)]):
            self.workbook.move_sheet(pages[name], position - self.workbook.index(pages[name]))
        self.workbook.active = 0
        return save_workbook(self.workbook, path, self.sheets.values())
