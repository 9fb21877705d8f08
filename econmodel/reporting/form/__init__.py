"""The data-collection form: plain questions about the site's own values, in a workbook sent to those who know."""

from econmodel.reporting.form.build import build_form

__all__ = ["build_form"]
