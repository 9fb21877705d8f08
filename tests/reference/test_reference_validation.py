"""Tests of the model: every one is run and holds; studies that fail stay visible beside them."""

from __future__ import annotations

import pytest

from econmodel.economics import validation
from econmodel.economics.validation import run_checks
from econmodel.evidence.pieces import exact_binomial
from econmodel.evidence.study_files import shipped_study
from econmodel.parameters.loading import load_case
from econmodel.reporting.tables.checks import checks_document
from econmodel.uncertainty.studies import run_studies


@pytest.fixture(scope="module")
def rows() -> dict[str, validation.CheckRow]:
    return {row.key: row for row in run_checks()}


def test_all_but_what_is_reported_passes(rows: dict[str, validation.CheckRow]) -> None:
    """Closed forms, published models and calibration meet their rule."""
    assert [r.key for r in rows.values() if r.verdict == "fails"] == []
    lowered = {f"lowered_{key}" for key in ("glue", "eus_glue", "coil", "coil_and_glue", "transvenous")}
    assert set(rows) == {"hiv", "well_disabled_dead", "toy", "individuals", "kim_cells", "pbc_stage_4"} | lowered


def test_a_steeper_index_misses_its_printed_cells(monkeypatch: pytest.MonkeyPatch) -> None:
    """Negative control: with another printed table the worst of the 18 cells is more than a point away."""
    monkeypatch.setitem(validation.KIM_CELLS, (0, 0), (0.02, 0.06, 0.10))
    (row,) = [row for row in run_checks() if row.key == "kim_cells"]
    assert row.verdict == "fails"


def test_draws_whose_evidence_contradicts_itself_are_counted(rows: dict[str, validation.CheckRow]) -> None:
    """The share of draws in which an open varix had to bleed less is shown, with what it then bleeds, and judged."""
    for key in ("eus_glue", "coil_and_glue", "transvenous"):
        row = rows[f"lowered_{key}"]
        assert 0 < row.predicted < 0.5
        assert ("fits together" in row.note) == (row.predicted <= 0.15) == (row.verdict == "passes")
        assert "of untreated" in row.note


def test_published_examples(rows: dict[str, validation.CheckRow]) -> None:
    """Chancellor 1997 prints 6,276 per life-year; Sonnenberg & Beck 1993 imply 3.375; exact toy 7.5."""
    assert rows["hiv"].predicted == pytest.approx(6275.96, abs=0.005)
    assert rows["well_disabled_dead"].predicted == pytest.approx(3.375, abs=1e-9)
    assert rows["toy"].predicted == pytest.approx(7.5, abs=1e-9)


def test_failures_of_studies_stay_visible() -> None:
    """Survival after transhepatic embolisation is missed, and the document says so beside the tests."""
    studies = run_studies(
        load_case(None, (), ["effect_basis=process"]).parameters, [shipped_study("transhepatic_embolisation")], draws=200
    )
    document = checks_document(run_checks(), studies)
    assert document["studies"][0]["verdict"] == "fails"
    assert {"target", "kind", "observed", "predicted", "pass_rule", "verdict", "note"} <= set(document["rows"][0])


def test_a_wrong_discount_rate_fails_the_published_example(monkeypatch: pytest.MonkeyPatch) -> None:
    """Negative control: 3.5 % instead of 6 % no longer gives 6,276."""
    original = validation.discount_factors
    monkeypatch.setattr(validation, "discount_factors", lambda rate, times: original(0.035, times))
    assert abs(validation.hiv_icer() - 6276) > 0.5


def test_patients_of_another_model_fail(rows: dict[str, validation.CheckRow], monkeypatch: pytest.MonkeyPatch) -> None:
    """Negative control: patients simulated without prophylaxis are not the treated cohort."""
    assert rows["individuals"].verdict == "passes"
    simulate = validation.simulate_patients
    monkeypatch.setattr(validation, "simulate_patients", lambda inputs, _, n, *, rng: simulate(inputs, "watch", n, rng=rng))
    (row,) = [row for row in run_checks() if row.key == "individuals"]
    assert row.verdict == "fails"


def test_exact_binomial_interval() -> None:
    """2 of 30: 0.8 to 22.1 % (exact interval; common practice, no source)."""
    assert exact_binomial(2, 30) == pytest.approx((0.008, 0.221), abs=5e-4)
    assert exact_binomial(0, 10)[0] == 0
    assert exact_binomial(10, 10)[1] == 1
