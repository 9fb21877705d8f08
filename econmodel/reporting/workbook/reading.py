"""Read what a spreadsheet program worked out in a live workbook, in the shape of the result document."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from econmodel.errors import DataError
from econmodel.reporting.workbook import checks_sheet, comparisons_sheet, frontier_sheet, outcomes_sheet, year_table_sheet
from econmodel.reporting.workbook.layout import FIRST_YEAR_ROW

if TYPE_CHECKING:
    from openpyxl.worksheet.worksheet import Worksheet


def read_results(path: Path) -> dict[str, Any]:
    """Read what the spreadsheet program worked out.

    Returns
    -------
    dict
        ``strategies`` {key: {dotted key: value}}, ``comparisons`` {comparator: {key: {dotted key: value}}}, ``yearly``
        {key: [{column: value}]}, ``frontier`` {key: {cost, qalys, status, icer}}, ``failed_checks``, the labels of
        checks that do not hold. An empty cell is None.

    Raises
    ------
    DataError
        The file has never been worked out by a spreadsheet program.
    """
    from openpyxl import load_workbook

    workbook = load_workbook(path, data_only=True, read_only=True)
    checks = [row[:4] for row in workbook[checks_sheet.NAME].iter_rows(values_only=True)]
    if checks[2][1] is None:
        what = f"{path.name} holds formulas but no results yet"
        raise DataError(what, where=f"{path.name}, sheet 'Checks', cell B3", fix="open it in a spreadsheet program and save")
    return {
        "strategies": _outcomes(workbook[outcomes_sheet.NAME]),
        "comparisons": _comparisons(workbook[comparisons_sheet.NAME]),
        "yearly": _yearly(workbook[year_table_sheet.NAME]),
        "frontier": _frontier(workbook[frontier_sheet.NAME]),
        "failed_checks": [str(label) for label, _, _, holds in checks if holds == "NO"],
    }


def _value(value: Any) -> Any:
    return None if value == "" else value


def _row(page: Worksheet, row: int) -> tuple[Any, ...]:
    return next(page.iter_rows(min_row=row, max_row=row, values_only=True))


def _outcomes(page: Worksheet) -> dict[str, dict[str, Any]]:
    keys = _row(page, outcomes_sheet.KEYS_ROW)[outcomes_sheet.FIRST_STRATEGY - 1 :]
    found: dict[str, dict[str, Any]] = {str(key): {} for key in keys if key}
    for row in page.iter_rows(min_row=outcomes_sheet.FIRST, values_only=True):
        name = row[outcomes_sheet.KEY - 1]
        if name:
            for key, value in zip(found, row[outcomes_sheet.FIRST_STRATEGY - 1 :], strict=False):
                found[key][str(name)] = _value(value)
    return found


def _comparisons(page: Worksheet) -> dict[str, dict[str, dict[str, Any]]]:
    found: dict[str, dict[str, dict[str, Any]]] = {}
    versus, keys = "", list[str]()
    for row in page.iter_rows(min_row=4, values_only=True):
        name = row[comparisons_sheet.KEY - 1]
        values = row[comparisons_sheet.FIRST_STRATEGY - 1 :]
        if name == "versus":
            versus, keys = str(row[comparisons_sheet.COMPARATOR - 1]), [str(v) for v in values if v]
            found[versus] = {key: {} for key in keys if key != versus}
        elif name:
            for key, value in zip(keys, values, strict=False):
                if key != versus:
                    found[versus][key][str(name)] = _value(value)
    return found


def _yearly(page: Worksheet) -> dict[str, list[dict[str, float]]]:
    found: dict[str, list[dict[str, float]]] = {}
    columns = list(year_table_sheet.COLUMNS)
    keys = _row(page, FIRST_YEAR_ROW - 2)
    for start, key in enumerate(keys):
        if key and key not in found:
            rows = page.iter_rows(min_row=FIRST_YEAR_ROW, min_col=start + 1, max_col=start + len(columns), values_only=True)
            found[str(key)] = [dict(zip(columns, row, strict=True)) for row in rows if _value(row[0]) is not None]  # type: ignore[arg-type]
    return found


def _frontier(page: Worksheet) -> dict[str, dict[str, Any]]:
    found = {}
    for row in page.iter_rows(min_row=frontier_sheet.FIRST, values_only=True):
        if not row[frontier_sheet.KEY - 1]:
            break
        found[str(row[frontier_sheet.KEY - 1])] = {
            "cost": row[frontier_sheet.COST - 1],
            "qalys": row[frontier_sheet.EFFECT - 1],
            "status": row[frontier_sheet.STATUS - 1],
            "icer": _value(row[frontier_sheet.ICER - 1]),
        }
    return found
