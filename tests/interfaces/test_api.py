"""The model from Python gives what the command line gives."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

import econmodel
from econmodel.errors import AnalysisError, ParameterError
from econmodel.interfaces.api import Result


@pytest.fixture(scope="module")
def result() -> Result:
    return econmodel.load(sets=["hr_glue=0.5"]).run(draws=16, seed=7)


FROM_PYTHON = "import econmodel, json; print(json.dumps(econmodel.load(sets=['hr_glue=0.5']).run(draws=16, seed=7).to_json()))"


def test_it_is_the_command_lines_document() -> None:
    """The same inputs, draws and seed: every number the same, to the bit.

    Each in a process of its own: one in which other tests have loaded the compiled loops uses them, and last digits differ.
    """
    line = ["-m", "econmodel.interfaces.cli", "case", "--json", "-", "--draws", "16", "--seed", "7", "--set", "hr_glue=0.5"]
    one, other = (
        json.loads(subprocess.run([sys.executable, *words], capture_output=True, text=True, check=True).stdout)
        for words in (["-c", FROM_PYTHON], line)
    )
    assert one == other


def test_results_are_read_by_name(result: Result) -> None:
    """Cost by horizon, comparison, chances and cash are those of the document."""
    document = result.to_json()
    coil = result.strategy("coil_and_glue")
    assert coil.cost == document["strategies"]["coil_and_glue"]["cost"]["total"]
    assert coil.cost_at(5) == document["strategies"]["coil_and_glue"]["cost_five_years"]["total"]
    assert result.compare("glue", "watch").whole.incremental_cost == document["comparisons"]["watch"]["glue"]["incremental_cost"]
    assert result.risk.draws == 16
    assert result.programme.to_json() == document["programme"]


def test_what_is_not_there_is_refused(result: Result, tmp_path: Path) -> None:
    """Strategy, comparator, year, intervals without draws, file: one message each."""
    with pytest.raises(AnalysisError, match="'coils': must be one of watch"):
        result.strategy("coils")
    with pytest.raises(AnalysisError, match="no comparison of 'glue' with 'glue': comparators are beta_blocker, watch"):
        result.compare("glue", "glue")
    with pytest.raises(AnalysisError, match="cost at 6 years: must be one of the years reported, 1, 2, 3, 5"):
        result.strategy("glue").cost_at(6)
    with pytest.raises(AnalysisError, match="without draws"):
        _ = econmodel.load().run(draws=0).risk
    with pytest.raises(ParameterError, match="is not there"):
        econmodel.load(tmp_path / "mine.toml")
    with pytest.raises(ParameterError, match="draws"):
        econmodel.load().run(draws=-1)


def test_import_stays_cheap() -> None:
    """Importing the package loads none of the model, nor any library."""
    code = "import sys; before = set(sys.modules); import econmodel; print({m.split('.')[0] for m in set(sys.modules) - before})"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "numpy" not in done.stdout
    assert "click" not in done.stdout
    few = "import sys; import econmodel; print([m for m in sys.modules if m.startswith('econmodel')])"
    assert subprocess.run([sys.executable, "-c", few], capture_output=True, text=True, check=True).stdout.strip() == "['econmodel']"
