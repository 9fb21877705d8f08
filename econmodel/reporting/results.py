"""Write the results of a case as files: the result document, its numbers as a table, and where each input is from."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from econmodel.files import json_text, write_csv, write_text
from econmodel.reporting.tables.headline import result_rows
from econmodel.reporting.tables.provenance import provenance_rows

if TYPE_CHECKING:
    from econmodel.economics.results import Results
    from econmodel.parameters.loading import Case
    from econmodel.reporting.papers.findings import Findings


def result_document(results: Results, found: Findings) -> dict[str, Any]:
    """Give everything that was found as one document, the contract of ``--json`` and ``results.json``."""
    document = results.to_json()
    if found.programme:
        document["programme"] = found.programme.to_json()
    if found.psa:
        document["uncertainty"] = found.psa.to_json()
    return document


def write_results(case: Case, results: Results, found: Findings, folder: Path) -> list[Path]:
    """Write ``results.json``, ``results.csv`` and ``provenance.csv``; give their paths."""
    document = result_document(results, found)
    return [
        write_text(folder / "results.json", json_text(document)),
        write_csv(folder / "results.csv", result_rows(document)),
        write_csv(folder / "provenance.csv", provenance_rows(case.parameters)),
    ]
