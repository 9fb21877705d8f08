"""What commands share: loading a case, writing JSON, and a console for people."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from econmodel.errors import EconModelError

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
    from econmodel.files import json_text, write_text

    text = json_text(document)
    if target == "-":
        sys.stdout.write(text)
        return
    write_text(Path(target), text)


def check_output(out: Path | None, default: Path | None, json: str | None = None) -> Path | None:
    """Folder a command writes to, and its JSON file, checked before any work is done.

    Returns
    -------
    Path or None
        ``out``, else ``default``; None where there is neither, or JSON on standard output is all that is wanted.

    Raises
    ------
    AnalysisError
        The folder or the JSON file cannot be written.
    """
    from econmodel.files import check_file, check_folder

    if json and json != "-":
        check_file(Path(json), "--json")
    folder = out or (None if json == "-" else default)
    return check_folder(folder, "--out") if folder else None


def report_fault(fault: EconModelError) -> int:
    """Print one message on stderr and give exit code 2."""
    sys.stderr.write(f"{fault}\n")
    return 2
