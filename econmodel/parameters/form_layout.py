"""Where everything stands in the data-collection form: what its writer and its reader must agree on.

The form's hidden sheet lists every question: the sheet and row it stands in, the input (and, for a table, the row and
field), the unit and the value shown.
"""

from __future__ import annotations

import math

from econmodel.parameters.schema import BOUNDS, POSITIVE_UNITS, WHOLE, unit_kind
from econmodel.records import record

HIDDEN_SHEET, MARK, VERSION = "econmodel_form", "econmodel form", 1
FACTS = {"case": 2, "currency": 3, "price_year": 4, "inputs_sha256": 5}
FIRST_ENTRY = 8
START_SHEET, HOSPITAL_CELL = "Start", (6, 2)
QUESTION, UNIT, NAME, OURS, STATUS, ANSWER, YEAR, SOURCE, FILLED_BY, UNKNOWN, CHECK = range(1, 12)
FIRST_ROW = 6
ENTRY_FIELDS = ("sheet", "row", "name", "shown", "item", "field", "unit", "ours", "choices", "sums_to_one")


@record
class Question:
    """One row of the form: an input, or one field of one row of a table input.

    ``shown`` is the model name as the form shows it; ``item`` and ``field`` place it in a table (None and empty for an
    input that is one value); ``sums_to_one`` says that the field's answers over the table must.
    """

    sheet: str
    row: int
    name: str
    shown: str
    item: int | None
    field: str
    unit: str
    ours: float | str | None
    choices: tuple[str, ...] = ()
    sums_to_one: bool = False

    def cell(self, column: int = ANSWER) -> str:
        """Cell of the question's row, such as ``F12``."""
        return f"{chr(64 + column)}{self.row}"


def limits(q: Question) -> tuple[float, float]:
    """Lowest and highest answer; a yearly rate or growth in the form is at most 1 (100%)."""
    if q.unit in POSITIVE_UNITS:
        return 0.0, math.inf
    low, high = BOUNDS.get(unit_kind(q.unit), (0.0, math.inf))
    return max(low, WHOLE.get(q.name, low)), 1.0 if q.unit in ("per year", "growth per year") else high
