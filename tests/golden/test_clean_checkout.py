"""The README's first command leaves a clean checkout clean, on any processor."""

from __future__ import annotations

import json
import os
import platform
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from numpy._core._multiarray_umath import __cpu_dispatch__, __cpu_features__

from econmodel.model.compiled import KERNEL
from econmodel.model.disease import run_disease
from econmodel.model.inputs import base_values, resolve
from econmodel.parameters import ParameterSet

ROOT = Path(__file__).resolve().parents[2]
CORE = {"x86_64": "Prescott", "AMD64": "Prescott", "aarch64": "ARMV8"}.get(platform.machine(), "")
OTHER = {"NPY_DISABLE_CPU_FEATURES": " ".join(f for f in __cpu_dispatch__ if __cpu_features__[f]), "OPENBLAS_CORETYPE": CORE}
TRACKED_BYTES = 2_000_000


def git(folder: Path, *words: str) -> str:
    command = ["git", "-c", "user.name=test", "-c", "user.email=test@localhost", *words]
    return subprocess.run(command, cwd=folder, capture_output=True, text=True, check=True).stdout


@pytest.fixture(scope="module")
def checkout(tmp_path_factory: pytest.TempPathFactory, base: ParameterSet) -> Path:
    """A checkout of the tree as it stands, what is not committed yet included, and with it the loops as compiled here."""
    if not (ROOT / ".git").exists():
        pytest.skip("not a git checkout")
    folder = tmp_path_factory.mktemp("checkout")
    for name in git(ROOT, "ls-files", "-z", "--cached", "--others", "--exclude-standard").split("\0"):
        if name and (ROOT / name).is_file():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(ROOT / name, folder / name)
    run_disease(resolve(base, base_values(base)), (0,), engine="compiled")
    kept = (ROOT / f"{KERNEL.replace('.', '/')}.py").parent / "__pycache__"
    shutil.copytree(kept, folder / kept.relative_to(ROOT), ignore=shutil.ignore_patterns("*.pyc"))
    git(folder, "init", "-q")
    git(folder, "add", "-A")
    git(folder, "commit", "-qm", "As it stands")
    return folder


def run_case(folder: Path, *words: str, **environment: str) -> str:
    """Run the main job as a user would; give what it says."""
    settings = {**os.environ, "PYTHONPATH": str(folder), **environment}
    code = "import sys; from econmodel.interfaces.cli import main; sys.exit(main())"
    command = [sys.executable, "-c", code, "case", *words]
    done = subprocess.run(command, cwd=folder, env=settings, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_the_main_command_leaves_the_checkout_clean(checkout: Path) -> None:
    """Run `econmodel case` and commit reports/demo when this fails, saying which number moved and why.

    It leaves the papers in their formats, workbook, form, figures with their data, results and provenance.
    """
    shown = run_case(checkout)
    assert git(checkout, "status", "--porcelain") == ""
    folder = checkout / "reports" / "demo"
    papers = {f"{paper}.{form}" for paper in ("brief", "technical_report") for form in ("html", "pdf", "docx")}
    others = {"board_paper.docx", "demo_workbook.xlsx", "demo_form.xlsx", "results.json", "results.csv", "provenance.csv"}
    assert papers | others <= {path.name for path in folder.iterdir()}
    results = json.loads((folder / "results.json").read_text(encoding="utf-8"))
    assert results["uncertainty"]["draws"] == 4000
    assert len(results["programme"]["years"]) == 5
    for picture in (folder / "figures").glob("*.svg"):
        assert picture.with_suffix(".csv").exists()
        assert picture.with_suffix(".png").exists()
    assert "Invented data" in shown


def test_another_processor_leaves_the_checkout_clean(checkout: Path) -> None:
    """All that is tracked is written again with other last digits, and nothing has changed: in few draws, as each has its own."""
    few = ("--draws", "200", "--paper", "brief", "--paper", "report", "--as", "html")
    run_case(checkout, *few)
    git(checkout, "commit", "-qam", "In few draws")
    run_case(checkout, *few, **OTHER)
    assert git(checkout, "status", "--porcelain") == ""


def test_the_other_processor_is_another() -> None:
    """Negative control: with those settings a sum has other last digits, or the second run would show nothing."""
    code = "import numpy as np; x = np.linspace(0, 1, 999); print(repr(float(np.exp(x) @ np.log1p(x))), repr(float(np.exp(x).sum())))"
    found = {subprocess.run([sys.executable, "-c", code], env={**os.environ, **e}, capture_output=True).stdout for e in ({}, OTHER)}
    assert len(found) == 2 or not OTHER["NPY_DISABLE_CPU_FEATURES"]


def test_a_moved_result_is_seen(checkout: Path) -> None:
    """Negative control: one input moved by a thousandth shows in the tracked text."""
    settings = {**os.environ, "PYTHONPATH": str(checkout)}
    code = "import sys; from econmodel.interfaces.cli import main; sys.exit(main())"
    arguments = ("case", "--draws", "0", "--quiet", "--set", "c_coil=401")
    subprocess.run([sys.executable, "-c", code, *arguments], cwd=checkout, env=settings, capture_output=True, check=True)
    assert "reports/demo/results.json" in git(checkout, "status", "--porcelain")


def test_only_text_is_tracked_and_little_of_it() -> None:
    """Papers, pictures of dots and workbooks are built, not kept."""
    if not (ROOT / ".git").exists():
        pytest.skip("not a git checkout")
    tracked = [ROOT / name for name in git(ROOT, "ls-files", "reports").splitlines()]
    assert {path.suffix for path in tracked} <= {".json", ".csv", ".html", ".svg"}
    assert sum(path.stat().st_size for path in tracked if path.exists()) < TRACKED_BYTES
    assert [path for path in tracked if path.exists() and b"\0" in path.read_bytes()] == []
