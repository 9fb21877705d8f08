"""From a set of inputs to the arrays the disease model runs on."""

import numpy as np
import pytest

from econmodel.errors import EconModelError, ModelError, ParameterError
from econmodel.model.inputs import background_rates, base_values, horizon_years, product, resolve
from econmodel.parameters.loading import read_life_table


@pytest.fixture(scope="module")
def resolved(base):
    return resolve(base)


def test_shapes(resolved):
    """Arrays lead with the draw; strategies and groups follow in their order."""
    assert resolved.n_draws == 1
    assert resolved.relative.shape == resolved.shares.shape == (1, 6)
    assert resolved.child_of_cell.tolist() == [0, 0, 1, 1, 2, 2]
    assert resolved.strategies.hr_gastric.shape == (1, 7)
    assert resolved.background_death.shape == (1, 40)
    assert resolved.shares.sum() == pytest.approx(1)


def test_effects_are_products_of_the_named_inputs(resolved):
    """A row that names two ratios has their product; a row that names none has 1."""
    s = resolved.strategies
    by_key = dict(zip(s.keys, s.hr_gastric[0], strict=True))
    assert by_key["watch"] == 1.0
    assert by_key["coil_and_glue"] == pytest.approx(0.35 * 0.65)
    assert dict(zip(s.keys, s.hr_other[0], strict=True))["transvenous"] == pytest.approx(2.0)
    assert dict(zip(s.keys, s.hr_other[0], strict=True))["glue"] == 1.0


def test_retreatment_becomes_a_rate(resolved):
    """A yearly probability of 0.35 is a rate of -ln 0.65, a quarter of it later; none without a course."""
    glue = resolved.strategies.keys.index("glue")
    assert resolved.strategies.r_retreat[0, glue] == pytest.approx([-np.log(0.65), -np.log(0.65) / 4])
    assert resolved.strategies.r_retreat[0, 0].tolist() == [0.0, 0.0]


def test_secondary_prophylaxis_sets_late_rebleeding(vary):
    """Late rebleeding is the base rate times the ratio of the secondary prophylaxis chosen."""
    for chosen, ratio in (("glue", 1.0), ("beta_blocker", 4.0), ("coil_and_glue", 0.6), ("transvenous", 0.3)):
        found = resolve(vary(secondary_prophylaxis=chosen)).strategies.r_late_rebleed
        assert found[0] == pytest.approx(0.145 * ratio)


def test_own_mix_moves_the_risk_but_not_the_rate(vary, one_group, resolved):
    """The reference rate rests on the cohorts, so a site's mix leaves it alone."""
    mine = resolve(vary(case_mix=one_group))
    assert mine.r_first_bleed == pytest.approx(resolved.r_first_bleed)
    assert mine.relative.tolist() == [[1.0]]


def test_fatality_meets_the_pooled_figure(vary):
    """Scaled, the bleed-weighted mean of six-week mortality over the reference mix is the pooled figure."""
    case, stated = vary(), resolve(vary(fatality_scaling="as_stated"))
    scaled = resolve(case)
    assert np.all(scaled.p_death_bleed > stated.p_death_bleed)
    f, again, e = scaled.p_death_bleed[0], scaled.p_death_rebleed[0], case.number("p_early_rebleed")
    six_weeks = f + (1 - f) * e * again / (1 - (1 - again) * e)
    rows = case.rows("reference_mix")
    rates = {"A": 0.0, "B": 0.0, "C": 0.0}
    for row in rows:
        rates[row["child"]] += row["share"] * np.exp(
            case.number("b_child") * "ABC".index(row["child"]) + case.number("b_red") * row["red_spot"]
        )
    assert np.average(six_weeks, weights=list(rates.values())) == pytest.approx(case.number("p_death_six_weeks"), abs=1e-12)


@pytest.mark.parametrize(("value", "start", "expected"), [("lifetime", 60, 40), (5, 60, 5), (40, 60, 40), ("lifetime", 99, 1)])
def test_horizons(vary, value, start, expected):
    """A lifetime runs to age 100; otherwise whole years up to there."""
    assert horizon_years(vary(horizon_years=value, start_age=start)) == expected


@pytest.mark.parametrize(("value", "start"), [(41, 60), (0, 60), (2.5, 60), (-1, 60), ("lifetime", 100), ("lifetime", 60.5)])
def test_impossible_horizons(vary, value, start):
    """A horizon of no years, of part of a year, or past age 100 is refused."""
    with pytest.raises(ParameterError):
        horizon_years(vary(horizon_years=value, start_age=start))


def test_background_rates_follow_age():
    """The cohort ages a year each model year."""
    q = read_life_table("us_2013")["female"]
    assert background_rates("us_2013", np.ones(1), 60, 3)[0] == pytest.approx(-np.log1p(-q[60:63]))


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"headline_years": 0.0}, "headline_years"),
        ({"headline_years": 2.5}, "headline_years"),
        ({"n_trial_months": 0.0, "effect_basis": "process"}, "n_trial_months"),
        ({"n_frailty_classes": 0.0}, "n_frailty_classes"),
        ({"p_death_six_weeks": 0.0}, "cannot be moved"),
        ({"p_death_six_weeks": 1.0}, "cannot be moved"),
        ({"p_death_six_weeks_child_a": 0, "p_death_six_weeks_child_b": 0, "p_death_six_weeks_child_c": 0}, "cannot be moved"),
    ],
)
def test_figures_that_cannot_be_resolved(vary, changes, says):
    """What cannot be resolved is an error that names the input and its place."""
    with pytest.raises(EconModelError, match=says) as caught:
        resolve(vary(**changes))
    assert caught.value.where


def test_draws_are_resolved_apart(base):
    """Two draws give what each gives alone."""
    values = {name: np.repeat(v, 2) for name, v in base_values(base).items()}
    values["p_first_bleed_year_1"] = np.array([0.18, 0.30])
    values["b_red"] = np.array([0.72, 0.2])
    both = resolve(base, values)
    for draw in (0, 1):
        alone = resolve(base, {name: v[[draw]] for name, v in values.items()})
        for name in ("r_first_bleed", "first_bleed_time", "p_death_bleed", "relative", "background_death"):
            np.testing.assert_allclose(getattr(both, name)[draw], getattr(alone, name)[0], rtol=1e-12)


def test_susceptibility_splits_each_group(vary):
    """With susceptibility each group becomes classes of equal share whose mean is the group's own rate."""
    found = resolve(vary(hazard_decline="frailty"))
    assert found.relative.shape == (1, 12)
    plain = resolve(vary())
    for g in range(6):
        members = found.group_of_cell == g
        assert found.relative[0, members].mean() == pytest.approx(plain.relative[0, g])
        assert found.shares[0, members].sum() == pytest.approx(plain.shares[0, g])


def test_product_of_nothing_is_one():
    """No names, no effect."""
    assert product({}, ()) == 1.0


def test_certain_rebleeding_is_told_as_a_model_error(vary):
    """The model error names where six-week mortality was typed."""
    with pytest.raises(ModelError, match=r"natural_history\.toml"):
        resolve(vary(p_early_rebleed=1.0))
