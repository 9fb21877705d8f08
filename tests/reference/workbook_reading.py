"""Read what a spreadsheet program worked out in a live workbook, in the shape of the result document."""

from __future__ import annotations

from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from econmodel.errors import DataError
from econmodel.reporting.workbook import checks, comparisons, outcomes
from econmodel.reporting.workbook.book import FIRST_YEAR_ROW

if TYPE_CHECKING:
    from openpyxl.worksheet.worksheet import Worksheet

    from econmodel.parameters.loading import Case


def begun_at(case: Case, age: float) -> Case:
    """Case whose patients begin at an age and at none below, so that its file holds no more years than are left."""
    first = case.parameters["start_age"]
    assert first.range is not None
    moved = replace(first, value=age, range=replace(first.range, low=age))
    return replace(case, parameters=replace(case.parameters, parameters=case.parameters.parameters | {"start_age": moved}))


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

    with closing(load_workbook(path, data_only=True, read_only=True)) as workbook:
        checked = [row[:4] for row in workbook[checks.NAME].iter_rows(values_only=True)]
        if checked[2][1] is None:
            what = f"{path.name} holds formulas but no results yet"
            raise DataError(what, where=f"{path.name}, sheet 'Checks', cell B3", fix="open it in a spreadsheet program and save")
        return {
            "strategies": _outcomes(workbook[outcomes.OUTCOMES]),
            "comparisons": _comparisons(workbook[comparisons.COMPARISONS]),
            "yearly": _yearly(workbook[outcomes.YEAR_TABLE]),
            "frontier": _frontier(workbook[comparisons.FRONTIER]),
            "failed_checks": [str(label) for label, _, _, holds in checked if holds == "NO"],
        }


def _value(value: Any) -> Any:
    return None if value == "" else value


def _row(page: Worksheet, row: int) -> tuple[Any, ...]:
    return next(page.iter_rows(min_row=row, max_row=row, values_only=True))


def _outcomes(page: Worksheet) -> dict[str, dict[str, Any]]:
    keys = _row(page, outcomes.KEYS_ROW)[outcomes.FIRST_STRATEGY - 1 :]
    found: dict[str, dict[str, Any]] = {str(key): {} for key in keys if key}
    for row in page.iter_rows(min_row=outcomes.FIRST, values_only=True):
        name = row[outcomes.KEY - 1]
        if name:
            for key, value in zip(found, row[outcomes.FIRST_STRATEGY - 1 :], strict=False):
                found[key][str(name)] = _value(value)
    return found


def _comparisons(page: Worksheet) -> dict[str, dict[str, dict[str, Any]]]:
    found: dict[str, dict[str, dict[str, Any]]] = {}
    versus, keys = "", list[str]()
    for row in page.iter_rows(min_row=4, values_only=True):
        name = row[comparisons.KEY - 1]
        values = row[comparisons.FIRST_STRATEGY - 1 :]
        if name == "versus":
            versus, keys = str(row[comparisons.COMPARATOR - 1]), [str(v) for v in values if v]
            found[versus] = {key: {} for key in keys if key != versus}
        elif name:
            for key, value in zip(keys, values, strict=False):
                if key != versus:
                    found[versus][key][str(name)] = _value(value)
    return found


def _yearly(page: Worksheet) -> dict[str, list[dict[str, float]]]:
    found: dict[str, list[dict[str, float]]] = {}
    columns = list(outcomes.YEAR_COLUMNS)
    keys = _row(page, FIRST_YEAR_ROW - 2)
    for start, key in enumerate(keys):
        if key and key not in found:
            rows = page.iter_rows(min_row=FIRST_YEAR_ROW, min_col=start + 1, max_col=start + len(columns), values_only=True)
            found[str(key)] = [dict(zip(columns, row, strict=True)) for row in rows if _value(row[0]) is not None]  # type: ignore[arg-type]
    return found


def _frontier(page: Worksheet) -> dict[str, dict[str, Any]]:
    found = {}
    for row in page.iter_rows(min_row=comparisons.FIRST_OPTION, values_only=True):
        if not row[comparisons.F_KEY - 1]:
            break
        found[str(row[comparisons.F_KEY - 1])] = {
            "cost": row[comparisons.COST - 1],
            "qalys": row[comparisons.EFFECT - 1],
            "status": row[comparisons.STATUS - 1],
            "icer": _value(row[comparisons.ICER - 1]),
        }
    return found
