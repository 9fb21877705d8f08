"""Price lists and the four views on money."""

import numpy as np
import pytest

from econmodel.economics.evaluate import evaluate
from econmodel.economics.prices import Prices, resolve_prices
from econmodel.errors import AnalysisError
from econmodel.model.inputs import base_values

ONE = Prices(("a",), np.array([[100.0]]), np.array([[0.4]]), np.array([[70.0]]), np.array([[9.0]]))


@pytest.mark.parametrize(("view", "expected"), [("hospital", 100), ("hospital_margin", -30), ("payer", 70), ("societal", 109)])
def test_views_by_hand(view, expected):
    """Full cost; variable cost less payment; payment; full cost and that of patient and carer."""
    assert ONE.view(view)[0, 0] == pytest.approx(expected)


def test_an_unknown_view():
    """A view that does not exist is refused."""
    with pytest.raises(AnalysisError, match="'doctor'"):
        ONE.view("doctor")


def test_a_bleed_is_priced_one_way_only(vary):
    """Per episode, days and units are free; bottom-up, the episode is."""
    for costing, free, priced in (("per_episode", "icu_day", "bleed_survived"), ("bottom_up", "bleed_survived", "icu_day")):
        case = vary(bleed_costing=costing)
        found = resolve_prices(case, base_values(case), np.array([0.07]))
        cost = dict(zip(found.activities, found.full_cost[0], strict=True))
        assert cost[free] == 0
        assert cost[priced] > 0


def test_clinic_visits_cost_the_same_before_and_after_a_bleed(base):
    """A clinic visit after a bleed has the price of any clinic visit."""
    found = resolve_prices(base, base_values(base), np.array([0.07]))
    at = {a: i for i, a in enumerate(found.activities)}
    assert found.full_cost[0, at["clinic_post_bleed"]] == base.number("c_clinic_visit") > 0


def test_categories_add_up(five_years):
    """The four categories sum to the total, in every view."""
    for view in ("hospital", "hospital_margin", "payer", "societal"):
        parts = sum(five_years.cost(perspective=view, category=c) for c in ("prophylaxis", "bleeds", "aftercare", "background"))
        np.testing.assert_allclose(parts, five_years.cost(perspective=view), rtol=1e-12)


def test_money_is_linear_in_prices(base, vary, five_years):
    """All unit costs and payments doubled double the money; all zero, it is zero."""
    money = [n for n in base.numeric() if n.startswith(("c_", "payment_"))]
    doubled = evaluate(vary(horizon_years=5, **{n: 2 * base.number(n) for n in money}))
    free = evaluate(vary(horizon_years=5, **dict.fromkeys(money, 0.0)))
    for view in ("hospital", "hospital_margin", "payer", "societal"):
        np.testing.assert_allclose(doubled.cost(perspective=view), 2 * five_years.cost(perspective=view), rtol=1e-12)
        assert np.all(free.cost(perspective=view) == 0)


def test_a_price_moves_only_who_uses_it(base, vary, five_years):
    """Dearer coils cost the coil strategies, in proportion to their coils, and nobody else."""
    dearer = evaluate(vary(horizon_years=5, c_coil=base.number("c_coil") + 100))
    rise = (dearer.cost(discounted=False) - five_years.cost(discounted=False))[0, :, 0]
    assert rise == pytest.approx(100 * five_years.count("coil")[0, :, 0])
    assert rise[4] > rise[5] > 0
    assert rise[[0, 1, 2, 3, 6]] == pytest.approx(np.zeros(5), abs=1e-9)


def test_a_price_never_runs_the_cohort_again(vary, five_years):
    """Prices change money and leave every count exactly as it was."""
    dearer = evaluate(vary(horizon_years=5, c_bleed_mean=50_000))
    for name in ("first_bleeds", "sessions", "deaths_bleed"):
        assert np.array_equal(dearer.count(name), five_years.count(name))
