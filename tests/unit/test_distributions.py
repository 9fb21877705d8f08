"""Distributions: fitting, moving to a new value, quantiles and words."""

import math

import numpy as np
import pytest

from econmodel.errors import ParameterError
from econmodel.parameters.distributions import Distribution, fit, rescale

EXAMPLES = [
    ({"family": "beta", "a": 18, "b": 82}, 0.18),
    ({"family": "gamma", "se": 20.0}, 200.0),
    ({"family": "gamma", "shift": 1.0, "se": 0.1}, 1.2),
    ({"family": "lognormal", "se_log": 0.36}, 0.35),
    ({"family": "lognormal", "se_log": 0.2, "upper": 1.0}, 0.78),
    ({"family": "normal", "se": 0.2}, 0.53),
]


@pytest.mark.parametrize(("spec", "value"), EXAMPLES)
def test_quantiles_rise(spec, value):
    """Quantiles rise with probability and are finite inside 0 to 1."""
    quantiles = fit(spec, value).ppf(np.linspace(0.001, 0.999, 99))
    assert np.all(np.diff(quantiles) > 0)
    assert np.all(np.isfinite(quantiles))


@pytest.mark.parametrize(("spec", "value"), EXAMPLES)
def test_mean_and_sd_are_those_of_the_quantiles(spec, value):
    """The stated mean, and the sd where it is not cut, are those of the distribution."""
    found = fit(spec, value)
    draws = found.ppf((np.arange(100_000) + 0.5) / 100_000)
    assert draws.mean() == pytest.approx(found.mean, rel=1e-3)
    if "upper" not in spec:
        assert draws.std() == pytest.approx(found.sd, rel=5e-3)


def test_a_fixed_value_does_not_vary():
    """Fixed means the value, for every draw, with its reason in words."""
    found = fit({"family": "fixed", "reason": "a choice"}, 5.0)
    assert np.all(found.ppf(np.array([0.01, 0.5, 0.99])) == 5.0)
    assert (found.mean, found.sd, found.describe()) == (5.0, 0.0, "fixed (a choice)")


@pytest.mark.parametrize(
    ("spec", "value", "says"),
    [
        ({"family": "beta", "se": 0.5}, 0.5, "se squared"),
        ({"family": "beta", "a": 1, "b": 2}, 0.5, "has mean"),
        ({"family": "gamma", "se": 1.0}, 0.0, "above its shift"),
        ({"family": "gamma", "se": 1.0, "shift": 2.0}, 1.5, "shift 2"),
        ({"family": "gamma", "shape": 2.0, "scale": 3.0}, 5.0, "has mean 6"),
        ({"family": "lognormal", "se_log": 0.1}, -1.0, "> 0"),
        ({"family": "normal"}, 1.0, "must be se"),
        ({"family": "normal", "se": math.inf}, 1.0, "> 0"),
        ({"family": "gamma", "se": 1.0}, None, "needs a number"),
        ({}, 1.0, "unknown"),
        ({"family": "fixed"}, 1.0, "reason"),
        ({"family": "beta", "se": True}, 0.5, "must be a number"),
        ({"family": "dirichlet", "n": 0}, None, "> 0"),
    ],
)
def test_faulty_specifications(spec, value, says):
    """A distribution that cannot be fitted says why."""
    with pytest.raises(ParameterError, match=says):
        fit(spec, value)


@pytest.mark.parametrize(("spec", "value", "new"), [(*e, e[1] * 1.1) for e in EXAMPLES])
def test_a_moved_distribution_has_the_new_centre(spec, value, new):
    """Moved, a distribution keeps its family and takes the new value as mean, or median for a lognormal."""
    moved = rescale(fit(spec, value), new)
    assert moved.family == spec["family"]
    if spec["family"] == "lognormal":
        assert math.exp(moved.fields["mu"]) == pytest.approx(new)
    else:
        assert moved.mean == pytest.approx(new)


def test_what_a_moved_distribution_keeps():
    """Beta keeps its sample size, gamma its relative spread, lognormal its log SE, normal its SE."""
    assert sum(rescale(fit(EXAMPLES[0][0], 0.18), 0.3).fields.values()) == pytest.approx(100)
    gamma = rescale(fit(EXAMPLES[1][0], 200.0), 100.0)
    assert gamma.sd / gamma.mean == pytest.approx(0.1)
    assert rescale(fit(EXAMPLES[3][0], 0.35), 0.5).fields["sigma"] == 0.36
    assert rescale(fit(EXAMPLES[5][0], 0.53), 0.9).sd == 0.2


@pytest.mark.parametrize(
    ("family", "spec", "value", "edge"),
    [
        ("beta", EXAMPLES[0][0], 0.18, 0.0),
        ("beta", EXAMPLES[0][0], 0.18, 1.0),
        ("gamma", EXAMPLES[1][0], 200.0, 0.0),
        ("gamma", EXAMPLES[2][0], 1.2, 1.0),
    ],
)
def test_at_the_edge_of_its_support_a_distribution_is_fixed(family, spec, value, edge):
    """A probability of 0 or 1, or a gamma at its shift, has no spread left."""
    moved = rescale(fit(spec, value), edge)
    assert (moved.family, moved.mean) == ("fixed", edge)


def test_a_cut_below_the_new_value_is_dropped():
    """A ratio moved above its cut loses the cut, as no median lies above it."""
    moved = rescale(fit(EXAMPLES[4][0], 0.78), 1.76)
    assert moved.fields["upper"] == math.inf
    assert moved.mean > 1.76


@pytest.mark.parametrize(
    ("spec", "value", "text"),
    [
        (EXAMPLES[0][0], 0.18, "beta(18, 82)"),
        (EXAMPLES[2][0], 1.2, "1 + gamma(shape 4, scale 0.05)"),
        (EXAMPLES[4][0], 0.78, "lognormal(median 0.78, log SE 0.2, below 1)"),
        (EXAMPLES[5][0], 0.53, "normal(0.53, SE 0.2)"),
        ({"family": "dirichlet", "n": 50}, None, "dirichlet(n 50)"),
    ],
)
def test_words(spec, value, text):
    """A distribution is told in one line."""
    assert fit(spec, value).describe() == text


def test_a_table_has_no_single_mean():
    """A Dirichlet, or a fixed text, has no mean to show."""
    assert math.isnan(Distribution("dirichlet", {"n": 50}).mean)
    assert math.isnan(fit({"family": "fixed", "reason": "a choice"}, None).mean)


@pytest.mark.parametrize(
    ("spec", "value", "bounds", "share"),
    [
        ({"family": "normal", "se": 900.0}, 1000.0, (0.0, math.inf), 0.13326),
        ({"family": "normal", "se": 0.3}, 0.5, (-math.inf, math.inf), 0.0),
        ({"family": "gamma", "se": 0.3}, 0.4, (0.0, 1.0), 0.04727),
        ({"family": "gamma", "se": 0.3}, 0.4, (0.0, math.inf), 0.0),
        ({"family": "gamma", "se": 0.3, "shift": -1.0}, 0.4, (0.0, math.inf), 0.07875),
        ({"family": "beta", "a": 1, "b": 1}, 0.5, (0.0, 1.0), 0.0),
        ({"family": "lognormal", "se_log": 0.5}, 0.5, (0.0, 1.0), 0.08283),
        ({"family": "lognormal", "se_log": 0.5, "upper": 1.0}, 0.5, (0.0, 1.0), 0.0),
    ],
)
def test_share_outside_bounds(spec, value, bounds, share):
    """The share of a distribution outside bounds, against its own draws."""
    d = fit(spec, value)
    assert d.outside(*bounds) == pytest.approx(share, abs=2e-5)
    drawn = d.draw(np.random.default_rng(3), 200_000)
    assert ((drawn < bounds[0]) | (drawn > bounds[1])).mean() == pytest.approx(share, abs=3e-3)


@pytest.mark.parametrize(
    ("spec", "field"),
    [
        ({"family": "gamma", "se": 1.0, "shift": math.nan}, "shift"),
        ({"family": "lognormal", "se_log": 0.3, "upper": math.inf}, "upper"),
    ],
)
def test_numbers_of_a_family_are_finite(spec, field):
    """A shift or cut that is no finite number is refused by name."""
    with pytest.raises(ParameterError, match=rf"{field} = .*finite"):
        fit(spec, 2.0)
