"""The workbook under construction: sheets by name, input cells by name, and cells other sheets refer to."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from econmodel.economics.evaluate import Evaluation
from econmodel.parameters.loading import Case
from econmodel.reporting.workbook.layout import Layout
from econmodel.reporting.workbook.styles import Styles
from econmodel.reporting.workbook.writer import Sheet, address

if TYPE_CHECKING:
    from openpyxl import Workbook

_NAME = re.compile(r"^[A-Za-z_][A-Za-z0-9_]*$")
_LIKE_A_CELL = re.compile(r"^([A-Za-z]{1,3}[0-9]+|[RrCc][0-9]*|[Rr][0-9]+[Cc][0-9]+|true|false)$", re.IGNORECASE)


@dataclass
class Book:
    """What the sheet writers share.

    ``cells`` maps a key such as ``("solved", "f", "A")`` to the address other sheets use; ``used`` collects the inputs
    that formulas read, so that the inputs sheet can say which ones move the workbook.
    """

    case: Case
    evaluation: Evaluation
    layout: Layout
    workbook: Workbook
    styles: Styles
    cells: dict[tuple[str, ...], str] = field(default_factory=dict)
    used: set[str] = field(default_factory=set)
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

    def name_cell(self, name: str, sheet: str, row: int, column: int) -> None:
        """Make an input's cell known: by a defined name where the spelling allows one, else by its address."""
        from openpyxl.workbook.defined_name import DefinedName

        place = address(row, column, sheet)
        if _NAME.match(name) and not _LIKE_A_CELL.match(name):
            self.workbook.defined_names[name] = DefinedName(name, attr_text=place)
            self.cells["input", name] = name
        else:
            self.cells["input", name] = place

    def input(self, name: str) -> str:
        """Refer to an input in a formula."""
        self.used.add(name)
        return self.cells["input", name]

    def product(self, names: tuple[str, ...]) -> str:
        """Product of inputs in a formula; 1 for none."""
        return "*".join(self.input(name) for name in names) or "1"

    def at(self, *key: str) -> str:
        """Refer to a cell another sheet made known."""
        return self.cells[key]

    def known(self, *key: str, sheet: str, row: int, column: int) -> str:
        """Make a cell known to other sheets, and return its address."""
        self.cells[key] = address(row, column, sheet)
        return self.cells[key]
