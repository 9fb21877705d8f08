"""Tests of the model other than studies, as text, CSV and JSON."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from econmodel.files import json_text, write_csv, write_text
from econmodel.reporting.tables.studies import save_studies, studies_document

if TYPE_CHECKING:
    from econmodel.economics.validation import CheckRow
    from econmodel.uncertainty.held_certain import Held
    from econmodel.uncertainty.studies import StudyResult

KINDS = ("verification", "calibration", "independent")


def value_text(value: float) -> str:
    """Risks as percentages, other figures as numbers."""
    return f"{100 * value:.1f}%" if value <= 1 else f"{value:,.4g}"


def checks_document(rows: Sequence[CheckRow], studies: Sequence[StudyResult], held: Sequence[Held] = ()) -> dict[str, Any]:
    """Tests, studies, and what a case holds certain that decides, as plain data."""
    return {"rows": [asdict(row) for row in rows], "held_certain": [dict(vars(row)) for row in held], **studies_document(studies)}


def save_checks(rows: Sequence[CheckRow], studies: Sequence[StudyResult], held: Sequence[Held], folder: Path) -> list[Path]:
    """Write checks.csv, checks.json and the studies with their chart."""
    written = [write_csv(folder / "checks.csv", [asdict(row) for row in rows])]
    return [
        *written,
        write_text(folder / "checks.json", json_text(checks_document(rows, studies, held))),
        *save_studies(studies, folder),
    ]
