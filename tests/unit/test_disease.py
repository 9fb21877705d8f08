"""The disease model: starts, visits, monthly and yearly runs, and the structural scenarios."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq

from econmodel.model.disease import initial_state, run_disease
from econmodel.model.inputs import resolve

YEARS = tuple(range(5))


def by_strategy(inputs, totals, *kinds, weighting=0):
    """Share-weighted moves of the given kinds, by period and strategy."""
    lanes = (inputs.n_draws, len(inputs.strategies.keys), inputs.relative.shape[1])
    counts = totals.moves[weighting][:, inputs.structure.kinds(*kinds)].sum(axis=1).reshape(-1, *lanes)
    return (counts * inputs.shares[None, :, None, :]).sum(axis=3)[:, 0]


def without_death(inputs):
    """No background or excess death, no procedure death, no transplant, no other bleeds: bleeding alone."""
    s = inputs.strategies
    return replace(
        inputs,
        background_death=0 * inputs.background_death,
        excess_death=0 * inputs.excess_death,
        r_transplant=0 * inputs.r_transplant,
        r_other_bleed=0 * inputs.r_other_bleed,
        strategies=replace(s, p_death_course=0 * s.p_death_course),
    )


def test_everyone_starts_where_the_strategy_says(base):
    """Untreated at risk, drugs protected, procedures under way."""
    inputs = resolve(base)
    start = initial_state(inputs).reshape(14, 7, 6)
    assert start.sum(axis=0).tolist() == np.ones((7, 6)).tolist()
    states = [inputs.structure.states[i].key for i in start[:, :, 0].argmax(axis=0)]
    assert states == list(inputs.strategies.starts_in)


def test_monthly_and_yearly_runs_agree(base):
    """Monthly periods sum to yearly ones, discounted or not; visits count among the living."""
    inputs = resolve(base)
    yearly = run_disease(inputs, YEARS, (0.0, 0.03))
    monthly = run_disease(inputs, YEARS, (0.0, 0.03), monthly=True)
    for name in ("starts", "years", "moves", "visits"):
        whole, parts = (getattr(totals, name)[:, :, :-1] for totals in (yearly, monthly))
        np.testing.assert_allclose(parts.reshape(2, 5, 12, *parts.shape[2:]).sum(axis=2), whole, rtol=1e-10, atol=1e-14)


def test_visits_fall_at_the_planned_months(base):
    """The never-bled are seen at the months of their schedule: under glue 3, 6, 12, 24, ..., untreated and under the drug yearly."""
    inputs = resolve(base)
    visits = run_disease(inputs, (0, 1), monthly=True).visits[0].sum(axis=1).reshape(24, 7, 6)
    seen = {key: np.flatnonzero(visits[:, s, 0]).tolist() for s, key in enumerate(inputs.strategies.keys)}
    planned = {key: [m for m in range(24) if row.surveillance.at(m)] for key, row in base.strategies.items()}
    assert seen == planned
    assert (seen["glue"], seen["beta_blocker"], seen["watch"]) == ([3, 6, 12], [12], [12])


def test_susceptibility_meets_the_pooled_risks(base, vary):
    """With the evidence's own mix and no death, the risk of the first year and that of five come out as the inputs give them."""
    mix = resolve(base)
    first = base.number("p_first_bleed_year_1")
    early, late = (base.number(f"hr_first_bleed_{when}") for when in ("years_2_3", "from_year_4"))

    def risk_at(exposure):
        return 1 - (mix.shares * np.exp(-mix.relative * exposure)).sum()

    rate = brentq(lambda r: risk_at(r) - first, 0, 5, xtol=1e-14)
    five, unfallen = risk_at(rate * (1 + 2 * early + 2 * late)), risk_at(rate * 5)
    for decline in ("frailty", "time"):
        inputs = without_death(resolve(vary(horizon_years=5, hazard_decline=decline)))
        risk = by_strategy(inputs, run_disease(inputs, YEARS), "gastric_bleed")[:, 0].cumsum()
        assert risk[[0, 4]] == pytest.approx([first, five], abs=1e-9)
    constant = without_death(resolve(vary(horizon_years=5, hazard_decline="constant")))
    risk = by_strategy(constant, run_disease(constant, YEARS), "gastric_bleed")[:, 0].cumsum()
    assert risk[[0, 4]] == pytest.approx([first, unfallen], abs=1e-9)
    assert risk[4] > five + 0.05


def test_without_retreatment_the_last_course_is_the_first(vary):
    """With one session a course and no re-treatment, both clocks tell the same time."""
    sessions = {f"n_sessions_{k}": 1.0 for k in ("glue", "eus_glue", "coil", "coil_and_glue", "transvenous")}
    none = {f"p_retreat_year_1_{k}": 0.0 for k in ("glue", "eus_glue", "coil", "coil_and_glue", "transvenous")}
    runs = []
    for clock in ("start", "last_course"):
        inputs = resolve(vary(horizon_years=12, effect_basis="intention_to_treat", effect_clock=clock, **sessions, **none))
        runs.append(by_strategy(inputs, run_disease(inputs, tuple(range(12))), "gastric_bleed"))
    np.testing.assert_allclose(runs[1], runs[0], rtol=1e-10)


def test_retreatment_renews_the_effect(vary):
    """With re-treatment, counting from the last course prevents more bleeds, and as many while effect is full."""
    runs = []
    for clock in ("start", "last_course"):
        inputs = resolve(vary(horizon_years=12, effect_basis="intention_to_treat", effect_clock=clock))
        runs.append(by_strategy(inputs, run_disease(inputs, tuple(range(12))), "gastric_bleed")[:, 2])
    np.testing.assert_allclose(runs[1][:5], runs[0][:5], rtol=1e-10)
    assert np.all(runs[1][5:] < runs[0][5:])


def test_excess_for_one_year_without_excess_is_lifelong(vary):
    """A ratio of 1 makes no difference, however long it lasts; above 1, a year of it kills fewer than a life of it."""

    def deaths(**changes):
        inputs = resolve(vary(horizon_years=8, **changes))
        return by_strategy(inputs, run_disease(inputs, tuple(range(8))), "other_death").sum(axis=0)

    np.testing.assert_allclose(
        deaths(hr_death_after_bleed=1.0, years_excess_after_bleed="one_year"), deaths(hr_death_after_bleed=1.0), rtol=1e-10
    )
    assert np.all(deaths(years_excess_after_bleed="one_year") < deaths())
    assert np.all(deaths(years_excess_after_bleed="one_year") > deaths(hr_death_after_bleed=1.0))


def test_lifelong_effect_is_a_long_one(vary):
    """Full effect for 100 years equals full effect to the horizon; two years' effect prevents fewer bleeds."""

    def bleeds(full, none):
        years = {"n_effect_full_years_endoscopic": full, "n_effect_none_years_endoscopic": none}
        inputs = resolve(vary(horizon_years=10, effect_basis="intention_to_treat", **years))
        return by_strategy(inputs, run_disease(inputs, tuple(range(10))), "gastric_bleed").sum(axis=0)

    np.testing.assert_allclose(bleeds(100, 100), bleeds(10, 10), rtol=1e-12)
    assert np.all(bleeds(2, 2)[2:] > bleeds(5, 10)[2:])
    assert np.all(bleeds(5, 10)[2:] > bleeds(100, 100)[2:])
    assert bleeds(2, 2)[:2] == pytest.approx(bleeds(100, 100)[:2], rel=1e-12)
