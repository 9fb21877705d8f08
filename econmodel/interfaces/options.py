"""Options the commands share, and the flags of the command line."""

from __future__ import annotations

import os
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any, TypeVar

import click

from econmodel.package import own_file

Command = TypeVar("Command", bound=Callable[..., Any])
PATH = click.Path(path_type=Path)


class FileToRead(click.Path):
    """A file given to read; ``params/...`` names the model's own inputs from any folder."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Path:
        """Find the file."""
        return own_file(Path(os.fsdecode(super().convert(value, param, ctx))))


READ = FileToRead(path_type=Path)


def years(text: str) -> float:
    """Read a time in years: 2, 2.5, or months as a fraction, 26/12."""
    try:
        return float(Fraction(text.replace(" ", "")))
    except (ValueError, ZeroDivisionError):
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
