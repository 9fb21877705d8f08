"""Studies on a terminal, as a chart and as files; a registry as studies."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest
from matplotlib.figure import Figure
from rich.console import Console

from econmodel.evidence.registry.study import registry_studies
from econmodel.evidence.study_files import shipped_study
from econmodel.package import params_folder
from econmodel.parameters.loading import load_case
from econmodel.reporting.papers.report_sections import studies_paragraph, studies_table
from econmodel.reporting.tables.studies import joint_sentence, p_text, plot_studies, save_studies, study_lines
from econmodel.uncertainty.studies import StudyResult, run_studies

BASE = load_case(None, (), ["effect_basis=process"]).parameters
REGISTRY = params_folder() / "hospitals" / "demo_registry.csv"


@cache
def results() -> tuple[StudyResult, ...]:
    names = ("mishra2011", "salama2020", "transhepatic_embolisation", "wales2012")
    return tuple(run_studies(BASE, [shipped_study(name) for name in names], draws=60))


@pytest.mark.parametrize("width", [80, 120])
def test_studies_can_be_read_on_a_narrow_terminal(width: int) -> None:
    """Every point has its figures and verdict on one line within the width; what would fail is told."""
    screen = Console(width=width, file=io.StringIO())
    for part in study_lines(results()):
        screen.print(part)
    lines = screen.file.getvalue().splitlines()
    assert max(len(line.rstrip()) for line in lines) <= width
    assert sum("28.0% (13-47)" in line and "agrees" in line for line in lines) == 1
    words = " ".join(" ".join(lines).split())
    for result in results():
        sentence = joint_sentence(result).split()
        assert all(word in words for word in sentence)


def test_the_chart_shows_what_was_found() -> None:
    """Bars, ticks, lines and marks stand where the rows say, in per cent."""
    axes = Figure().add_subplot()
    artists = plot_studies(results(), ax=axes)
    rows = [row for result in results() for row in result.rows]
    assert len(artists) == 4 * len(rows)
    for i, row in enumerate(rows):
        bar, seen, line, mark = (artist.get_xdata().tolist() for artist in artists[4 * i : 4 * i + 4])
        assert bar == [100 * row.observed_low, 100 * row.observed_high]
        assert (seen, mark) == ([100 * row.observed], [100 * row.predicted])
        assert line == [100 * row.low, 100 * row.high]
    assert "%" in axes.get_xlabel()


def test_files_hold_the_same(tmp_path: Path) -> None:
    """The chart's data and the document tell every point; an override is written where there is one."""
    save_studies(results(), tmp_path, override="x = 1\n")
    with (tmp_path / "studies.csv").open(encoding="utf-8") as lines:
        rows = list(csv.DictReader(lines))
    document = json.loads((tmp_path / "studies.json").read_text(encoding="utf-8"))["studies"]
    assert len(rows) == sum(len(study["rows"]) for study in document)
    assert {row["verdict"] for row in rows} >= {"agrees", "used, no verdict"}
    assert (tmp_path / "studies.svg").exists()
    assert (tmp_path / "fitted.toml").read_text(encoding="utf-8") == "x = 1\n"


def test_the_report_counts_the_verdicts() -> None:
    """Four studies by verdict, the failed one by name; the table has a row a point."""
    text = studies_paragraph(results()).text
    assert "Of 4 studies 1 agree" in text
    assert "survival after transhepatic embolisation" in text
    assert len(studies_table(results()).rows) == sum(len(r.rows) for r in results())


def test_p_values_in_words() -> None:
    """Small ones are not printed as 0."""
    assert (p_text(0.004), p_text(0.041)) == ("p < 0.01", "p = 0.04")


def test_a_registry_is_a_study_a_strategy() -> None:
    """Each with its own patients' mix and counts; one too small is left out; what it moved already is not judged."""
    found = {study.title.rpartition(": ")[2]: study for study in registry_studies(REGISTRY, BASE)}
    label = {key: row.label for key, row in BASE.strategies.items()}
    assert label["eus_glue"] not in found
    watch, both = found[label["watch"]], found[label["coil_and_glue"]]
    assert watch.mix != both.mix
    assert sum(both.mix.child) == pytest.approx(1)
    (end,) = both.endpoints
    assert (end.event, end.scale, end.used_in) == ("first_bleed", "competing", ())
    assert end.events[0] == pytest.approx(1, abs=0.05)
    rate = replace(BASE["log_rate_mean"], changed_by=watch.title.rpartition(": ")[0])
    own = replace(BASE, parameters=BASE.parameters | {"log_rate_mean": rate})
    again = {study.title.rpartition(": ")[2]: study.endpoints[0].used_in for study in registry_studies(REGISTRY, own)}
    assert again[label["watch"]] == ("log_rate_mean",)
    assert again[label["coil_and_glue"]] == ()
