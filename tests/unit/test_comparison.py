"""Comparisons: ICER and its status, NNT, break-even NNT and ranking."""

import math

import numpy as np
import pytest

from econmodel.economics.comparison import Comparison, Totals, icer, rank_strategies, ratio
from econmodel.evidence.nnt import NumberNeededToTreat


@pytest.mark.parametrize(
    ("cost", "effect", "expected"),
    [
        (1000, 0.1, (10_000, "more_costly_more_effective")),
        (-1000, -0.1, (10_000, "less_costly_less_effective")),
        (1000, -0.1, (None, "dominated")),
        (-1000, 0.1, (None, "dominant")),
        (0, 0.1, (None, "dominant")),
        (-1000, 0, (None, "dominant")),
        (0, -0.1, (None, "dominated")),
        (1000, 0, (None, "dominated")),
        (0, 0, (None, "equal")),
    ],
)
def test_icer_has_a_value_only_in_a_trade_off(cost, effect, expected):
    """A dominated or dominant strategy has no ICER; a trade-off has one, with its direction."""
    value, status = icer(cost, effect)
    assert status == expected[1]
    assert value == (None if expected[0] is None else pytest.approx(expected[0]))


def test_swapped_arms_turn_the_verdict():
    """The other way round, dominant becomes dominated and the ratio of a trade-off stays."""
    assert icer(-5, 0.2)[1] == "dominant"
    assert icer(5, -0.2)[1] == "dominated"
    assert icer(300, 0.02)[0] == icer(-300, -0.02)[0]


@pytest.mark.parametrize(
    ("arr", "expected"),
    [
        (0.25, (4.0, "NNTB")),
        (-0.05, (20.0, "NNTH")),
        (0.0, (None, "none")),
        (math.nan, (None, "none")),
        (math.inf, (None, "none")),
        (1e-15, (None, "none")),
    ],
)
def test_nnt(arr, expected):
    """Benefit, harm, and no number where risks are equal or unknown."""
    found = NumberNeededToTreat(arr)
    assert found.kind == expected[1]
    assert found.value == (None if expected[0] is None else pytest.approx(expected[0]))


def increments(cost: float, prophylaxis: float, arr: float) -> Comparison[float]:
    """A comparison of one horizon, of which only money and the risk of a first bleed matter."""
    treated = Totals(1000 + cost, 500 + prophylaxis, 4.01, 5.02, 0.5, 0.3, {1: 0.0, 5: 0.0})
    return Comparison("watch", 50_000, treated, Totals(1000, 500, 4.0, 5.0, 0.5 + 1.5 * arr, 0.3 + arr, {1: arr / 3, 5: arr}))


@pytest.mark.parametrize(("cost", "prophylaxis", "arr"), [(-200, 1000, 0.2), (300, 1000, 0.2), (0, 500, 0.1), (-1, 400, 0.02)])
def test_break_even_says_the_same_as_the_cost(cost, prophylaxis, arr):
    """The NNT is below break-even exactly when the strategy saves."""
    found = increments(cost, prophylaxis, arr)
    value, event = found.break_even_nnt, (prophylaxis - cost) / arr
    assert (found.nnt[5].value < value) == (cost < 0) == found.saves
    assert found.first_bleed_cost == pytest.approx(event)
    assert value == pytest.approx(event / prophylaxis)
    assert prophylaxis - arr * event == pytest.approx(cost)


@pytest.mark.parametrize(("cost", "prophylaxis", "arr"), [(100, 1000, 0.0), (100, 1000, -0.1), (100, 0, 0.1), (100, -50, 0.1)])
def test_no_break_even_without_benefit_or_price(cost, prophylaxis, arr):
    """Without a benefit, or without an added cost of prophylaxis, there is nothing to break even."""
    assert increments(cost, prophylaxis, arr).break_even_nnt is None


def test_ratio_of_nothing():
    """A quotient over nothing is undefined, not infinite."""
    assert ratio(1.0, 0.0) is None
    assert ratio(1.0, 1e-13) is None
    assert ratio(1.0, -2.0) == -0.5


def test_a_single_option_is_the_reference():
    """One option has nothing to be compared with."""
    (row,) = rank_strategies(["a"], [5.0], [1.0])
    assert (row.status, row.icer) == ("reference", None)


def test_equal_options():
    """Of two options alike in cost and effect one stays and the other is dominated; neither has a ratio over nothing."""
    rows = rank_strategies(["a", "b", "c"], [0.0, 0.0, 10.0], [1.0, 1.0, 2.0])
    assert sorted(r.status for r in rows) == ["dominated", "on_frontier", "reference"]
    assert [r.icer for r in rows if r.icer is not None] == [10.0]


def test_same_cost_better_effect():
    """At equal cost the less effective option is dominated."""
    rows = {r.key: r for r in rank_strategies(["worse", "better"], [10.0, 10.0], [1.0, 2.0])}
    assert (rows["better"].status, rows["worse"].status) == ("reference", "dominated")


def test_three_options_on_a_line():
    """An option on the line between two others adds no step to the frontier."""
    rows = {r.key: r for r in rank_strategies("abc", [0.0, 10.0, 20.0], [0.0, 1.0, 2.0])}
    assert rows["b"].status == "extendedly_dominated"
    assert rows["c"].icer == pytest.approx(10)


def test_everything_worse_than_the_cheapest():
    """When the cheapest is also the best, every other option is dominated."""
    rows = rank_strategies("abc", [1.0, 2.0, 3.0], [3.0, 2.0, 1.0])
    assert [r.status for r in rows] == ["reference", "dominated", "dominated"]


def test_one_comparison_for_one_draw_and_many():
    """Ratios are those of the mean increments, so one draw gives its own and many give neither's average."""
    rng = np.random.default_rng(1)

    def totals(n: int) -> Totals:
        return Totals(*rng.uniform(1, 2, (6, n)), {1: rng.uniform(0, 0.3, n), 5: rng.uniform(0.3, 0.6, n)})

    for draws in (1, 50):
        a, b = totals(draws), totals(draws)
        found = Comparison("watch", 1000.0, a, b)
        mean = found.mean()
        assert mean.incremental_cost == pytest.approx(np.mean(a.cost - b.cost))
        assert mean.net_monetary_benefit == pytest.approx(found.net_monetary_benefit.mean())
        assert mean.arr[5] == pytest.approx(np.mean(b.first_bleed_risk[5] - a.first_bleed_risk[5]))
        assert mean.nnt[5].value == pytest.approx(1 / abs(mean.arr[5]))
        assert mean.net_cost_per_any_bleed_averted == pytest.approx(mean.incremental_cost / mean.bleeds_averted)
    ratios = found.incremental_cost / found.bleeds_averted
    assert mean.net_cost_per_any_bleed_averted != pytest.approx(ratios.mean())
