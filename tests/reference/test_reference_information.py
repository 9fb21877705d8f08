"""Value of information against closed forms: linear-Gaussian, several options, beta-binomial, population factors."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from econmodel.uncertainty.information import appraise, choose_knowing, nested_events, population_factor

EXACT = json.loads((Path(__file__).parent / "data" / "normal_voi.json").read_text(encoding="utf-8"))
DRAWS = 20_000


def worths(benefit, *known):
    return appraise(benefit, [benefit.argmax(axis=1), *(choose_knowing(benefit, list(columns)) for columns in known)], 1)


def agrees(worth, exact):
    """Within three standard errors, which are a twentieth of the value or a sixtieth of all doubt."""
    assert worth.se < max(0.05 * exact, worth.of_all / 60)
    assert abs(worth.value - exact) < 3 * worth.se + 1e-3


def gaussian(rho=0.0, draws=DRAWS, seed=11):
    rng = np.random.default_rng(seed)
    x1, z = rng.standard_normal((2, draws))
    x2 = rho * x1 + np.sqrt(1 - rho**2) * z
    return x1, x2, np.stack([np.zeros(draws), 500 + 1000 * x1 + 600 * x2], axis=1), rng


def test_linear_gaussian():
    """INB = 500 + 1000 X1 + 600 X2: everything, each input, and both (C34); negative control: the values are not each other's."""
    x1, x2, benefit, _ = gaussian()
    exact = EXACT["linear_gaussian"]
    everything, first, second, both = worths(benefit, [x1], [x2], [x1, x2])
    agrees(everything, exact["EVPI"])
    agrees(first, exact["EVPPI_X1"])
    agrees(second, exact["EVPPI_X2"])
    agrees(both, exact["EVPI"])
    assert abs(first.value - exact["EVPPI_X2"]) > 10 * first.se
    chosen = choose_knowing(benefit, [x1, x2])
    assert float((chosen == 1).mean()) == pytest.approx(exact["P_cost_effective"], abs=0.015)


@pytest.mark.parametrize("rho", [0.5, -0.5])
def test_correlated_inputs(rho):
    """Correlation of a half either way: what one input tells of the other counts (C34)."""
    x1, x2, benefit, _ = gaussian(rho)
    exact = EXACT["correlated"][str(rho)]
    everything, first, second = worths(benefit, [x1], [x2])
    agrees(everything, exact["EVPI"])
    agrees(first, exact["EVPPI_X1"])
    agrees(second, exact["EVPPI_X2"])


def test_sample_information_of_a_mean():
    """Some observations of X1 with SD 3: value by size, rising, below that of knowing X1 (C34)."""
    x1, _, benefit, rng = gaussian()
    exact = EXACT["linear_gaussian"]["EVSI_X1_obs_sd3"]
    sizes = (5, 9, 25, 50, 100, 500)
    data, total, seen = [], np.zeros(DRAWS), 0
    for n in sizes:
        total, seen = total + (n - seen) * x1 + 3 * np.sqrt(n - seen) * rng.standard_normal(DRAWS), n
        data.append([total / n])
    _, *found, known = worths(benefit, *data, [x1])
    for n, worth in zip(sizes, found, strict=True):
        agrees(worth, exact[str(n)])
    for smaller, larger in zip(found, [*found[1:], known], strict=True):
        assert smaller.value < larger.value + larger.se


def test_several_options():
    """Alike options, and three that differ: everything, and each option's own value (C35)."""
    rng = np.random.default_rng(7)
    for n, exact in EXACT["iid_normal_options"].items():
        agrees(worths(rng.standard_normal((DRAWS, int(n))))[0], exact)
    case = EXACT["three_options_independent"]
    benefit = np.array(case["means"]) + np.array(case["sds"]) * rng.standard_normal((DRAWS, 3))
    everything, *each = worths(benefit, *([benefit[:, i]] for i in range(3)))
    agrees(everything, case["EVPI"])
    for i, worth in enumerate(each, start=1):
        agrees(worth, case[f"EVPPI_option{i}"])


def test_beta_binomial():
    """A study of n patients under Beta(4, 12): exact sums (C37); no patient, no value."""
    rng = np.random.default_rng(3)
    risk = rng.beta(4, 12, DRAWS)
    benefit = np.stack([np.zeros(DRAWS), 10_000 * (0.5 - risk) - 2000], axis=1)
    sizes = (0, 5, 10, 20, 50, 100, 200)
    everything, none, *found = worths(benefit, *([events] for events in nested_events(risk, sizes, rng)))
    agrees(everything, EXACT["beta_binomial"]["EVPI"])
    assert none.value == 0.0
    for n, worth in zip(sizes[1:], found, strict=True):
        agrees(worth, EXACT["beta_binomial"]["EVSI"][str(n)])


def test_error_shrinks_with_draws():
    """Monte Carlo error of the value of knowing everything: 16.3 at 1,000 draws and 5.06 at 10,000 (C40), as the bootstrap says."""
    for draws, exact in ((1000, 16.3), (10_000, 5.06)):
        found = worths(gaussian(draws=draws)[2])[0]
        assert found.se == pytest.approx(exact, rel=0.25)


def test_population_factors():
    """Ten years at 3.5%, patients coming evenly: 8.461311 (C39); the whole-year forms lie on either side."""
    exact = EXACT["population_factor_10y_3p5pct"]
    assert population_factor(10, 0.035) == pytest.approx(exact["continuous"], abs=1e-6)
    assert exact["end_of_year"] < population_factor(10, 0.035) < exact["start_of_year"]


def test_nested_simulation_of_a_small_problem():
    """A curved problem without closed form: the regression agrees with simulating within each value of what is known."""

    def net(x, y):
        return np.stack([np.zeros_like(x * y), 2.0 * np.exp(0.6 * x) - 2.2 + x * y, 0.8 * y**2 - 0.6 + 0 * x], axis=-1)

    rng = np.random.default_rng(9)
    x, y = rng.standard_normal((2, DRAWS))
    benefit = net(x, y)
    outer, inner = rng.standard_normal(500), rng.standard_normal((500, 2000))
    conditional = net(outer[:, None], inner).mean(axis=1)
    gain = conditional.max(axis=1) - conditional[:, benefit.mean(axis=0).argmax()]
    found = worths(benefit, [x])[1]
    assert abs(found.value - gain.mean()) < 3 * np.hypot(found.se, gain.std() / np.sqrt(len(gain)))
    assert found.value > 10 * found.se
