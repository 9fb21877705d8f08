"""The README's examples of a hospital file do what they say."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from econmodel.economics.evaluate import evaluate
from econmodel.errors import ParameterError
from econmodel.evidence.study_files import read_study
from econmodel.parameters.loading import load_case

ROOT = Path(__file__).resolve().parents[2]
EVERY = re.findall(r"```toml\n(.*?)```", (ROOT / "README.md").read_text(encoding="utf-8"), re.DOTALL)
BLOCKS = [block for block in EVERY if "[endpoint." not in block]
HEADER = 'title = "Mine"\nrationale = "r"\n'


def write(folder: Path, text: str) -> Path:
    path = folder / "mine.toml"
    path.write_text(text if text.startswith("title") else HEADER + text, encoding="utf-8")
    return path


@pytest.mark.parametrize("number", range(len(BLOCKS)))
def test_every_block_loads_and_runs(tmp_path: Path, number: int) -> None:
    """Each TOML block is a hospital file, or becomes one under a title."""
    assert len(BLOCKS) == 4
    case = load_case(write(tmp_path, BLOCKS[number]))
    assert evaluate(case.parameters, by_group=False).keys


def test_the_study_is_read(tmp_path: Path) -> None:
    """The other block is a study, with an arm and an endpoint each way of giving numbers."""
    (block,) = [block for block in EVERY if block not in BLOCKS]
    study = read_study(write(tmp_path, block), load_case().parameters)
    assert [end.scale for end in study.endpoints] == ["kaplan_meier", "crude"]


def test_python_example_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each line of it, on a hospital's own file, with fewer draws."""
    (example,) = re.findall(r"```python\n(.*?)```", (ROOT / "README.md").read_text(encoding="utf-8"), re.DOTALL)
    write(tmp_path, "").rename(tmp_path / "my_hospital.toml")
    monkeypatch.chdir(tmp_path)
    assert "draws=2000" in example
    names: dict[str, Any] = {}
    exec(example.replace("draws=2000", "draws=16"), names)
    assert names["result"].risk.draws == 16


def test_own_strategy_is_one_more_row(tmp_path: Path) -> None:
    """The new option stands in the results with its own effect; harms not said are refused, ``{}`` is said."""
    text = next(block for block in BLOCKS if "[strategy." in block)
    run = evaluate(load_case(write(tmp_path, text)).parameters, by_group=False)
    risk = {key: float(run.count("first_bleeds", 3)[0, run.index(key), 0]) for key in ("glue", "glue_8", "watch")}
    assert risk["glue"] < risk["glue_8"] < risk["watch"]
    for field in ("complications", "hr_gastric"):
        without = "\n".join(line for line in text.splitlines() if not line.startswith(field))
        with pytest.raises(ParameterError, match=f"the field '{field}' is missing"):
            load_case(write(tmp_path, without))
    none = re.sub(r"complications = .*", "complications = {}", text)
    assert load_case(write(tmp_path, none)).parameters.strategies["glue_8"].complications == {}


@pytest.mark.parametrize(
    ("field", "value", "said"),
    [
        ("hr_gastric", '["c_coil"]', "hr_gastric names c_coil, which is USD/coil"),
        ("hr_gastric", '["hr_glue_8", "hr_glue_8"]', "names an input twice"),
        ("sessions_mean", '"c_coil"', "must be a number in sessions"),
        ("p_death_course", '"hr_glue"', "must be a number in probability"),
        ("p_death_course", '"case_mix"', "names case_mix, which is table"),
        ("glue_ml", '"price_list"', "which is choice"),
        ("complications", '{ sepsis = "hr_glue" }', "complications names hr_glue"),
    ],
)
def test_each_slot_takes_its_own_unit(tmp_path: Path, field: str, value: str, said: str) -> None:
    """A cost in the place of a hazard ratio would give a believable-looking case."""
    text = next(block for block in BLOCKS if "[strategy." in block)
    with pytest.raises(ParameterError, match=said):
        load_case(write(tmp_path, re.sub(rf"{field} = .*", f"{field} = {value}", text, count=1)))


def test_drop_is_true_or_false(tmp_path: Path) -> None:
    """Text is refused, not taken for yes."""
    with pytest.raises(ParameterError, match="drop = 'no': must be true or false"):
        load_case(write(tmp_path, '[strategy.coil]\ndrop = "no"\n'))
