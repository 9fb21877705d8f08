"""A cohort that has bled: what is counted, what does not apply, what is refused."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from econmodel.economics.evaluate import Evaluation, evaluate
from econmodel.economics.results import case_results
from econmodel.parameters.loading import Case, load_case
from econmodel.reporting.papers.phrases import answer
from econmodel.reporting.tables.results import bled_note, headline_text, nnt_table

FILE = Path(__file__).parents[1] / "reference" / "data" / "after_a_bleed.toml"
PLAIN = ("p_early_rebleed=0", "r_late_rebleed_gastric=0", "r_late_rebleed_other=0", "r_late_rebleed=0", "discount_costs=0")
BASES = pytest.mark.parametrize("basis", ["intention_to_treat", "process"])


def case(*sets: str) -> Case:
    return load_case(None, [FILE], ["horizon_years=6", *sets])


def bleed_cost(found: Evaluation) -> list[float]:
    return found.cost(category="bleeds")[0, :, 0].tolist()  # type: ignore[no-any-return]


@BASES
def test_the_index_bleed_is_paid_once_and_counted_never(basis: str) -> None:
    """Without rebleeds the one admission costs the mean of all; six weeks later it lies behind; neither counts a bleed."""
    at, later = (evaluate(case(f"effect_basis={basis}", f"cohort_start={s}", *PLAIN).parameters) for s in ("bleeding", "post_bleed"))
    assert bleed_cost(at) == pytest.approx([at.parameters.number("c_bleed_mean")] * len(at.keys), rel=1e-9)
    assert bleed_cost(later) == [0.0] * len(at.keys)
    assert at.bleeds().max() == later.bleeds().max() == 0.0
    assert at.count("deaths_bleed").min() > 0 == later.count("deaths_bleed").max()
    survived = 1 - at.count("deaths_bleed")[0, :, 0]
    sessions = [found.count("secondary_glue")[0, found.index("glue"), 0] for found in (at, later)]
    assert sessions == pytest.approx([1.5 * survived[at.index("glue")], 1.5], rel=1e-9)


@BASES
def test_first_bleeds_do_not_apply(basis: str) -> None:
    """They are null in the document, and said not to apply in tables and in the answer; rebleeds are averted."""
    found = case(f"effect_basis={basis}")
    results = case_results(found, evaluate(found.parameters))
    document = json.loads(json.dumps(results.to_json(), allow_nan=False))
    glue, versus = document["strategies"]["glue"], document["comparisons"]["beta_blocker"]["glue"]
    assert document["inputs"]["cohort_start"] == document["settings"]["cohort_start"] == "bleeding"
    assert {*glue["first_bleed_risk"].values(), glue["first_bleeds"], *(year["first_bleeds"] for year in glue["yearly"])} == {None}
    assert all(nnt == {"value": None, "kind": None} for nnt in versus["nnt"].values())
    assert versus["break_even_nnt"] is versus["net_cost_per_first_bleed_averted"] is versus["arr"]["5"] is None
    assert versus["bleeds_averted_per_100"] > 0
    assert "not applicable: the cohort has bled" in bled_note(results) == nnt_table(results).note
    assert headline_text(results)[1]["nnt_beta_blocker"] == "not applicable"
    assert "bleeds per 100 patients" in answer(results)


def test_a_case_that_has_not_bled_has_no_note() -> None:
    """Negative control."""
    plain = load_case(sets=["horizon_years=2"])
    assert bled_note(case_results(plain, evaluate(plain.parameters))) == ""
