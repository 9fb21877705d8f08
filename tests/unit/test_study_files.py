"""Study files: those shipped read and cite, pieces are those of the synthesis, and each fault is told with file and line."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from econmodel.errors import AnalysisError, EconModelError, ParameterError
from econmodel.evidence.pieces import exact_binomial, number_behind
from econmodel.evidence.study_files import read_curve, read_study, shipped_studies, shipped_study
from econmodel.package import params_folder
from econmodel.parameters.loading import load_case

BASE = load_case().parameters
GOOD = """title = "A study"
source = "kim1997"
locator = "abstract"
population = "100 patients"
start = "never_bled"

[arm.none]
strategy = "watch"

[endpoint.bleed]
arm = "none"
event = "first_gastric_bleed"
scale = "kaplan_meier"
months = [12, 24]
risk = [0.1, 0.2]
n = 100
loss = 0.0
"""
CURVE = "months,survival,at_risk\n0,1,100\n6,0.9,\n12,0.8,70\n18,0.7,\n24,0.6,40\n"


def write(folder: Path, text: str) -> Path:
    path = folder / "mine.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_every_shipped_study_reads() -> None:
    """At least fifteen, each cited, with arms and endpoints; some test the model, some are behind it."""
    studies = [read_study(path, BASE) for path in shipped_studies()]
    assert len(studies) >= 15
    used = {bool(end.used_in) for study in studies for end in study.endpoints}
    assert used == {True, False}
    for study in studies:
        for end in study.endpoints:
            assert set(end.used_in) <= set(BASE.parameters), (study.key, end.key)
            assert all(low <= risk <= high for risk, (low, high) in zip(end.risk, end.intervals, strict=True))


def test_pieces_are_those_of_the_synthesis() -> None:
    """Events of Kim 1997 by interval as in the table of untreated cohorts, from the total of 34 alone."""
    with (params_folder() / "tables" / "untreated_cohorts.csv").open(encoding="utf-8") as lines:
        table = [float(row["events"]) for row in csv.DictReader(lines) if row["cohort"] == "kim1997"]
    (end,) = read_study(shipped_study("kim1997"), BASE).endpoints
    assert end.events == pytest.approx(table, abs=0.15)  # effective numbers are whole patients
    (hge,) = read_study(shipped_study("natural_history2002"), BASE).endpoints
    assert hge.events == pytest.approx([2, 2, 0], abs=0.2)  # printed by interval; here from one loss rate
    mishra = read_study(shipped_study("mishra2011"), BASE).endpoints[0]
    assert (mishra.events, mishra.at_risk) == (pytest.approx((13.5,)), (30,))


def test_an_interval_tells_how_many_stand_behind_it() -> None:
    """The number found gives the interval back, nearly; a wider interval is fewer patients."""
    n = number_behind(0.049, 0.018, 0.124)
    assert exact_binomial(0.049 * n, n) == pytest.approx((0.018, 0.124), abs=0.008)
    assert number_behind(0.049, 0.01, 0.2) < n


def test_numbers_typed_as_text_are_read(tmp_path: Path) -> None:
    """As in any other table: decimal commas and groups."""
    text = GOOD.replace("[0.1, 0.2]", '["0,1", "0.2"]').replace("n = 100", 'n = "1 000"').replace("loss = 0.0", 'loss = "0,0"')
    assert read_study(write(tmp_path, text), BASE) == read_study(write(tmp_path, GOOD.replace("n = 100", "n = 1000")), BASE)


@pytest.mark.parametrize(
    ("was", "now", "said", "line"),
    [
        ("risk = [0.1, 0.2]", "risk = [0.2, 0.1]", "risk falls from 0.2 to 0.1", 15),
        ("risk = [0.1, 0.2]", "survival = [0.8, 0.9]", "survival rises from 0.8 to 0.9", 15),
        ("loss = 0.0", "at_risk = [60, 70]", "at_risk rises from 60 to 70", 17),
        ("loss = 0.0", "at_risk = [110, 70]", "at_risk rises from 100 to 110", 17),
        ("loss = 0.0", "", "a curve needs how many were still followed", 16),
        ("loss = 0.0", "events = 60", "events = 60: at these risks 100 patients can have", 17),
        ("months = [12, 24]", "months = [24, 12]", "months falls from 24 to 12", 14),
        ("months = [12, 24]", "months = [12]", "1 months and 2 values of risk", 15),
        ("risk = [0.1, 0.2]", "risk = [10, 20]", "risk = 10: must lie from 0 to 1", 15),
        ("risk = [0.1, 0.2]", "risk = [0.1, 0.2]\nsurvival = [0.9, 0.8]", "survival and risk of a kaplan_meier endpoint", 16),
        ("risk = [0.1, 0.2]\nn = 100", 'curve = "c.csv"\nrisk = [0.1]', "curve and risk of a", 15),
        ('arm = "none"', 'arm = "nobody"', "arm = 'nobody': must be one of none", 11),
        ("first_gastric_bleed", "bleeding", "event = 'bleeding': must be one of first_gastric_bleed", 12),
        ("kaplan_meier", "km", "scale = 'km': must be one of crude", 13),
        ('"never_bled"', '"later"', "start = 'later': must be one of never_bled", 5),
        ('"watch"', '"wait"', "strategy = 'wait': must be one of watch", 8),
        ('"kim1997"', '"nobody2000"', "source = 'nobody2000': must be one of", 2),
        ("n = 100", 'n = "many"', "n = 'many': must be numbers", 16),
        ("loss = 0.0", 'loss = "none"', "loss = 'none': must be numbers", 17),
        ("n = 100", "patients = 100", "unknown field 'patients' of a study's endpoint", 16),
        ('strategy = "watch"', 'strategy = "watch"\nset = { hr_glu = 1 }', "there is no input named 'hr_glu'", 9),
    ],
)
def test_each_fault_is_told_with_file_and_line(tmp_path: Path, was: str, now: str, said: str, line: int) -> None:
    """What, the value, the rule, where and a fix; the file without the fault reads."""
    assert read_study(write(tmp_path, GOOD), BASE).endpoints[0].events == pytest.approx((10, 10), rel=0.06)
    with pytest.raises(EconModelError) as caught:
        read_study(write(tmp_path, GOOD.replace(was, now)), BASE)
    fault = (caught.value.faults or (caught.value,))[0]
    assert said in fault.what
    assert f"mine.toml, line {line}" in fault.where
    assert fault.fix


@pytest.mark.parametrize(
    ("was", "now", "said", "line"),
    [
        ("12,0.8,70", "12,0.95,70", "survival rises from 0.9 to 0.95", 4),
        ("24,0.6,40", "24,0.6,80", "the number at risk increases from 70 to 80", 6),
        ("12,0.8,70", "3,0.8,70", "months run from 6 back to 3", 4),
        ("0,1,100", "0,1,", "the first row must be month 0", 2),
        ("at_risk", "risk", "column 'at_risk' is missing", 1),
    ],
)
def test_each_fault_of_a_digitised_curve_is_told(tmp_path: Path, was: str, now: str, said: str, line: int) -> None:
    """A curve that goes the wrong way names its row."""
    path = tmp_path / "curve.csv"
    path.write_text(CURVE.replace(was, now), encoding="utf-8")
    with pytest.raises(ParameterError, match=said) as caught:
        read_curve(path)
    assert f"curve.csv, line {line}" in caught.value.where


def test_a_digitised_curve_is_an_observation(tmp_path: Path) -> None:
    """Points at the printed numbers at risk; events and effective numbers from the patients reconstructed."""
    (tmp_path / "curve.csv").write_text(CURVE, encoding="utf-8")
    text = GOOD.replace("months = [12, 24]\nrisk = [0.1, 0.2]\nn = 100\nloss = 0.0", 'curve = "curve.csv"')
    (end,) = read_study(write(tmp_path, text.replace("first_gastric_bleed", "death")), BASE).endpoints
    assert end.months == (12, 24)
    assert end.risk == pytest.approx((0.2, 0.4), abs=0.02)
    assert 80 < end.at_risk[0] <= 100
    assert 45 < end.at_risk[1] < 75


def test_a_study_that_is_not_there_is_named() -> None:
    """The nearest of ours is suggested."""
    with pytest.raises(AnalysisError) as caught:
        shipped_study("mishra2012")
    assert "mishra2011" in caught.value.fix
