"""The live workbook: the deterministic model as a spreadsheet whose figures are formulas."""

from econmodel.reporting.workbook.build import build_workbook

__all__ = ["build_workbook"]
