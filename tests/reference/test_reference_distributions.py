"""Fits of distributions against published formulas.

Formulas: NICE clinical guideline 144, appendix H (NCBI Bookshelf NBK132804). Inputs of the worked numbers: the hip
replacement example of Briggs, Claxton & Sculpher 2006, from memory; numbers computed.
"""

import json
import math
from pathlib import Path

import numpy as np
import pytest

from econmodel.parameters.distributions import fit

DATA = Path(__file__).parent / "data"
FITS = json.loads((DATA / "mom_fits.json").read_text(encoding="utf-8"))
UNIFORM = (np.arange(200_000) + 0.5) / 200_000


@pytest.mark.parametrize(
    ("mean", "se", "key"), [(0.85, 0.03, "mean0.85_se0.03"), (0.75, 0.04, "mean0.75_se0.04"), (0.30, 0.03, "mean0.30_se0.03")]
)
def test_beta_from_mean_and_standard_error(mean, se, key):
    """Beta(119.5667, 21.1), Beta(87.1406, 29.0469) and Beta(69.7, 162.6333) (computed, 1e-6)."""
    found = fit({"family": "beta", "se": se}, mean)
    assert [found.fields["a"], found.fields["b"]] == pytest.approx(FITS["beta"][key], abs=1e-6)
    assert (found.mean, found.sd) == pytest.approx((mean, se), rel=1e-12)
    draws = found.ppf(UNIFORM)
    assert (draws.mean(), draws.std()) == pytest.approx((mean, se), abs=1e-5)
    assert fit({"family": "beta", "se": 1.01 * se}, mean).fields["a"] != pytest.approx(found.fields["a"], rel=1e-3)


def test_gamma_from_mean_and_standard_error():
    """Gamma of mean 5,294 and se 1,487: shape 12.674941, scale 417.674537 (computed, 1e-6)."""
    found, expected = fit({"family": "gamma", "se": 1487.0}, 5294.0), FITS["gamma"]["mean5294_se1487"]
    assert found.fields["shape"] == pytest.approx(expected["shape"], abs=1e-6)
    assert found.fields["scale"] == pytest.approx(expected["scale"], abs=1e-6)
    draws = found.ppf(UNIFORM)
    assert (draws.mean(), draws.std()) == pytest.approx((5294, 1487), rel=1e-4)
    assert found.fields["shape"] != pytest.approx(5294 / 1487, rel=0.1)


def test_shifted_gamma_keeps_mean_and_standard_error():
    """Sessions of a course, 1 + gamma: mean 1.5 and se 0.25 are of the whole, and nothing falls below 1."""
    found = fit({"family": "gamma", "shift": 1.0, "se": 0.25}, 1.5)
    draws = found.ppf(UNIFORM)
    assert (draws.mean(), draws.std(), found.mean, found.sd) == pytest.approx((1.5, 0.25, 1.5, 0.25), rel=1e-4)
    assert draws.min() >= 1.0


def test_lognormal_from_an_interval():
    """Relative risk 0.509 (0.365 to 0.710): mu -0.675307, sigma 0.169740, mean 0.516386, not 0.509 (1e-6).

    The guideline prints the divisor without brackets; read literally, sigma would be nearly four times as large.
    """
    sigma = (math.log(0.710) - math.log(0.365)) / (2 * 1.959964)
    found = fit({"family": "lognormal", "se_log": sigma}, 0.509)
    expected = FITS["lognormal_rr"]["rr0.509_ci0.365_0.710"]
    assert [found.fields["mu"], found.fields["sigma"]] == pytest.approx([expected["mu"], expected["sigma"]], abs=1e-6)
    assert found.mean == pytest.approx(0.516386, abs=5e-7)
    assert found.mean != pytest.approx(0.509, abs=1e-3)
    assert float(found.ppf(np.array(0.5))) == pytest.approx(0.509, rel=1e-12)
    ends = found.ppf(np.array([0.025, 0.975]))
    assert ends == pytest.approx([0.365, 0.710], abs=5e-4)
    literal = (math.log(0.710) - math.log(0.365)) / 2 * 1.96
    assert literal / sigma == pytest.approx(3.84, abs=0.01)


def test_truncated_lognormal_has_the_mean_of_its_draws():
    """A ratio cut at 1: no draw above it, and the stated mean is that of the draws (no source)."""
    found = fit({"family": "lognormal", "se_log": 0.35, "upper": 1.0}, 0.6)
    draws = found.ppf(UNIFORM)
    assert draws.max() <= 1.0
    assert draws.mean() == pytest.approx(found.mean, rel=1e-4)
    assert found.mean < fit({"family": "lognormal", "se_log": 0.35}, 0.6).mean


def test_normal_quantiles():
    """A normal coefficient: 1.96 standard errors either side hold 95% (textbook)."""
    found = fit({"family": "normal", "se": 0.2}, 0.53)
    assert found.ppf(np.array([0.025, 0.5, 0.975])) == pytest.approx([0.53 - 0.391993, 0.53, 0.53 + 0.391993], abs=1e-6)
