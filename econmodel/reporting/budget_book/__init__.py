"""The budget workbook: the programme's money as a spreadsheet, live from the funnel to the net present value."""

from econmodel.reporting.budget_book.build import build_budget_book

__all__ = ["build_budget_book"]
