"""Which version a tree is: the last tag of a checkout, what its build wrote, else unversioned."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

import econmodel
from econmodel.package import UNVERSIONED, Stamp, app_file, distribution_version, identity, params_folder, stamp, version


def git(root: Path, *words: str) -> None:
    who = ("-c", "user.name=a", "-c", "user.email=a@b.example", "-c", "commit.gpgsign=false", "-c", "tag.gpgsign=false")
    subprocess.run(["git", *who, *words], cwd=root, check=True, capture_output=True)


@pytest.fixture
def checkout(tmp_path: Path) -> Path:
    """Give a checkout of one commit, without a tag."""
    for name in ("params/sources.toml", "econmodel/__init__.py"):
        (tmp_path / name).parent.mkdir()
        (tmp_path / name).touch()
    git(tmp_path, "init", "-q")
    git(tmp_path, "add", ".")
    git(tmp_path, "commit", "-qm", "first")
    return tmp_path


def told(root: Path) -> tuple[str, str]:
    identity.cache_clear()
    return identity(root / "econmodel")


def test_version_moves_with_the_tag(checkout: Path) -> None:
    """None, then the tag, kept by the commits after it, then the next tag; a changed file shows beside the commit."""
    assert told(checkout)[0] == UNVERSIONED
    git(checkout, "tag", "v1.0")
    assert told(checkout)[0] == "v1.0"
    (checkout / "params" / "sources.toml").write_text("a = 1\n", encoding="utf-8")
    assert told(checkout)[1].endswith("-dirty")
    git(checkout, "commit", "-qam", "second")
    tag, commit = told(checkout)
    assert (tag, len(commit)) == ("v1.0", 12)
    git(checkout, "tag", "-a", "v2.0", "-m", "second edition")
    assert told(checkout) == ("v2.0", commit)


def test_version_of_a_build_is_what_it_wrote(tmp_path: Path) -> None:
    """Without git: ``_version.py``; without either: unversioned. Another repository around it is not asked."""
    (tmp_path / "econmodel").mkdir()
    assert told(tmp_path) == (UNVERSIONED, "")
    git(tmp_path, "init", "-q")
    git(tmp_path, "commit", "-q", "--allow-empty", "-m", "someone else's")
    git(tmp_path, "tag", "v9.0")
    assert told(tmp_path) == (UNVERSIONED, "")
    (tmp_path / "econmodel" / "_version.py").write_text('VERSION = "v1.2"\nCOMMIT = "abc"\n', encoding="utf-8")
    assert told(tmp_path) == ("v1.2", "abc")


@pytest.mark.parametrize(
    ("tag", "number"),
    [("v2.0", "2.0"), ("2.1.3", "2.1.3"), ("v2.0rc1", "2.0rc1"), ("v1-final", "0+v1.final"), (UNVERSIONED, "0+unversioned")],
)
def test_any_tag_makes_a_version_of_a_wheel(tag: str, number: str) -> None:
    """A tag that is no number of a version still builds."""
    assert distribution_version(tag) == number


def test_the_build_reads_it_alone() -> None:
    """It is read by its path before anything is installed: on the standard library alone."""
    code = "import runpy, sys; print(runpy.run_path(sys.argv[1])['distribution_version']('v2.0'))"
    file = str(Path(econmodel.__file__).with_name("package.py"))
    assert subprocess.run([sys.executable, "-I", "-S", "-c", code, file], capture_output=True, text=True, check=True).stdout == "2.0\n"


def test_stamp_tells_version_commit_and_time() -> None:
    """One stamp a process; the package's version is the same."""
    assert stamp() is stamp()
    assert econmodel.__version__ == version() == stamp().version
    assert str(Stamp("v1", "", "2026-01-01T23:59:00+00:00")) == "made 2026-01-01 23:59 UTC"
    assert str(Stamp("v1", "abc-dirty", "2026-01-01T23:59:00+00:00")) == "commit abc-dirty · made 2026-01-01 23:59 UTC"
    with pytest.raises(AttributeError, match="no attribute 'versoin'"):
        getattr(econmodel, "versoin")  # noqa: B009


def test_inputs_and_page_are_there() -> None:
    """Both stand where the package says."""
    assert (params_folder() / "sources.toml").is_file()
    assert app_file().is_file()
