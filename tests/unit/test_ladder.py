"""The chain from the trial's NNT to ours: its ends are known elsewhere, its factors multiply to the whole."""

from __future__ import annotations

import math

import pytest

from econmodel.economics.evaluate import Evaluation, evaluate
from econmodel.economics.ladder import Ladder, first_bleed_risk, nnt_ladder
from econmodel.parameters.loading import demo_file, load_case

BOTH = ("intention_to_treat", "process")


@pytest.fixture(scope="module", params=BOTH)
def run(request: pytest.FixtureRequest) -> tuple[Evaluation, Ladder]:
    e = evaluate(load_case(demo_file(), (), [f"effect_basis={request.param}"]).parameters)
    return e, nnt_ladder(e, "coil_and_glue", "beta_blocker")


def test_untreated_risk_is_the_cohorts_own(run: tuple[Evaluation, Ladder]) -> None:
    """Year by year by formula, month by month by the cohort: the same risk, death competing, to rounding."""
    e, _ = run
    found = first_bleed_risk(e.inputs, e.headline, 1, 1, 1, other=True, death=True)
    assert found == pytest.approx(float(e.count("first_bleeds", e.headline)[0, e.index("watch"), 0]), abs=1e-12)
    assert found < first_bleed_risk(e.inputs, e.headline, 1, 1, 1, other=True, death=False)


def test_factors_multiply_to_the_whole(run: tuple[Evaluation, Ladder]) -> None:
    """The trial's NNT times the factors is the NNT of the comparison with usual care, which stands in every table."""
    e, ladder = run
    values = [rung.nnt.value for rung in ladder.rungs]
    assert values[0] is not None
    assert values[0] * math.prod(x for x in ladder.factors if x is not None) == pytest.approx(values[-1], rel=1e-12)
    assert values[-1] == e.compare_means("coil_and_glue", "beta_blocker", e.headline).nnt[e.headline].value


def test_trial_step_is_the_ratio_at_the_trial_length(run: tuple[Evaluation, Ladder]) -> None:
    """First step: S - S^HR at 26 months on the reference mix, with S from the two stated ratios over time.

    The curve of the mix is a mean of cells, so the ratio holds within cells and the mix falls short of S^HR by little.
    """
    e, ladder = run
    p = e.parameters
    log_rate = -math.log1p(-p.number("p_first_bleed_year_1"))
    months = p.number("n_trial_months")
    hazard = log_rate * (1 + (months / 12 - 1) * p.number("hr_first_bleed_years_2_3"))
    hr = float(e.inputs.strategies.hr_gastric[0, e.index("coil_and_glue")])
    assert ladder.rungs[0].nnt.arr == pytest.approx(math.exp(-hazard * hr) - math.exp(-hazard), rel=0.06)
    assert [rung.key for rung in ladder.rungs] == ["trial", "time", "mix", "source", "death", "course", "usual_care"]


def test_against_nothing_there_is_no_last_step(run: tuple[Evaluation, Ladder]) -> None:
    """Where usual care is no prophylaxis, the chain ends a step earlier, at that comparison."""
    e, ladder = run
    short = nnt_ladder(e, "coil_and_glue", "watch")
    assert short.rungs == ladder.rungs[:-1]
    assert set(short.every_bleed) == {"watch"}
