"""``evaluate()``: the one path from inputs to results."""

import numpy as np
import pytest

from econmodel.economics.evaluate import discount_rates, evaluate, report_periods
from econmodel.model.inputs import base_values


def test_axes(five_years):
    """Every result is (draw, strategy, group) with all patients first."""
    shapes = {five_years.cost().shape, five_years.qalys().shape, five_years.count("first_bleeds").shape}
    assert shapes == {(1, 7, 7)}
    assert five_years.activity.groups[0] == "all"
    assert five_years.keys[0] == "watch"
    assert five_years.index("coil") == 4


def test_periods_when_every_year_is_kept(base):
    """Every year is its own period, or only those that end at a year reported."""
    assert report_periods(base, 7, yearly=True) == ((0, 1, 2, 3, 4, 5, 6), (1, 2, 3, 4, 5, 6, 7))
    assert report_periods(base, 7, yearly=False) == ((0, 1, 2, 3, 3, 4, 4), (1, 2, 3, 5, 7))
    assert report_periods(base, 2, yearly=False) == ((0, 1), (1, 2))


def test_coarse_periods_give_the_same_results(vary):
    """Keeping fewer years changes nothing that is reported."""
    case = vary(horizon_years=12)
    fine, coarse = evaluate(case), evaluate(case, yearly=False, by_group=False)
    for years in (1, 2, 3, 5, None):
        np.testing.assert_allclose(coarse.cost(years)[..., 0], fine.cost(years)[..., 0], rtol=1e-12)
        np.testing.assert_allclose(coarse.qalys(years)[..., 0], fine.qalys(years)[..., 0], rtol=1e-12)
        np.testing.assert_allclose(coarse.count("first_bleeds", years)[..., 0], fine.count("first_bleeds", years)[..., 0], rtol=1e-12)


def test_draws_are_evaluated_apart(vary):
    """Ten draws at once give what each gives alone, in whatever company."""
    case = vary(horizon_years=3)
    rng = np.random.default_rng(7)
    values = {n: np.repeat(v, 10) for n, v in base_values(case).items()}
    values["hr_glue"], values["c_coil"] = rng.uniform(0.2, 0.8, 10), rng.uniform(100, 400, 10)
    values["p_first_bleed_year_1"] = rng.uniform(0.1, 0.3, 10)
    together = evaluate(case, values)
    for draw in (0, 4, 9):
        alone = evaluate(case, {n: v[[draw]] for n, v in values.items()})
        np.testing.assert_allclose(together.cost()[draw], alone.cost()[0], rtol=1e-11)
        np.testing.assert_allclose(together.qalys()[draw], alone.qalys()[0], rtol=1e-11)


def test_draws_without_spread_are_the_base_run(vary, five_years):
    """A probabilistic run of zero variance is the deterministic one, in every draw."""
    case = vary(horizon_years=5)
    found = evaluate(case, {n: np.repeat(v, 4) for n, v in base_values(case).items()})
    assert np.all(found.cost() == found.cost()[:1])
    np.testing.assert_allclose(found.cost()[:1], five_years.cost(), rtol=1e-12)


def test_results_do_not_depend_on_who_else_is_compared(base, vary, five_years):
    """Dropping strategies leaves the others as they are."""
    from dataclasses import replace

    case = vary(horizon_years=5)
    two = evaluate(replace(case, strategies={k: case.strategies[k] for k in ("coil", "watch")}))
    assert two.keys == ("coil", "watch")
    np.testing.assert_allclose(two.cost()[0, 0], five_years.cost()[0, 4], rtol=1e-12)
    np.testing.assert_allclose(two.qalys()[0, 1], five_years.qalys()[0, 0], rtol=1e-12)


def test_years_of_risk(vary):
    """Risks are given at 1, 2, 3, 5 years and the horizon, as far as it reaches."""
    assert evaluate(vary(horizon_years=2)).risk_years == (1, 2)
    assert evaluate(vary(horizon_years=5)).risk_years == (1, 2, 3, 5)
    assert evaluate(vary(horizon_years=7)).risk_years == (1, 2, 3, 5, 7)


def test_weightings(base):
    """Totals come undiscounted, at the rate of costs and at the rate of outcomes."""
    assert discount_rates(base) == (0.0, 0.03, 0.03)


def test_net_benefit(five_years):
    """At a threshold of 0 net benefit is minus the cost; where two options cross, the threshold is their ICER."""
    np.testing.assert_allclose(five_years.net_benefit(0.0), -five_years.cost())
    cost, qalys = five_years.cost()[0, :, 0], five_years.qalys()[0, :, 0]
    threshold = (cost[5] - cost[0]) / (qalys[5] - qalys[0])
    at = five_years.net_benefit(threshold)[0, :, 0]
    assert at[5] == pytest.approx(at[0])


def test_the_same_inputs_give_the_same_bits(vary):
    """Two runs of one case are identical."""
    case = vary(horizon_years=3)
    assert np.array_equal(evaluate(case).cost(), evaluate(case).cost())
