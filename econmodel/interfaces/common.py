"""What commands share: loading a case, writing JSON, and a console for people."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from econmodel.errors import AnalysisError, EconModelError

if TYPE_CHECKING:
    from rich.console import Console

    from econmodel.parameters.loading import Case


def console(*, quiet: bool = False, error: bool = False) -> Console:
    """Console for people: silent when quiet, on stderr for progress."""
    from rich.console import Console

    return Console(quiet=quiet, stderr=error)


def load(file: Path | None, overrides: Sequence[Path] = (), sets: Sequence[str] = (), *, seed: int | None = None,
         draws: int | None = None) -> Case:
    """Load a case (default: the demo hospital) with the common options applied."""
    from econmodel.parameters.loading import demo_file, load_case

    typed = [*sets, *([] if seed is None else [f"seed={seed}"]), *([] if draws is None else [f"draws={draws}"])]
    return load_case(file or demo_file(), overrides, typed)


def write_json(document: dict[str, Any] | list[Any], target: str) -> None:
    """Write JSON to a file, whole or not at all, or to stdout when the target is ``-``."""
    from econmodel.reporting.files import json_text, write_text

    text = json_text(document)
    if target == "-":
        sys.stdout.write(text)
        return
    write_text(Path(target), text)


def check_folder(folder: Path) -> Path:
    """Refuse an output folder that cannot be one, before any work is done.

    Raises
    ------
    AnalysisError
        The path is a file.
    """
    if folder.exists() and not folder.is_dir():
        what = f"--out {folder}: is a file, must be a folder"
        raise AnalysisError(what, where="--out", fix="name a folder; it is made when missing")
    return folder


def report_fault(fault: EconModelError) -> int:
    """Print one message on stderr and give exit code 2."""
    sys.stderr.write(f"{fault}\n")
    return 2
