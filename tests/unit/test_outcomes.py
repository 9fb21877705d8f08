"""Life-years, QALYs and the utilities behind them."""

import numpy as np
import pytest

from econmodel.economics.evaluate import evaluate

PERFECT = {"u_never_bled": 1.0, "u_post_bleed": 1.0, "u_bleeding": 1.0, "u_transplanted": 1.0}
NO_LOSS = dict.fromkeys(
    ("du_session", "du_drug_year", "du_embolism", "du_sepsis", "du_fever", "du_ulcer_bleed", "du_bleed_episode"), 0.0
)


def test_utility_one_makes_a_qaly_a_life_year(vary):
    """With every utility 1 and no losses, QALYs are life-years, discounted or not."""
    found = evaluate(vary(horizon_years=5, **PERFECT, **NO_LOSS))
    np.testing.assert_allclose(found.qalys(), found.life_years(), rtol=1e-12)
    np.testing.assert_allclose(found.qalys(discounted=False), found.life_years(discounted=False), rtol=1e-12)


def test_utility_zero_leaves_nothing(vary):
    """With every utility 0 and no losses there are no QALYs."""
    found = evaluate(vary(horizon_years=5, **dict.fromkeys(PERFECT, 0.0), **NO_LOSS))
    assert np.all(found.qalys() == 0)


def test_losses_are_what_qalys_lack(vary, five_years):
    """Without losses, QALYs rise by sessions, complications and drug-years times theirs."""
    found = evaluate(vary(horizon_years=5, **NO_LOSS))
    gap = (found.qalys(discounted=False) - five_years.qalys(discounted=False))[0, :, 0]
    p = five_years.parameters
    expected = sum(
        five_years.count(name)[0, :, 0] * p.number(loss)
        for name, loss in (
            ("sessions", "du_session"),
            ("drug_year", "du_drug_year"),
            ("embolism", "du_embolism"),
            ("sepsis", "du_sepsis"),
            ("fever", "du_fever"),
            ("ulcer_bleed", "du_ulcer_bleed"),
        )
    )
    assert gap == pytest.approx(expected)
    assert gap[0] == 0


def test_a_bleed_counts_once(vary, five_years):
    """As a one-off loss, a bleed's month has the utility around it and each bleed costs 0.022; never both."""
    one_off = evaluate(vary(horizon_years=5, bleed_utility="one_off"))
    p, watch = five_years.parameters, (0, 0, 0)
    shift = (one_off.qalys(discounted=False) - five_years.qalys(discounted=False))[watch]
    months = [sum(five_years.count(end + of)[watch] for of in ("", "_other")) for end in ("bleeding", "rebleeding")]
    expected = (
        months[0] * (p.number("u_never_bled") - p.number("u_bleeding"))
        + months[1] * (p.number("u_post_bleed") - p.number("u_bleeding"))
        - five_years.bleeds()[watch] * p.number("du_bleed_episode")
    )
    assert shift == pytest.approx(expected)


def test_discounting_lowers_and_zero_leaves(vary, five_years):
    """Discounted life-years are fewer; at a rate of 0 they are the same."""
    assert np.all(five_years.life_years() < five_years.life_years(discounted=False))
    plain = evaluate(vary(horizon_years=5, discount_outcomes=0.0))
    np.testing.assert_allclose(plain.qalys(), plain.qalys(discounted=False), rtol=1e-14)


def test_costs_and_outcomes_have_their_own_rates(vary, five_years):
    """The rate of outcomes leaves money alone, and the other way round."""
    outcomes = evaluate(vary(horizon_years=5, discount_outcomes=0.05))
    np.testing.assert_allclose(outcomes.cost(), five_years.cost(), rtol=1e-14)
    assert np.all(outcomes.qalys() < five_years.qalys())
    costs = evaluate(vary(horizon_years=5, discount_costs=0.05))
    np.testing.assert_allclose(costs.qalys(), five_years.qalys(), rtol=1e-14)
    assert np.all(costs.cost() < five_years.cost())


def test_a_very_high_rate_leaves_the_first_cycle(vary):
    """As the rate grows without bound only the start counts: half a month of life, the first session and its harms."""
    found = evaluate(vary(horizon_years=2, discount_costs=1e150, discount_outcomes=1e150))
    assert found.life_years()[0, 0, 0] == pytest.approx(0.5 / 12, abs=1e-9)
    n = found.parameters.number
    harms = sum(n(f"c_{k}") * n(p) for k, p in found.parameters.strategies["glue"].complications.items()) / 1.5
    session = n("c_session_direct") + 1.7 * n("c_glue_ml") + n("c_oil_session") + harms
    assert found.cost(category="prophylaxis")[0, 2, 0] == pytest.approx(session, rel=1e-9)
