"""A run's files are one set: staged beside the folder they go to, put in place together, and told in ``run.json``.

``run.json`` (run, version, commit, time, the SHA-256 of each file) is taken away first and written last. Where it is missing, or
a file is not as it says, a run was stopped half way, and the next one says so and writes everything again.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from fnmatch import fnmatch
from pathlib import Path
from typing import IO, Any

from econmodel.errors import AnalysisError
from econmodel.files import check_folder, is_same, json_text, write_text
from econmodel.package import stamp

RECORD, STAGE, LOCK = "run.json", ".part", ".lock"
FORMER = ".former.json"
WAIT_SECONDS = 10.0
FULL = (".json", ".csv")
LOOSE = ("*_form.xlsx",)  # made to be filled in: no part of the set once written


@contextmanager
def file_set(folder: Path, tell: Callable[[str], object] = lambda _: None, *, adds: bool = False) -> Iterator[Path]:
    """Stage the files of a run; when the block ends without a fault they take their places, all of one run.

    A file that says the same as the one in its place is left alone; one that only the run before wrote is removed.

    Parameters
    ----------
    folder
        Where the files go; made when missing, and taken away again if nothing was written.
    tell
        Takes one sentence where an earlier run did not finish.
    adds
        Keep the set that stands there, and add to it.

    Yields
    ------
    Path
        Folder to write to instead.

    Raises
    ------
    AnalysisError
        Another run writes to the folder and does not finish within ten seconds, or the folder cannot be written.
    """
    check_folder(folder)
    made = [place for place in (folder, *folder.parents) if not place.exists()]
    folder.mkdir(parents=True, exist_ok=True)
    stage = folder / STAGE
    try:
        with _locked(folder):
            if fault := unfinished(folder):
                tell(f"{folder}: {fault}; {'run econmodel case again' if adds else 'all of it is written again'}")
            former = _read(folder / RECORD if (folder / RECORD).exists() else stage / FORMER)
            shutil.rmtree(stage, ignore_errors=True)
            stage.mkdir()
            try:
                yield stage
                _put_in_place(folder, stage, former, adds=adds)
            except BaseException:
                _clear(folder, stage)
                raise
            shutil.rmtree(stage)
    finally:
        for place in made:
            with suppress(OSError):
                place.rmdir()


def unfinished(folder: Path) -> str:
    """What shows that the last run did not finish here, in words; empty where all is well or nothing stands.

    A folder without a record, such as a fresh copy of committed reports, counts as not finished once it holds files.
    """
    if (folder / RECORD).exists():
        changed = [name for name, digest in _read(folder / RECORD)["files"].items() if _digest(folder / name) != digest]
        return f"{changed[0]} is not as its run wrote it" if changed else ""
    if (folder / STAGE).exists():
        return "the last run was stopped"
    return "no finished run is recorded here" if (folder / "results.json").exists() else ""


def _put_in_place(folder: Path, stage: Path, former: Mapping[str, Any], *, adds: bool) -> None:
    """Take the record away, put the files where they belong one by one, write the record."""
    staged = {path.relative_to(stage).as_posix(): path for path in sorted(stage.rglob("*")) if path.is_file()}
    moved = {name for name, path in staged.items() if not _stands(folder / name, path, rounded=True)}
    if any(name.endswith(FULL) for name in moved):
        moved |= {name for name, path in staged.items() if not _stands(folder / name, path, rounded=False)}
    write_text(stage / FORMER, json_text(former))
    (folder / RECORD).unlink(missing_ok=True)
    for name in sorted(moved):
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        staged[name].replace(folder / name)
    before = former["files"]
    if not adds:
        _remove(folder, {name: digest for name, digest in before.items() if name not in staged})
    kept = [name for name in staged if not any(fnmatch(name, loose) for loose in LOOSE)]
    written = {name: _digest(folder / name) for name in kept}
    record = {
        "run": os.urandom(16).hex(),
        **stamp()._asdict(),
        **({"added": kept} if adds else {}),
        "files": {**before, **written} if adds else written,
    }
    write_text(stage / RECORD, json_text(record)).replace(folder / RECORD)


def _remove(folder: Path, files: Mapping[str, str]) -> None:
    """Remove files that are still as their run wrote them, and folders they leave empty."""
    for name, digest in files.items():
        place = folder / name
        if _digest(place) == digest:
            place.unlink()
            with suppress(OSError):
                place.parent.rmdir()


def _stands(place: Path, staged: Path, *, rounded: bool) -> bool:
    return place.is_file() and is_same(place.read_bytes(), staged.read_bytes(), place.suffix, rounded=rounded)


def _clear(folder: Path, stage: Path) -> None:
    """After a fault: drop what was staged, unless files had begun to take their places, which the next run must see."""
    if not (stage / FORMER).exists() or (folder / RECORD).exists():
        shutil.rmtree(stage, ignore_errors=True)


def _read(path: Path) -> dict[str, Any]:
    """A record; one without files where there is none to be read."""
    with suppress(OSError, ValueError):
        record = json.loads(path.read_text(encoding="utf-8"))
        if isinstance(record, dict) and isinstance(record.get("files"), dict):
            return record
    return {"files": {}}


def _digest(path: Path) -> str:
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return ""


@contextmanager
def _locked(folder: Path) -> Iterator[None]:
    """Hold the folder's lock, which holds our process number; the system lets it go when the process ends, however it ends.

    Raises
    ------
    AnalysisError
        Another process holds it for ten seconds.
    """
    path, until = folder / LOCK, time.monotonic() + WAIT_SECONDS
    while (handle := _take(path)) is None:
        if time.monotonic() > until:
            what = f"{folder} is being written by another run, process {path.read_text(encoding='utf-8').strip() or 'unknown'}"
            raise AnalysisError(what, where=str(path), fix="wait until it has finished, or write to another folder with --out")
        time.sleep(0.1)
    with handle:
        try:
            yield
        finally:
            path.unlink(missing_ok=True)


def _take(path: Path) -> IO[str] | None:
    """Open and lock a file; None where another process has it, or took it away between the two."""
    handle = path.open("a+", encoding="utf-8")
    try:
        _lock(handle.fileno())
        if os.fstat(handle.fileno()).st_ino == path.stat().st_ino:
            handle.truncate(0)
            handle.write(f"{os.getpid()}\n")
            handle.flush()
            return handle
    except OSError:
        pass
    handle.close()
    return None


def _lock(descriptor: int) -> None:
    if sys.platform == "win32":
        import msvcrt

        msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
    else:
        import fcntl

        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
