"""Inputs fitted to studies: truth recovered, what is not informed, what is refused, and an override that loads."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from econmodel.errors import AnalysisError
from econmodel.evidence.study_files import Arm, Endpoint, Study, read_study, shipped_study
from econmodel.parameters.loading import load_case
from econmodel.uncertainty.study_fit import fit_inputs, fit_override, fit_studies, natural

sys.path.append(str(Path(__file__).resolve().parents[1] / "benchmarks"))
import coverage_of_fits as benchmark

BASE = load_case(None, (), ["effect_basis=process"]).parameters


def after_a_bleed(events: float, n: int) -> Study:
    """First rebleeds within a year, death censored."""
    study = read_study(shipped_study("korea_rto2022"), BASE)
    end = Endpoint("rebleed", "glue", "rebleed", "kaplan_meier", (12.0,), (events / n,), (events,), (n,), ((0.0, 1.0),))
    return replace(study, endpoints=(end,))


def test_intervals_hold_the_truth() -> None:
    """Short form of the benchmark: of 6 simulated studies at least 5 intervals hold it."""
    assert benchmark.covered(6, draws=1_000) >= 5


def test_a_large_study_rules_a_small_one_does_not() -> None:
    """With 20,000 patients the posterior is where the likelihood is; with 5 it is the prior, and says so."""
    large = fit_inputs([after_a_bleed(6_000, 20_000)], BASE, ["r_late_rebleed_gastric"], draws=1_000).inputs[0]
    exact = -np.log(0.7 / (1 - BASE.number("p_early_rebleed"))) * 12 / 11 - BASE.number("r_late_rebleed_other")
    assert large.mean == pytest.approx(exact, rel=0.02)
    assert large.ratio < 0.2
    small = fit_inputs([after_a_bleed(1, 5)], BASE, ["r_late_rebleed_gastric"], draws=1_000).inputs[0]
    assert not small.informed
    assert small.mean == pytest.approx(small.prior_mean, rel=0.15)


def test_conjugate_answer() -> None:
    """A beta prior and a binomial count: early rebleeds alone, in the six weeks of the bleed."""
    study = after_a_bleed(30, 100)
    end = replace(study.endpoints[0], months=(1.0,))
    found = fit_inputs([replace(study, endpoints=(end,))], BASE, ["p_early_rebleed"]).inputs[0]
    f = BASE["p_early_rebleed"].distribution.fields
    a, b = f["a"] + 30, f["b"] + 70
    assert found.mean == pytest.approx(a / (a + b), rel=0.01)
    assert found.sd == pytest.approx(np.sqrt(a * b / ((a + b) ** 2 * (a + b + 1))), rel=0.05)


def test_the_override_loads_and_moves_the_inputs_informed(tmp_path: Path) -> None:
    """Value, distribution and range of the posterior stand in the case; what is not informed stays."""
    paths = [shipped_study("transhepatic_embolisation"), shipped_study("tips_gastric")]
    found = fit_studies(BASE, paths, ["hr_death_after_bleed", "r_excess_death_child_a"])
    assert [x.informed for x in found.inputs] == [True, False]
    path = tmp_path / "fitted.toml"
    path.write_text(fit_override(found, BASE), encoding="utf-8")
    case = load_case(None, [path]).parameters
    moved, kept = case["hr_death_after_bleed"], case["r_excess_death_child_a"]
    assert (moved.value, moved.distribution.fields["sigma"]) == (found.inputs[0].value, found.inputs[0].distribution["se_log"])
    assert kept.value == BASE.number("r_excess_death_child_a")


@pytest.mark.parametrize(
    ("study", "names", "said"),
    [
        ("tips_gastric", ["hr_death_after_bleed"] * 6, "6 inputs to fit"),
        ("tips_gastric", ["p_first_bleed_year_1"], "is certain, or follows other inputs"),
        ("choe2021", ["hr_glue"], "behind an input already"),
        ("tips_gastric", ["hr_nobody"], "no input named"),
    ],
)
def test_what_cannot_be_fitted_is_refused(study: str, names: list[str], said: str) -> None:
    """One message each, with what to do."""
    with pytest.raises(ValueError, match=said):
        fit_studies(BASE, [shipped_study(study)], names)


def test_too_few_effective_draws_are_refused() -> None:
    """The number is told."""
    with pytest.raises(AnalysisError, match="effective draws of 300: must be at least 400"):
        fit_inputs([after_a_bleed(30, 100)], BASE, ["r_late_rebleed_gastric"], draws=300)


def test_a_study_is_needed() -> None:
    """Nothing is fitted to all studies at once by default."""
    with pytest.raises(AnalysisError, match="no study to fit to"):
        fit_studies(BASE, [], ["hr_glue"])


def test_the_sampling_scale_is_that_of_quantiles() -> None:
    """0 is the median, 1.96 the upper end of 95%."""
    prior = BASE["hr_glue"].distribution
    assert natural(prior, np.array([0.0, 1.959964])) == pytest.approx(prior.ppf(np.array([0.5, 0.975])), rel=1e-6)


def test_arms_are_what_they_say() -> None:
    """The benchmark's study has two arms and both are simulated."""
    (_, study), *_ = benchmark.simulate(3, 3)
    assert study.arms["glue"] == Arm("glue", "glue", "glue", {})
    assert all(sum(end.events) > 0 for end in study.endpoints)
