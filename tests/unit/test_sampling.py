"""Draws recover their distributions, correlations and order; one stream per input."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from econmodel.errors import AnalysisError, ParameterError
from econmodel.parameters.distributions import Distribution
from econmodel.parameters.loading import load_case
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.sampling import Sampler, sample
from econmodel.parameters.structures import fix_structure

DRAWS = 20_000


@pytest.fixture(scope="module")
def parameters() -> ParameterSet:
    return fix_structure(load_case().parameters, ["base"])


@pytest.fixture(scope="module")
def drawn(parameters: ParameterSet) -> dict[str, np.ndarray]:
    return sample(parameters, DRAWS, seed=11)


def test_means_and_spread_are_recovered(parameters: ParameterSet, drawn: dict[str, np.ndarray]) -> None:
    """Every uncertain input's draws have its distribution's mean, within five standard errors."""
    wrong = []
    for name, p in parameters.numeric().items():
        if p.is_uncertain:
            error = drawn[name].std() / np.sqrt(DRAWS)
            if abs(drawn[name].mean() - p.distribution.mean) > 5 * error:
                wrong.append(name)
    assert wrong == []


def test_quantiles_are_recovered(parameters: ParameterSet, drawn: dict[str, np.ndarray]) -> None:
    """Quantiles of an input sampled on its own are those of its quantile function."""
    for name in ("log_rate_mean", "hr_glue", "c_coil", "n_sessions_glue"):
        d = parameters[name].distribution
        expected = d.ppf(np.array([0.1, 0.5, 0.9]))
        assert np.quantile(drawn[name], [0.1, 0.5, 0.9]) == pytest.approx(expected, rel=0.02), name


def test_fixed_inputs_do_not_move(parameters: ParameterSet, drawn: dict[str, np.ndarray]) -> None:
    """A certain input is its base value in every draw, unless it follows its parents."""
    for name, p in parameters.numeric().items():
        if not p.is_uncertain and not p.follows_draws:
            assert np.ptp(drawn[name]) == 0, name


@pytest.mark.parametrize("harm", ["p_death_course", "p_embolism", "p_sepsis", "p_ulcer_bleed"])
def test_a_harm_taken_from_glue_shares_its_draw(harm: str, drawn: dict[str, np.ndarray]) -> None:
    """What is as direct glue is so in every draw."""
    assert drawn[f"{harm}_eus_glue"] == pytest.approx(drawn[f"{harm}_glue"], rel=1e-12)
    assert np.ptp(drawn[f"{harm}_glue"]) > 0


def test_the_effect_never_ends_before_it_fades(drawn: dict[str, np.ndarray]) -> None:
    """Years of full effect, then of fading: both drawn, their sum the end."""
    full, fade, none = (drawn[f"n_effect_{what}_years_endoscopic"] for what in ("full", "fade", "none"))
    assert none == pytest.approx(full + fade, rel=1e-12)
    assert np.ptp(full) > 0 < np.ptp(fade)


def test_a_draw_outside_its_unit_names_its_input(parameters: ParameterSet) -> None:
    """A price drawn below 0 is an error with the input's name; nothing is clipped."""
    wide = replace(parameters["c_coil"], distribution=Distribution("normal", {"mean": 1000.0, "se": 900.0}))
    with pytest.raises(AnalysisError, match=r"c_coil is drawn as -.*USD/coil.*>= 0"):
        sample(replace(parameters, parameters=parameters.parameters | {"c_coil": wide}), 200, seed=1)


def test_correlations_are_recovered(drawn: dict[str, np.ndarray]) -> None:
    """Each pair of log ratios correlates as its matrix says: the EUS-guided ones, glue and beta-blocker; others do not."""
    names = ("hr_eus_glue_vs_glue", "hr_coil_and_glue_vs_glue", "hr_coil_vs_glue", "hr_glue", "hr_beta_blocker")
    found = np.corrcoef([np.log(drawn[name]) for name in names])
    expected = [[1, 0.8, 0.5, 0, 0], [0.8, 1, 0.5, 0, 0], [0.5, 0.5, 1, 0, 0], [0, 0, 0, 1, 0.2], [0, 0, 0, 0.2, 1]]
    assert found == pytest.approx(np.array(expected), abs=0.03)


def test_ordered_inputs_never_cross(drawn: dict[str, np.ndarray]) -> None:
    """Fatality and excess death rise with Child class, utilities fall with bleeding, in every draw."""
    for stem in ("p_death_six_weeks_child_", "r_excess_death_child_"):
        assert (drawn[stem + "a"] <= drawn[stem + "b"]).all()
        assert (drawn[stem + "b"] <= drawn[stem + "c"]).all()
    assert (drawn["u_never_bled"] >= drawn["u_post_bleed"]).all()
    assert (drawn["u_post_bleed"] >= drawn["u_bleeding"]).all()


def test_block_size_and_seed(parameters: ParameterSet) -> None:
    """The same seed gives the same bits whatever the block; another seed gives others."""
    whole = sample(parameters, 500, seed=3)
    parts = list(Sampler(parameters, 3).blocks(500, 77))
    assert all(np.array_equal(np.concatenate([b[n] for b in parts]), whole[n]) for n in whole)
    assert not np.array_equal(sample(parameters, 500, seed=4)["hr_glue"], whole["hr_glue"])


def test_another_input_leaves_the_rest_unchanged(parameters: ParameterSet) -> None:
    """Adding an uncertain input changes no other draw."""
    added = replace(parameters["c_coil"], name="c_new")
    more = replace(parameters, parameters=parameters.parameters | {"c_new": added})
    before, after = sample(parameters, 200, seed=5), sample(more, 200, seed=5)
    assert all(np.array_equal(before[n], after[n]) for n in before)
    assert not np.array_equal(after["c_new"], after["c_coil"])


def test_sobol_points_cover_evenly(parameters: ParameterSet) -> None:
    """Sobol draws recover a mean far closer than ordinary ones, and need a power of two."""
    drawn = sample(parameters, 1024, seed=6, sobol=True)
    d = parameters["p_rescue"].distribution
    assert drawn["p_rescue"].mean() == pytest.approx(d.mean, abs=0.1 * d.sd / np.sqrt(1024))
    parts = drawn["p_rescue"].reshape(8, -1)
    assert len(np.unique(parts[:, 0])) == 8
    assert np.abs(parts.mean(axis=1) - d.mean).max() < d.sd / np.sqrt(128)
    for too_few in (1000, 8):
        with pytest.raises(AnalysisError, match="power of two from 16"):
            sample(parameters, too_few, seed=6, sobol=True)


def test_one_draw_is_refused(parameters: ParameterSet) -> None:
    """An interval needs at least two draws."""
    with pytest.raises(AnalysisError, match="from 3 to"):
        sample(parameters, 1, seed=1)


def test_an_order_that_spreads_cannot_keep_is_refused(parameters: ParameterSet) -> None:
    """A member surer than the one before it cannot follow by a random step."""
    name = "r_excess_death_child_b"
    narrow = replace(parameters[name], distribution=Distribution("gamma", {"shape": 1e8, "scale": 1e-9, "shift": 0.0}))
    with pytest.raises(ParameterError, match="standard error is too small"):
        Sampler(replace(parameters, parameters=parameters.parameters | {name: narrow}), 1)
