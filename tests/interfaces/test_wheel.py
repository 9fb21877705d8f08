"""The wheel, installed alone into an empty environment: every verb, from an empty folder."""

from __future__ import annotations

import json
import os
import re
import site
import subprocess
import sys
import tarfile
import time
import urllib.request
import zipfile
from pathlib import Path

import pytest
from test_dashboard_network import SERVER, check, watched

from econmodel.economics.evaluate import evaluate
from econmodel.economics.results import result_document
from econmodel.files import is_same
from econmodel.parameters.loading import demo_file, load_case

ROOT = Path(__file__).resolve().parents[2]
BUILD = "import sys; from hatchling.build import build_wheel, build_sdist; print(globals()[sys.argv[1]](sys.argv[2]))"
VERBS = {
    "new": ["new", "--country", "IN"],
    "case": ["case", "--draws", "20", "--quiet", "--paper", "brief", "--paper", "board", "--paper", "budget", "--paper", "workbook"],
    "nnt": ["nnt", "--treated", "6/80", "--untreated-risk", "0.41", "--nnt", "3", "--years", "2"],
    "sensitivity": ["sensitivity", "--one-way"],
    "psa": ["psa", "--draws", "20"],
    "budget": ["budget", "--draws", "20"],
    "surveillance": ["surveillance"],
    "research": ["research", "--draws", "100", "--trial", "registry_untreated"],
    "registry": ["registry", "params/hospitals/demo_registry.csv"],
    "prices": ["prices", "charges.json"],
    "form": ["form", "params/hospitals/demo_uk.toml", "--override", "params/scenarios/coil_ratios_one.toml", "--set", "draws=100"],
    "workbook": ["workbook"],
    "study": ["study", "tips_gastric", "--draws", "20"],
    "checks": ["checks"],
    "where": ["where", "c_coil"],
}


CHARGES = """{"hospital_name": "Fernhollow (fictional)", "last_updated_on": "2026-05-01", "version": "3.0.0",
"standard_charge_information": [{"code_information": [{"code": "43253", "type": "CPT"}], "standard_charges": [{"setting": "outpatient",
"payers_information": [{"payer_name": "Medicare Advantage", "plan_name": "A", "standard_charge_dollar": 1900}]}]}]}"""


def build(kind: str, folder: Path) -> Path:
    """Build the package from the tree the tests run in."""
    done = subprocess.run([sys.executable, "-c", BUILD, kind, str(folder)], cwd=ROOT, capture_output=True, text=True, check=True)
    return folder / done.stdout.strip()


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give the folder of the programs of an environment that holds the wheel; libraries come from the tests' own."""
    folder = tmp_path_factory.mktemp("wheel")
    wheel = build("build_wheel", folder)
    subprocess.run([sys.executable, "-m", "venv", folder / "env"], check=True)
    programs = folder / "env" / "bin"
    subprocess.run([programs / "pip", "install", "-q", "--no-deps", "--no-index", wheel], check=True, capture_output=True)
    own = next((folder / "env" / "lib").glob("python*")) / "site-packages"
    (own / "libraries.pth").write_text("\n".join(site.getsitepackages()), encoding="utf-8")
    return programs


def run(programs: Path, arguments: list[str], folder: Path) -> str:
    """Run the installed command; nothing of the tests' own settings is passed on."""
    bare = {name: value for name, value in os.environ.items() if not name.startswith("PYTHON")}
    done = subprocess.run([programs / "econmodel", *arguments], cwd=folder, env=bare, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_every_verb_is_tried(installed: Path, tmp_path: Path) -> None:
    """A new verb is added to the list, the dashboard has a test of its own."""
    listed = re.findall(r"^  ([a-z]+) ", run(installed, ["--help"], tmp_path), re.MULTILINE)
    assert set(listed) == {*VERBS, "dashboard"}


@pytest.mark.parametrize("verb", VERBS)
def test_verb_runs_from_an_empty_folder(installed: Path, tmp_path: Path, verb: str) -> None:
    """It answers or writes, and finds its inputs by the names that messages give."""
    if verb == "prices":
        (tmp_path / "charges.json").write_text(CHARGES, encoding="utf-8")
    said = run(installed, VERBS[verb], tmp_path)
    assert said or any(tmp_path.rglob("*.*"))
    assert "site-packages" not in said


def test_the_wheel_gives_the_answer_of_the_checkout(installed: Path, tmp_path: Path) -> None:
    """The demo's results are the same to what engines differ by, hash of the inputs included; the code is the wheel's."""
    told = json.loads(run(installed, ["case", "--draws", "0", "--json", "-"], tmp_path))
    case = load_case(demo_file(), sets=["draws=0"])
    ours = result_document(case, evaluate(case.parameters))
    assert is_same(*(json.dumps({key: found[key] for key in ours}).encode() for found in (told, ours)), ".json")
    ours["settings"]["horizon_years"] += 1  # negative control
    assert not is_same(*(json.dumps({key: found[key] for key in ours}).encode() for found in (told, ours)), ".json")
    asked = [installed / "python", "-c", "import econmodel; print(econmodel.__file__)"]
    where = subprocess.run(asked, capture_output=True, text=True, cwd=tmp_path, check=True)
    assert Path(where.stdout.strip()).is_relative_to(installed.parent)


def test_dashboard_starts(installed: Path, tmp_path: Path) -> None:
    """The page answers, with the settings that the wheel carries."""
    command = [installed / "econmodel", "dashboard", "--port", "8620"]
    with subprocess.Popen(command, cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True) as running:
        try:
            assert running.stdout
            assert healthy(running.stdout.readline().split()[1], running)
        finally:
            running.kill()


def test_the_page_of_the_wheel_asks_no_other_computer(installed: Path, tmp_path: Path) -> None:
    """Run by the web server itself, in a folder without settings: foreign pages are turned away, and nothing is looked up."""
    page = next(installed.parent.rglob("_app/app.py"))
    with watched(SERVER, tmp_path, str(page), installed / "python") as server:
        check(server, "")


def healthy(address: str, running: subprocess.Popen[str]) -> bool:
    """Wait until the page says that it is well, a minute at most."""
    for _ in range(240):
        try:
            with urllib.request.urlopen(f"{address}/_stcore/health") as answer:
                return bool(answer.read() == b"ok")
        except OSError:
            assert running.poll() is None
            time.sleep(0.25)
    return False


def test_source_package_builds_the_same_wheel(tmp_path: Path) -> None:
    """What is sent as source, without git, gives the wheel of the checkout, its version included."""
    source = build("build_sdist", tmp_path)
    with tarfile.open(source) as packed:
        packed.extractall(tmp_path, filter="data")
    unpacked = tmp_path / source.name.removesuffix(".tar.gz")
    (tmp_path / "again").mkdir()
    subprocess.run([sys.executable, "-c", BUILD, "build_wheel", tmp_path / "again"], cwd=unpacked, check=True, capture_output=True)
    (again,) = (tmp_path / "again").iterdir()
    first, second = (zipfile.ZipFile(path) for path in (build("build_wheel", tmp_path), again))
    with first, second:
        assert set(first.namelist()) == set(second.namelist())
        assert [n for n in first.namelist() if first.read(n) != second.read(n) and not n.endswith("/RECORD")] == []
