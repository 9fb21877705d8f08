"""Writing: whole or not at all, and one message where the system refuses."""

from __future__ import annotations

from pathlib import Path

import pytest

from econmodel.errors import AnalysisError
from econmodel.files import check_file, check_folder, write_bytes, write_text


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
