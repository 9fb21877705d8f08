"""Writing: whole or not at all, and one message where the system refuses."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from econmodel.errors import AnalysisError
from econmodel.files import check_file, check_folder, is_same, write_bytes, write_text


@pytest.fixture
def blocked(tmp_path: Path) -> dict[str, Path]:
    (tmp_path / "file.toml").write_text("x = 1\n", encoding="utf-8")
    return {"under a file": tmp_path / "file.toml" / "sub", "too long": tmp_path / ("x" * 300)}


@pytest.mark.parametrize("kind", ["under a file", "too long"])
def test_a_place_that_takes_no_file_is_refused(blocked: dict[str, Path], kind: str) -> None:
    """Before the work and at the writing alike: what, why, and a fix."""
    path = blocked[kind]
    for call in (check_folder, check_file, lambda p: write_bytes(p / "a", b"a"), lambda p: write_text(p, "a")):
        with pytest.raises(AnalysisError, match=r"cannot be written \((.|\n)*fix:"):
            call(path)


def test_a_folder_is_no_file_and_a_file_no_folder(tmp_path: Path) -> None:
    """Each is refused where the other is wanted; the option is named."""
    with pytest.raises(AnalysisError, match=r"--json .*is a folder"):
        check_file(tmp_path, "--json")
    written = write_text(tmp_path / "new" / "a.txt", "a")
    with pytest.raises(AnalysisError, match=r"--out .*is a file"):
        check_folder(written, "--out")


def test_checks_leave_nothing_behind_and_let_good_places_pass(tmp_path: Path) -> None:
    """A folder that can be made is not made yet."""
    assert check_folder(tmp_path / "a" / "b") == tmp_path / "a" / "b"
    assert check_file(tmp_path / "c" / "d.json") == tmp_path / "c" / "d.json"
    assert list(tmp_path.iterdir()) == []


def test_failed_write_keeps_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A full disk leaves the file as it was and no part of the new one."""
    path = write_text(tmp_path / "a.txt", "old")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", full)
    with pytest.raises(AnalysisError, match="No space left"):
        write_text(path, "new")
    assert path.read_text(encoding="utf-8") == "old"
    assert list(tmp_path.iterdir()) == [path]


def test_a_pipe_is_written_through(tmp_path: Path) -> None:
    """A pipe stays a pipe and gets the bytes; a link stays a link."""
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    with subprocess.Popen(["cat", pipe], stdout=subprocess.PIPE) as reader:
        assert check_file(pipe) == pipe
        write_text(pipe, "through")
        assert reader.communicate()[0] == b"through"
    assert pipe.is_fifo()
    (tmp_path / "link").symlink_to(tmp_path / "target")
    write_text(tmp_path / "link", "a")
    assert (tmp_path / "link").is_symlink()
    assert (tmp_path / "target").read_text(encoding="utf-8") == "a"


@pytest.mark.parametrize("target", ["/dev/stdout", "/dev/fd/1"])
def test_standard_output_stays_a_device(target: str, tmp_path: Path) -> None:
    """Into a pipe and into a file: what is written arrives, and the name in /dev is what it was."""
    before = Path(target).lstat().st_ino
    code = f"from econmodel.files import write_text; from pathlib import Path; write_text(Path({target!r}), 'whole')"
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, check=True).stdout == b"whole"
    with (tmp_path / "out").open("wb") as out:
        subprocess.run([sys.executable, "-c", code], stdout=out, check=True)
    assert (tmp_path / "out").read_bytes() == b"whole"
    assert Path(target).lstat().st_ino == before or target.startswith("/dev/fd")


@pytest.mark.parametrize(
    ("suffix", "old", "new", "same", "same_rounded"),
    [
        (".json", '{"a": 0.1}', '{"a": 0.10000000000000002}', True, True),
        (".json", '{"a": 1e-17}', '{"a": -3e-15}', True, True),
        (".json", '{"a": 0.1}', '{"a": 0.1000001}', False, False),
        (".json", '{"a": 0.1}', '{"b": 0.1}', False, False),
        (".json", '{"a": 1.5}', '{"a": 1.6}', False, False),
        (".csv", "a,1.25\n", "a,1.26\n", False, False),
        (".html", "<p>12.4</p>", "<p>12.5</p>", False, True),
        (".html", "<p>12.4</p>", "<p>12.6</p>", False, False),
        (".html", "<p>$999</p>", "<p>$1,000</p>", False, True),
        (".html", "<p>12%</p>", "<p>13%</p>", False, True),
        (".html", "<p>in 2024</p>", "<p>in 2025</p>", False, False),
        (".html", "<p>saves 1.5</p>", "<p>costs 1.5</p>", False, False),
        (".html", "<p>1.5</p>", "<p>−1.5</p>", False, False),
        (".svg", '<svg d="M1.25-3L4 5"></svg>', '<svg d="M1.26-3L4 5.02"></svg>', False, True),
        (".svg", '<svg d="M1.25-3L4 5"></svg>', '<svg d="M1.25-3L4 5.03"></svg>', False, False),
        (".html", '<p>1.0</p><svg d="M1 2"></svg>', '<p>1.0</p><svg d="M1 2.3"></svg>', False, False),
        (".pdf", "1.00000000000000001", "1.0", False, False),
    ],
)
def test_files_say_the_same(suffix: str, old: str, new: str, same: bool, same_rounded: bool) -> None:
    """Equal to 1e-9; a page may differ by a unit of the last digit, and its drawing by 0.02, where the results are the same."""
    texts = old.encode(), new.encode()
    assert is_same(*texts, suffix) is same
    assert is_same(*texts, suffix, rounded=True) is same_rounded


@pytest.mark.parametrize(
    ("old", "new", "same"),
    [
        ("econmodel v2.0 · case", "econmodel unversioned · case", True),
        ('"version": "v2.0",', '"version": "unversioned",', True),
        ("econmodel unversioned · case", "econmodel v2.0 · case", False),
        ("econmodel v2.0 · case", "econmodel v2.1 · case", False),
        ("econmodel v2.0 · case", "econmodel unversioned · face", False),
    ],
)
def test_a_copy_without_tags_leaves_the_version_that_stands(old: str, new: str, same: bool) -> None:
    """It cannot tell its version; one that can moves the text with its tag."""
    assert is_same(old.encode(), new.encode(), ".html", rounded=True) is same
