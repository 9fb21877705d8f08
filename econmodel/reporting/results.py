"""Write the results of a case as files: the result document, its numbers as a table, and where each input is from."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from econmodel.files import json_text, write_csv, write_text
from econmodel.reporting.provenance import provenance_rows
from econmodel.reporting.tables import result_rows

if TYPE_CHECKING:
    from econmodel.parameters.loading import Case


def write_results(case: Case, document: dict[str, Any], folder: Path) -> list[Path]:
    """Write ``results.json``, ``results.csv`` and ``provenance.csv``; give their paths."""
    return [
        write_text(folder / "results.json", json_text(document)),
        write_csv(folder / "results.csv", result_rows(document)),
        write_csv(folder / "provenance.csv", provenance_rows(case.parameters)),
    ]
