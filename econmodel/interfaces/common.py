"""What commands share: loading a case, writing JSON, and a console for people."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from econmodel.errors import AnalysisError

if TYPE_CHECKING:
    from rich.console import Console

    from econmodel.parameters.loading import Case


def console(*, quiet: bool = False, error: bool = False) -> Console:
    """Console for people: silent when quiet, on stderr for progress."""
    from rich.console import Console

    return Console(quiet=quiet, stderr=error)


def load(
    file: Path | None,
    overrides: Sequence[Path] = (),
    sets: Sequence[str] = (),
    *,
    seed: int | None = None,
    draws: int | None = None,
    quiet: bool = False,
) -> Case:
    """Load a case (default: the demo hospital) with the common options applied.

    What deserves a second look goes to stderr, and before it what each filled form changes, unless quiet.
    """
    from econmodel.parameters.loading import demo_file, load_case
    from econmodel.parameters.second_look import second_look

    file = file or demo_file()
    typed = [*sets, *([] if seed is None else [f"seed={seed}"]), *([] if draws is None else [f"draws={draws}"])]
    case = load_case(file, overrides, typed)
    if not quiet:
        for count, path in enumerate(overrides):
            if path.suffix.lower() == ".xlsx":
                _show_form(path, load_case(file, overrides[:count]))
    for sentence in second_look(case.parameters):
        sys.stderr.write(f"Look again: {sentence}\n")
    return case


def _show_form(path: Path, before: Case) -> None:
    from econmodel.parameters.form_reading import read_form

    form = read_form(path)
    screen = console(error=True)
    screen.print(f"Filled form {path}:", markup=False, highlight=False)
    print_differences(form.rows(before.parameters), len(form.not_known), screen)


def print_differences(rows: list[dict[str, Any]], not_known: int, screen: Console) -> None:
    """Print what a filled form changes: ours, theirs, where it stands, and what to look at; then a count."""
    from rich.markup import escape
    from rich.table import Table

    from econmodel.wording import plain_number

    table = Table(box=None, pad_edge=False)
    for heading in ("input", "ours", "theirs", "unit", "cell", "look at"):
        table.add_column(heading, overflow="fold")
    changed = [row for row in rows if row["changed"]]
    for row in changed:
        ours, theirs = (plain_number(v) if isinstance(v, float) else v for v in (row["ours"], row["theirs"]))
        cells = (row["name"], ours, theirs, row["unit"], f"{row['sheet']} {row['cell']}", row["warning"])
        table.add_row(*(escape(str(cell)) for cell in cells))
    if changed:
        screen.print(table)
    screen.print(
        f"{len(rows)} answers, {len(changed)} differ from the present values, {not_known} marked as not known", highlight=False
    )


def write_json(document: dict[str, Any] | list[Any], target: str) -> None:
    """Write JSON to a file, whole or not at all, or to stdout when the target is ``-``."""
    from econmodel.files import json_text, write_text

    text = json_text(document)
    if target == "-":
        sys.stdout.write(text)
        return
    write_text(Path(target), text)


def check_output(
    out: Path | None, default: Path | None, json: str | None = None, *, reads: Sequence[Path | None] = (), writes: Sequence[str] = ()
) -> Path | None:
    """Folder a command writes to, and its JSON file, checked before any work is done.

    Parameters
    ----------
    out, default, json
        Folder asked for, folder otherwise, and JSON file.
    reads, writes
        Files read, and names of files to be written in the folder: none may be both.

    Returns
    -------
    Path or None
        ``out``, else ``default``; None where there is neither, or JSON on standard output is all that is wanted.

    Raises
    ------
    AnalysisError
        The folder or the JSON file cannot be written, or an input would be overwritten.
    """
    from econmodel.files import check_file, check_folder

    if json is not None and json != "-":
        check_file(Path(json), "--json")
    folder = out or (None if json == "-" else default)
    targets = [*([Path(json)] if json and json != "-" else []), *(folder / name for name in writes if folder)]
    inputs = {path.resolve() for path in reads if path}
    for target in targets:
        if target.resolve() in inputs:
            what = f"{target} is read as an input and would be overwritten"
            raise AnalysisError(what, where=str(target), fix="write to another folder with --out, or to another file")
    return check_folder(folder, "--out") if folder else None


@contextmanager
def staged(folder: Path, *, quiet: bool = False, adds: bool = False) -> Iterator[Path]:
    """Where to write the files of a run, which take their places in the folder together; see :func:`econmodel.runs.file_set`."""
    from econmodel.runs import file_set

    with file_set(folder, lambda said: None if quiet else sys.stderr.write(f"{said}\n"), adds=adds) as stage:
        yield stage
