"""A run's files are one set: all of one run, or said to be unfinished."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from econmodel import runs
from econmodel.errors import AnalysisError
from econmodel.files import write_text
from econmodel.runs import file_set, unfinished

pytestmark = pytest.mark.skipif(os.name == "nt", reason="signals of a POSIX system")
STOPPED = """
import os, signal, sys
from pathlib import Path
from econmodel.files import write_text
from econmodel.runs import file_set
count, real = int(sys.argv[2]), {name: getattr(Path, name) for name in ("replace", "unlink")}
def kill(name):
    def step(self, *given, **named):
        global count
        if putting:
            count -= 1
            if count < 0:
                os.kill(os.getpid(), signal.SIGKILL)
        return real[name](self, *given, **named)
    return step
putting = False
Path.replace, Path.unlink = kill("replace"), kill("unlink")
with file_set(Path(sys.argv[1])) as stage:
    for name in ("a.json", "figures/b.svg", "c.pdf"):
        write_text(stage / name, '"new"')
    putting = True
"""


def write_set(folder: Path, text: str, *names: str, told: list[str] | None = None) -> None:
    with file_set(folder, (told if told is not None else []).append) as stage:
        for name in names:
            write_text(stage / name, text)


def contents(folder: Path) -> dict[str, str]:
    files = (path for path in folder.rglob("*") if path.is_file() and path.name != "run.json" and ".part" not in path.parts)
    return {path.relative_to(folder).as_posix(): path.read_text(encoding="utf-8") for path in files if path.name != ".lock"}


def test_a_set_is_recorded_and_replaced(tmp_path: Path) -> None:
    """The record names every file; the next set removes what only the last one wrote, and nothing else."""
    write_set(tmp_path, '"old"', "a.json", "figures/gone.svg", "edited.csv")
    (tmp_path / "edited.csv").write_text("someone's own", encoding="utf-8")
    (tmp_path / "notes.txt").write_text("someone's own", encoding="utf-8")
    told: list[str] = []
    write_set(tmp_path, '"new"', "a.json", told=told)
    assert len(told) == 1
    assert "edited.csv is not as its run wrote it" in told[0]
    assert contents(tmp_path) == {"a.json": '"new"', "edited.csv": "someone's own", "notes.txt": "someone's own"}
    assert not (tmp_path / "figures").exists()
    record = json.loads((tmp_path / "run.json").read_text(encoding="utf-8"))
    assert set(record) == {"run", "version", "commit", "time", "files"}
    assert list(record["files"]) == ["a.json"]
    assert unfinished(tmp_path) == ""


@pytest.mark.parametrize("step", range(20))
def test_killed_at_any_step_it_is_whole_or_said_to_be_unfinished(tmp_path: Path, step: int) -> None:
    """SIGKILL before each rename and removal: never half old and half new unnoticed; the next run mends it and leaves nothing."""
    write_set(tmp_path, '"old"', "a.json", "figures/b.svg", "c.pdf", "only_old.csv")
    done = subprocess.run([sys.executable, "-c", STOPPED, tmp_path, str(step)], check=False)
    found = {name: text for name, text in contents(tmp_path).items() if ".part-" not in name}
    new = {"a.json": '"new"', "figures/b.svg": '"new"', "c.pdf": '"new"'}
    old = dict.fromkeys((*new, "only_old.csv"), '"old"')
    assert done.returncode in (0, -signal.SIGKILL)
    assert done.returncode or found == new
    assert found in (old, new) or unfinished(tmp_path)
    write_set(tmp_path, '"new"', "a.json", "figures/b.svg", "c.pdf")
    assert contents(tmp_path) == new
    assert unfinished(tmp_path) == ""
    assert not (tmp_path / ".part").exists()


def test_the_killing_reaches_the_middle(tmp_path: Path) -> None:
    """Negative control: some step of the test above does leave half a set behind."""
    halves = 0
    for step in range(8):
        folder = tmp_path / str(step)
        write_set(folder, '"old"', "a.json", "figures/b.svg", "c.pdf")
        subprocess.run([sys.executable, "-c", STOPPED, folder, str(step)], check=False)
        halves += len(set(contents(folder).values())) == 2
    assert halves >= 2


def test_a_fault_in_the_work_changes_nothing(tmp_path: Path) -> None:
    """The old set stands; where there was none no folder is left."""
    write_set(tmp_path / "old", "old", "a.txt")
    for folder in (tmp_path / "old", tmp_path / "new" / "deep"):
        with pytest.raises(ValueError, match="planted"), file_set(folder) as stage:  # noqa: PT012
            write_text(stage / "a.txt", "new")
            raise ValueError("planted")
    assert contents(tmp_path) == {"old/a.txt": "old"}
    assert unfinished(tmp_path / "old") == ""
    assert not (tmp_path / "new").exists()


def test_what_says_the_same_is_left_alone(tmp_path: Path) -> None:
    """Last digits do not touch a file; a moved result takes every paper of its set with it, however it is rounded."""

    def write(number: str, page: str) -> None:
        with file_set(tmp_path) as stage:
            write_text(stage / "results.json", json.dumps({"cost": float(number)}))
            write_text(stage / "brief.html", f"<p>${page}</p>")

    write("0.3", "1.24")
    write("0.30000000000000004", "1.25")
    assert contents(tmp_path) == {"results.json": '{"cost": 0.3}', "brief.html": "<p>$1.24</p>"}
    write("0.3001", "1.25")
    assert contents(tmp_path) == {"results.json": '{"cost": 0.3001}', "brief.html": "<p>$1.25</p>"}


def test_a_file_can_be_added_and_a_form_is_no_part_of_the_set(tmp_path: Path) -> None:
    """One more file keeps the others; a form filled in where it was written is no sign of an unfinished run."""
    write_set(tmp_path, "old", "a.txt", "demo_form.xlsx")
    (tmp_path / "demo_form.xlsx").write_text("answers", encoding="utf-8")
    with file_set(tmp_path, adds=True) as stage:
        write_text(stage / "b.txt", "added")
    assert unfinished(tmp_path) == ""
    assert contents(tmp_path) == {"a.txt": "old", "b.txt": "added", "demo_form.xlsx": "answers"}
    assert list(json.loads((tmp_path / "run.json").read_text(encoding="utf-8"))["files"]) == ["a.txt", "b.txt"]


def test_a_copy_without_a_record_is_said(tmp_path: Path) -> None:
    """Committed results carry no record."""
    write_text(tmp_path / "results.json", "{}")
    assert unfinished(tmp_path) == "no finished run is recorded here"
    assert unfinished(tmp_path / "none") == ""


def test_a_second_run_waits_and_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The message names the process; a lock left by a process that has ended holds nobody."""
    monkeypatch.setattr(runs, "WAIT_SECONDS", 0.3)
    (tmp_path / ".lock").write_text("999999\n", encoding="utf-8")
    with file_set(tmp_path) as stage:
        write_text(stage / "a.txt", "first")
        with pytest.raises(AnalysisError, match=rf"written by another run, process {os.getpid()}"), file_set(tmp_path):
            pass
    assert contents(tmp_path) == {"a.txt": "first"}
    assert not (tmp_path / ".lock").exists()


def test_a_second_run_that_waits_comes_through(tmp_path: Path) -> None:
    """Within the wait the first one ends, and the second one goes on."""
    code = "import sys, time; from pathlib import Path; from econmodel.runs import file_set\n"
    code += "with file_set(Path(sys.argv[1])) as s:\n    (s / 'a.txt').write_text('first'); print('in', flush=True); time.sleep(0.5)"
    with subprocess.Popen([sys.executable, "-c", code, tmp_path], stdout=subprocess.PIPE) as other:
        assert other.stdout is not None
        other.stdout.readline()
        write_set(tmp_path, "second", "a.txt")
    assert contents(tmp_path) == {"a.txt": "second"}


def test_a_killed_run_leaves_no_worker() -> None:
    """The second process ends when the first is killed."""
    code = (
        "import os, signal\nfrom econmodel.workflow import second_process\n"
        "if __name__ == '__main__':\n"
        "    with second_process(needed=True) as beside:\n"
        "        print(beside.submit(os.getpid).result(), flush=True)\n"
        "        os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == -signal.SIGKILL
    worker, until = int(done.stdout), time.monotonic() + 10
    while _runs(worker) and time.monotonic() < until:
        time.sleep(0.05)
    assert not _runs(worker)


def _runs(pid: int) -> bool:
    """Whether a process runs; one that has ended and waits to be collected does not."""
    try:
        os.kill(pid, 0)
        stat = Path(f"/proc/{pid}/stat")
        return not stat.exists() or stat.read_text().rpartition(")")[2].split()[0] != "Z"
    except ProcessLookupError:
        return False
