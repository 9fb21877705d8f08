"""Whatever the case, draws keep their order and probabilities add up."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from econmodel.evidence.nnt import nnt_from_draws
from econmodel.parameters.distributions import Distribution, fit
from econmodel.parameters.loading import load_case
from econmodel.parameters.sampling import Sampler, correlate, sample
from econmodel.parameters.schema import JointGroup, Where
from econmodel.uncertainty.probabilistic import Psa
from econmodel.uncertainty.risk import summarise

CASE = load_case().parameters
UTILITIES = ("u_never_bled", "u_post_bleed", "u_bleeding")


def psa_of(cost: np.ndarray, qalys: np.ndarray) -> Psa:
    """Draws of some strategies as an analysis."""
    keys = tuple(CASE.strategies)[: cost.shape[1]]
    return Psa(CASE, keys, (1,), 5, 1, False, {"cost": cost, "qalys": qalys}, ("watch",))


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10**6), st.integers(2, 7), st.integers(2, 200))
def test_acceptability_adds_up(seed: int, n_strategies: int, draws: int) -> None:
    """At every threshold exactly one strategy is best in each draw; at 0 it is the cheapest."""
    rng = np.random.default_rng(seed)
    psa = psa_of(rng.normal(1e4, 3e3, (draws, n_strategies)), rng.normal(5, 1, (draws, n_strategies)))
    np.testing.assert_allclose(psa.acceptability.sum(axis=1), 1.0)
    assert np.array_equal(psa.best(0.0), psa.outcomes["cost"].argmin(axis=1))
    for threshold in (0.0, 2e4, 1e6):
        assert np.array_equal(psa.best(threshold), psa.net_benefit(threshold).argmax(axis=1))
    assert np.array_equal(psa.net_benefit(0.0), -psa.outcomes["cost"])


@settings(max_examples=30, deadline=None)
@given(st.floats(0.55, 0.95), st.floats(0.5, 0.98), st.floats(0.5, 0.98), st.floats(10, 200), st.integers(0, 10**6))
def test_ordered_members_keep_means_and_never_cross(top: float, second: float, third: float, n: float, seed: int) -> None:
    """Utilities with one effective sample size keep order, mean and spread, whatever their means."""
    means = (top, top * second, top * second * third)
    inputs = {
        name: replace(CASE[name], value=m, distribution=Distribution("beta", {"a": n * m, "b": n * (1 - m)}))
        for name, m in zip(UTILITIES, means, strict=True)
    }
    drawn = sample(replace(CASE, parameters=CASE.parameters | inputs), 4_000, seed=seed)
    assert (drawn[UTILITIES[0]] >= drawn[UTILITIES[1]]).all()
    assert (drawn[UTILITIES[1]] >= drawn[UTILITIES[2]]).all()
    for name, p in inputs.items():
        assert abs(drawn[name].mean() - p.distribution.mean) < 6 * p.distribution.sd / np.sqrt(4_000), name
        assert drawn[name].std() == pytest.approx(p.distribution.sd, rel=0.12), name


@settings(max_examples=25, deadline=None)
@given(st.floats(-0.4, 0.95), st.integers(0, 10**6))
def test_correlation_is_the_one_declared(rho: float, seed: int) -> None:
    """Three members have the common correlation on the normal scale, and each stays uniform."""
    from scipy.special import ndtri

    rng = np.random.default_rng(seed)
    u = {name: rng.random(6_000) for name in "abc"}
    first = u["a"].copy()
    correlate(u, JointGroup("g", ("a", "b", "c"), Where("test"), correlation=((1, rho, rho), (rho, 1, rho), (rho, rho, 1))))
    np.testing.assert_allclose(u["a"], first, atol=1e-12)
    z = ndtri(np.stack([u[name] for name in "abc"]))
    np.testing.assert_allclose(np.corrcoef(z)[np.triu_indices(3, 1)], rho, atol=0.06)
    for name in "abc":
        np.testing.assert_allclose(np.quantile(u[name], [0.1, 0.5, 0.9]), [0.1, 0.5, 0.9], atol=0.035)


@settings(max_examples=10, deadline=None)
@given(st.integers(1, 64), st.booleans())
def test_block_size_never_shows(size: int, sobol: bool) -> None:
    """Draws are the same to the bit in blocks of any size, ordinary or Sobol."""
    whole = next(Sampler(CASE, 8, sobol=sobol).blocks(64, 64))
    parts = list(Sampler(CASE, 8, sobol=sobol).blocks(64, size))
    assert all(np.array_equal(np.concatenate([p[name] for p in parts]), whole[name]) for name in whole)


@settings(max_examples=20, deadline=None)
@given(st.lists(st.floats(0.02, 1.0), min_size=2, max_size=6), st.floats(5, 500), st.integers(0, 10**6))
def test_shares_stay_shares(weights: list[float], n: float, seed: int) -> None:
    """A sampled case mix sums to 1 in every draw and keeps its mean shares."""
    shares = np.array(weights) / sum(weights)
    rows = tuple({"name": f"g{i}", "share": float(s), "child": "A", "size_step": 2, "red_spot": 0} for i, s in enumerate(shares))
    mix = replace(CASE["case_mix"], table=rows, distribution=fit({"family": "dirichlet", "n": n}, None))
    drawn = sample(replace(CASE, parameters=CASE.parameters | {"case_mix": mix}), 3_000, seed=seed)["case_mix"]
    np.testing.assert_allclose(drawn.sum(axis=1), 1.0)
    error = np.sqrt(shares * (1 - shares) / (n + 1) / 3_000)
    assert (np.abs(drawn.mean(axis=0) - shares) < 6 * error).all()


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(-0.5, 0.5), min_size=3, max_size=60))
def test_nnt_comes_from_the_mean_reduction(reductions: list[float]) -> None:
    """The NNT is one over the size of the mean reduction, of the kind of its sign; the interval holds the mean."""
    arr = np.array(reductions)
    found, mean = nnt_from_draws(arr), arr.mean()
    if abs(mean) > 1e-9:
        assert found.value == pytest.approx(1 / abs(mean))
        assert found.kind == ("NNTB" if mean > 0 else "NNTH")
    spread = summarise(arr)
    assert spread.low <= np.median(arr) <= spread.high
