"""Sources sheet: every source the inputs name, and which inputs rest on it."""

from __future__ import annotations

from econmodel.reporting.workbook.book import Book

NAME = "Sources"


def build_sources(book: Book) -> None:
    """Write the sources that are used."""
    sheet = book.add_sheet(NAME)
    sheet.heading("Sources", "Full references; locators stand beside each input.")
    sheet.row(4, ["Key", "Reference", "Kind", "Inputs"])
    users: dict[str, list[str]] = {}
    for p in book.case.parameters.parameters.values():
        if p.source:
            users.setdefault(p.source, []).append(p.name)
    for row, key in enumerate(sorted(users), start=5):
        source = book.case.parameters.sources[key]
        names = ", ".join(users[key])
        sheet.row(row, [key, source.reference, source.kind, names], "text")
        sheet.height(row, (source.reference, 100), (names, 60))
    sheet.widths(26, 100, 14, 60)
    sheet.frame("B5", book.footer, header_rows="4:4")
