"""Study rows and pooling: reading, zero cells, notes, methods and refusals."""

import csv
import math
from dataclasses import replace
from pathlib import Path

import pytest

from econmodel.errors import AnalysisError, EconModelError
from econmodel.evidence.pooling import pool, pool_contrast
from econmodel.evidence.studies import TEXTS, StudyEffect, StudyRow, load_studies, log_rate_ratio, study_effect

FILE = Path(__file__).parents[2] / "params" / "tables" / "effect_studies.csv"
ROW = StudyRow("a", "glue_vs_none", "A 2020", "randomised trial", "", "both", "s", "demo", "", 2, 30, 11, 30, None, None, 6)


def copy_with(tmp_path, old, new):
    """Copy the shipped rows with one text changed."""
    text = FILE.read_text(encoding="utf-8")
    assert old in text
    path = tmp_path / "rows.csv"
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    return path


def test_shipped_rows():
    """Every row has a source, a note and a status; counts from memory say so."""
    rows = load_studies(FILE)
    first = {"glue_vs_none", "beta_blocker_vs_none", "glue_vs_beta_blocker", "transvenous_vs_none"}
    between = {"eus_glue_vs_glue", "eus_coil_any_vs_glue", "coil_and_glue_vs_coil", "transvenous_vs_glue"}
    assert {row.contrast for row in rows} == first | between | {"transvenous_vs_glue_all_sources"}
    assert all(row.source and row.note for row in rows)
    assert {row.status for row in rows if row.id.endswith("crude")} == {"from memory"}


def test_equivalent_counts_match_the_printed_probabilities():
    """Events over patients stay within half an event of the probability as printed."""
    for row in load_studies(FILE):
        for events, n, risk in (
            (row.events_treated, row.n_treated, row.prob_treated),
            (row.events_control, row.n_control, row.prob_control),
        ):
            assert abs(events - risk * n) <= 0.5


def test_a_new_trial_is_one_new_row(tmp_path):
    """One more line in the file enters the pool; here a neutral trial pulls the ratio towards 1."""
    path = tmp_path / "rows.csv"
    new = "new,glue_vs_none,New 2027,randomised trial,,20,60,20,60,,,24,both,x,local,\n"
    path.write_text(FILE.read_text(encoding="utf-8") + new, encoding="utf-8")
    before, after = (pool_contrast(load_studies(p), "glue_vs_none") for p in (FILE, path))
    assert len(after.effects) == len(before.effects) + 1
    assert before.ratio < after.ratio < 1


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("contrast,study", "contrasts,study", "unknown column 'contrasts'"),
        ("salama2020_glue_none", "choe2021_glue_none", "stands twice"),
        (",2,30,11,30,", ",31,30,11,30,", "events 31 of 30"),
        (",2,30,11,30,", ",two,30,11,30,", "'two': must be a number"),
        (",2,30,11,30,", ",2,-30,11,30,", "n_treated = '-30'"),
        ("both,choe2021,published", "both,choe2021,certain", "status 'certain'"),
        ("both,choe2021,published", "all,choe2021,published", "measure 'all'"),
    ],
)
def test_broken_rows_are_refused(tmp_path, old, new, words):
    """Each broken row or header is one error that names the file."""
    with pytest.raises(EconModelError, match=words) as caught:
        load_studies(copy_with(tmp_path, old, new))
    assert "rows.csv" in str(caught.value)


def test_unreadable_file_is_refused(tmp_path):
    """A missing file, one without rows, one that is no text: each is one error."""
    (tmp_path / "bytes.csv").write_bytes(b"id,contrast\n\x00\x01")
    (tmp_path / "empty.csv").write_text(FILE.read_text(encoding="utf-8").splitlines()[0], encoding="utf-8")
    for name, says in {"absent": "is not there", "bytes": "is not text", "empty": "no rows"}.items():
        with pytest.raises(EconModelError, match=says):
            load_studies(tmp_path / f"{name}.csv")


def test_a_table_in_another_encoding_and_style_is_the_same(tmp_path):
    """Windows-1252, semicolons and decimal commas."""
    rows = list(csv.reader(FILE.read_text(encoding="utf-8").splitlines()))
    texts = [rows[0].index(name) for name in TEXTS]
    rows[1:] = [[cell if i in texts else cell.replace(".", ",") for i, cell in enumerate(row)] for row in rows[1:]]
    with (tmp_path / "rows.csv").open("w", encoding="cp1252", newline="") as file:
        csv.writer(file, delimiter=";").writerows(rows)
    assert load_studies(tmp_path / "rows.csv") == load_studies(FILE)


@pytest.mark.parametrize("measure", ["hazard ratio", "risk ratio"])
def test_zero_cells_are_corrected_and_said(measure):
    """No event in one arm adds a half to each cell, and the note says so; the pool carries the note."""
    effect = study_effect(replace(ROW, events_treated=0), measure)
    assert math.isfinite(effect.log_ratio)
    assert "zero cell" in effect.notes[0]
    assert any("zero cell" in note for note in pool([effect, study_effect(ROW, measure)]).notes)
    assert study_effect(ROW, measure).notes == ()


def test_all_events_only_matter_to_a_hazard_ratio():
    """An arm in which all had the event has no cumulative hazard but a risk."""
    row = replace(ROW, events_control=30)
    assert "zero cell" in study_effect(row, "hazard ratio").notes[0]
    assert study_effect(row, "risk ratio").notes == ()


def test_studies_that_say_nothing_are_refused():
    """No event in either arm, or nothing but events, gives no ratio."""
    for row in (replace(ROW, events_treated=0, events_control=0), replace(ROW, events_treated=30, events_control=30)):
        with pytest.raises(AnalysisError, match="says nothing"):
            study_effect(row, "hazard ratio")


def test_rate_ratio_needs_person_years():
    """Rates need person-years; with them the variance is that of the two counts, zero said."""
    with pytest.raises(AnalysisError, match="person-years"):
        study_effect(ROW, "rate ratio")
    timed = replace(ROW, person_years_treated=40.0, person_years_control=30.0)
    effect = study_effect(timed, "rate ratio")
    assert (effect.log_ratio, effect.se_log**2) == pytest.approx(log_rate_ratio((2, 40), (11, 30)))
    assert "half an event" in study_effect(replace(timed, events_treated=0), "rate ratio").notes[0]
    with pytest.raises(AnalysisError, match="says nothing"):
        study_effect(replace(timed, events_treated=0, events_control=0), "rate ratio")


def test_published_ratio_stands_for_the_row():
    """A published ratio with its interval is used as it is; without the interval it is refused."""
    effect = study_effect(replace(ROW, effect=0.5, effect_low=0.25, effect_high=1.0), "hazard ratio")
    assert effect.log_ratio == pytest.approx(math.log(0.5))
    assert effect.se_log == pytest.approx(math.log(4) / 3.919928, abs=1e-6)
    with pytest.raises(AnalysisError, match="together"):
        study_effect(replace(ROW, effect=0.5), "hazard ratio")
    with pytest.raises(AnalysisError, match="both arms"):
        study_effect(replace(ROW, n_control=None), "risk ratio")


def test_methods_agree_without_heterogeneity():
    """Alike studies: no variance between them, so random effects are the fixed one, with a note on Hartung-Knapp."""
    effects = [StudyEffect(str(k), str(k), -0.5 + 0.01 * k, 0.3) for k in range(5)]
    fixed, random, paule = (pool(effects, m) for m in ("fixed", "dersimonian-laird", "paule-mandel"))
    assert fixed.ratio == pytest.approx(random.ratio) == pytest.approx(paule.ratio)
    assert random.tau2 == paule.tau2 == random.i2 == 0
    assert any("Hartung-Knapp" in note for note in paule.notes)
    assert fixed.predictive is None
    assert random.predictive is not None


def test_heterogeneous_studies_widen():
    """Studies that disagree: wider random-effects interval, and a predictive interval wider still."""
    effects = [StudyEffect(str(k), str(k), y, 0.1) for k, y in enumerate((-1.0, -0.2, 0.1, -0.6))]
    fixed, random = pool(effects, "fixed"), pool(effects)
    assert random.low < fixed.low
    assert random.predictive[0] < random.low < random.high < random.predictive[1]
    assert random.q_p_value < 0.01


def test_one_study_is_itself():
    """A single study pools to itself under every method, without a predictive interval, and the note says one study."""
    effect = StudyEffect("a", "A", -0.7, 0.3)
    for method in ("fixed", "dersimonian-laird", "paule-mandel"):
        found = pool([effect], method)
        assert (found.log_ratio, found.se_log, found.i2) == pytest.approx((-0.7, 0.3, 0.0))
        assert found.predictive is None
        assert found.q_p_value is None
        assert "Only 1 study" in found.notes[-1]


def test_nothing_to_pool_is_refused():
    """An unknown contrast or method, or no study, is an error that lists what there is."""
    with pytest.raises(AnalysisError, match="glue_vs_none"):
        pool_contrast(load_studies(FILE), "glue_vs_nothing")
    with pytest.raises(AnalysisError, match="dersimonian-laird"):
        pool([StudyEffect("a", "A", -0.7, 0.3)], "median")
    with pytest.raises(AnalysisError, match="0 studies"):
        pool([])
