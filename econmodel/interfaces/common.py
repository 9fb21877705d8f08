"""What commands share: options, loading a case, JSON, where files go, and a console for people."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from econmodel.errors import AnalysisError, ParameterError, legible
from econmodel.numbers import read_number
from econmodel.package import own_file

if TYPE_CHECKING:
    from rich.console import Console

    from econmodel.parameters.loading import Case
    from econmodel.uncertainty.probabilistic import Psa

Command = TypeVar("Command", bound=Callable[..., Any])
PATH = click.Path(path_type=Path)


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
    structure: Sequence[str] = (),
    quiet: bool = False,
) -> Case:
    """Load a case (default: the demo hospital) with the common options applied.

    What deserves a second look goes to stderr, and before it what each filled form changes, unless quiet.
    """
    from econmodel.parameters.loading import demo_file, load_case
    from econmodel.parameters.second_look import second_look

    if draws:
        from econmodel.parameters.sampling import check_draws

        check_draws(draws)
    file = file or demo_file()
    typed = [*sets, *([] if seed is None else [f"seed={seed}"]), *([] if draws is None else [f"draws={draws}"])]
    case = load_case(file, overrides, typed)
    if structure:
        from econmodel.parameters.structures import fix_structure

        case = replace(case, parameters=fix_structure(case.parameters, structure))
    for count, path in enumerate(overrides):
        if path.suffix.lower() == ".xlsx":
            _show_form(path, None if quiet else load_case(file, overrides[:count]))
    for sentence in second_look(case.parameters):
        sys.stderr.write(f"Look again: {legible(sentence)}\n")
    return case


def _show_form(path: Path, before: Case | None) -> None:
    """Print on stderr what a form changes of a case, and always what of it is held."""
    from econmodel.parameters.form_reading import read_form

    form, screen = read_form(path), console(error=True)
    if before:
        screen.print(f"Filled form {path}:", markup=False, highlight=False)
        print_differences(form.rows(before.parameters), len(form.not_known), screen)
    for fault in form.held:
        sys.stderr.write(f"Held, ours stays: {fault.what}\n  where: {fault.where}\n  fix:   {fault.fix}\n")
    for words in form.noted:
        sys.stderr.write(f"Noted, changes nothing: {words}\n")


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


class FileToRead(click.Path):
    """A file given to read; ``params/...`` names the model's own inputs from any folder."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Path:
        """Find the file."""
        return own_file(Path(os.fsdecode(super().convert(value, param, ctx))))


READ = FileToRead(path_type=Path)


def number(text: str) -> float:
    """Read a number of an option."""
    try:
        return read_number(text, "point")
    except ParameterError as fault:
        what = f"{fault.what}; {fault.fix}"
        raise click.BadParameter(what) from None


def years(text: str) -> float:
    """Read a time in years: 2, 2.5, or months as a fraction, 26/12."""
    time, _, parts = text.partition("/")
    try:
        return number(time) / (number(parts) if parts else 1.0)
    except (click.BadParameter, ZeroDivisionError):
        what = f"{text!r} must be a number of years, such as 2 or 26/12"
        raise click.BadParameter(what) from None


COMMON: dict[str, Callable[[Any], Any]] = {
    "file": click.argument("file", type=READ, required=False),
    "override": click.option(
        "--override",
        "overrides",
        type=READ,
        multiple=True,
        metavar="FILE",
        help="Override file (TOML) or filled form (XLSX); repeatable.",
    ),
    "set": click.option("--set", "sets", multiple=True, metavar="NAME=VALUE", help="Change one input; repeatable."),
    "draws": click.option("--draws", type=int, metavar="N", help="Draws of all inputs together; 0 leaves them out."),
    "structure": click.option(
        "--structure",
        multiple=True,
        metavar="base|KEY=CHOICE",
        help="Fix all weighted settings as they stand, or one at a choice; repeatable.",
    ),
    "seed": click.option("--seed", type=int, metavar="N", help="Seed of the draws."),
    "out": click.option("--out", type=PATH, metavar="FOLDER", help="Where files go; default reports/<name>."),
    "json": click.option("--json", metavar="FILE|-", help="Results as JSON; - prints them, alone."),
    "quiet": click.option("--quiet", is_flag=True, help="Print nothing but warnings."),
}


def common(*names: str) -> Callable[[Command], Command]:
    """Give a command some of the shared options, listed in that order in its help."""

    def decorate(command: Command) -> Command:
        for name in reversed(names):
            command = COMMON[name](command)
        return command

    return decorate


def run_with_progress(case: Case, *, sobol: bool = False, quiet: bool = False) -> Psa:
    """Run the case's own number of draws, showing progress to people only."""
    from econmodel.workflow import run_together

    screen = console(quiet=quiet, error=True)
    if quiet or not screen.is_terminal:
        return run_together(case, sobol=sobol)
    from rich.progress import Progress

    with Progress(console=screen, transient=True) as bar:
        task = bar.add_task("All inputs varied together", total=int(case.parameters.number("draws")))
        return run_together(case, sobol=sobol, progress=lambda done, _: bar.update(task, completed=done))
