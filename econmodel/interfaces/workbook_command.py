"""``econmodel workbook``: the live spreadsheet of the deterministic model."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from econmodel.interfaces.common import console, load, staged
from econmodel.workflow import sheet_path


def run_workbook(
    file: Path | None,
    overrides: Sequence[Path],
    sets: Sequence[str],
    *,
    strategies: Sequence[str] = (),
    out: Path | None,
    quiet: bool = False,
) -> Path:
    """Write ``<case>_workbook.xlsx``, with ``strategies`` beside those it always holds; give its path."""
    from econmodel.economics.evaluate import evaluate
    from econmodel.reporting.workbook import build_workbook

    case = load(file, overrides, sets, quiet=quiet)
    path = sheet_path(case, "workbook", out)
    with staged(path.parent, quiet=quiet, adds=True) as stage:
        build_workbook(case, evaluate(case.parameters), stage / path.name, strategies)
    console(quiet=quiet).print(f"Wrote {path}", markup=False, highlight=False)
    return path
