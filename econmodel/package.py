"""The package as it is installed: where its inputs and its page stand, and which version it is.

A checkout keeps ``params/`` and ``app.py`` at its top; a wheel holds both within the package, and beside them
``_version.py``, written when it was built. The version is the last git tag; a tree with neither is ``unversioned``.
The build reads this file by its path, so it stands on the standard library alone.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import NamedTuple

UNVERSIONED = "unversioned"
_NUMBERED = re.compile(r"v?(\d+(?:\.\d+)*(?:(?:a|b|rc|\.post|\.dev)\d+)?)")


class Stamp(NamedTuple):
    """What made a file, and when.

    ``commit`` is empty where it is not known, and ends in ``-dirty`` where files were changed since; ``time`` is UTC.
    """

    version: str
    commit: str
    time: str

    @property
    def moment(self) -> datetime:
        """When, as a point in time."""
        return datetime.fromisoformat(self.time)

    def __str__(self) -> str:
        """What a paper of one run says beside its version; a text that is kept from run to run leaves it out."""
        commit = f"commit {self.commit} · " if self.commit else ""
        return f"{commit}made {self.moment:%Y-%m-%d %H:%M} UTC"


def package_folder() -> Path:
    """Folder of the package, ``econmodel/``."""
    from importlib.resources import files

    return Path(str(files("econmodel")))


@cache
def params_folder() -> Path:
    """Folder of the model's inputs: within the package in a wheel, at the top of a checkout."""
    inside = package_folder() / "_params"
    return inside if inside.is_dir() else package_folder().parent / "params"


def own_file(path: Path) -> Path:
    """Find a file that is named as messages show it: ``params/...`` means the model's own where no such file is there.

    >>> own_file(Path("params/sources.toml")).is_file()
    True
    """
    if path.parts[:1] != ("params",) or is_there(path):
        return path
    return params_folder().joinpath(*path.parts[1:])


def is_there(path: Path) -> bool:
    r"""Whether a file or folder is there; a path that no file system takes is not.

    >>> is_there(Path("x" * 300)), is_there(Path("a\0b"))
    (False, False)
    """
    try:
        return path.exists()
    except (OSError, ValueError):
        return False


@cache
def app_file() -> Path:
    """The dashboard's entry point, with the settings of its web server in ``.streamlit`` beside it."""
    inside = package_folder() / "_app" / "app.py"
    return inside if inside.is_file() else package_folder().parent / "app.py"


@cache
def version() -> str:
    """The last git tag as it was written, such as ``v2.0``; ``unversioned`` where there is none."""
    return identity(package_folder())[0]


@cache
def stamp() -> Stamp:
    """Version, commit and time of this run; the same all through a process."""
    return Stamp(*identity(package_folder()), datetime.now(UTC).isoformat(timespec="seconds"))


@cache
def identity(package: Path) -> tuple[str, str]:
    """Version and commit of a package folder: from git in a checkout, else from what its build wrote."""
    root = package.parent
    if (root / ".git").exists() and (root / "params").is_dir():
        return _git(root, "--tags", "--abbrev=0") or UNVERSIONED, _git(root, "--always", "--dirty", "--exclude=*", "--abbrev=12")
    built = package / "_version.py"
    text = built.read_text(encoding="utf-8") if built.is_file() else ""
    written = dict(re.findall(r'^(\w+) = "(.*)"$', text, re.MULTILINE))
    return written.get("VERSION", UNVERSIONED), written.get("COMMIT", "")


def _git(root: Path, *how: str) -> str:
    """Describe the commit of a checkout; empty without git, or without what is asked for."""
    import subprocess

    try:
        asked = ("git", "-C", str(root), "describe", *how)
        done = subprocess.run(asked, capture_output=True, text=True, check=False, timeout=30)
    except (OSError, subprocess.TimeoutExpired):
        return ""
    return done.stdout.strip() if done.returncode == 0 else ""


def distribution_version(tag: str) -> str:
    """Version as package indices write it: ``v2.0`` is 2.0; any other text stands behind a zero.

    >>> distribution_version("v2.0"), distribution_version("unversioned"), distribution_version("Edition 2")
    ('2.0', '0+unversioned', '0+edition.2')
    """
    numbered = _NUMBERED.fullmatch(tag)
    return numbered.group(1) if numbered else "0+" + re.sub("[^a-z0-9]+", ".", tag.lower()).strip(".")
