"""NNT has no finite mean under a probabilistic analysis (reference case from own computation).

Two risks p0 ~ Beta(8, 8), p1 ~ Beta(4, 12): P(ARR < 0) = 0.064068 and 1 / E[ARR] = 4.000; the mean of 1/ARR wanders
without settling. Common practice, no source.

Convergence: Hatswell 2018 (PubMed 30051268) judges the number of runs by the variance of the outcome. The rule used, stop
when 1.96 standard errors of mean incremental net benefit are small beside its size and the best option is the same in
independent runs, is common practice, no source; so is the tenth that counts as small.
"""

from __future__ import annotations

import numpy as np
import pytest

from econmodel.evidence.nnt import nnt_from_draws
from econmodel.parameters.distributions import fit
from econmodel.parameters.loading import load_case
from econmodel.uncertainty.probabilistic import HEADLINE, SUMMED, Psa
from econmodel.uncertainty.risk import convergence, stability, summarise


def draws(n: int, seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return fit({"family": "beta", "a": 8.0, "b": 8.0}, 0.5).draw(rng, n) - fit({"family": "beta", "a": 4.0, "b": 12.0}, 0.25).draw(
        rng, n
    )


def test_one_over_the_mean_reduction() -> None:
    """1 / mean(ARR) is 4.0, and the chance of harm 6.4 %."""
    arr = draws(400_000, 1)
    assert nnt_from_draws(arr).value == pytest.approx(4.0, abs=0.01)
    assert (arr < 0).mean() == pytest.approx(0.064068, abs=0.0015)


def test_mean_of_nnt_does_not_settle() -> None:
    """Negative control: block means of 1/ARR differ by far more than those of ARR."""
    arr = draws(3_000, 2).reshape(3, 1_000)
    wander = np.ptp((1 / arr).mean(axis=1))
    assert wander > 20 * np.ptp(arr.mean(axis=1))


def test_monte_carlo_error_falls_with_the_root_of_draws() -> None:
    """Standard error of a mean is sd / sqrt(n)."""
    arr = draws(10_000, 3)
    assert summarise(arr).se == pytest.approx(arr.std(ddof=1) / 100.0)


def analysis(benefit: np.ndarray) -> Psa:
    """Draws of two strategies that cost the same and differ in QALYs by ``benefit`` over the threshold."""
    parameters, level = load_case().parameters, np.zeros((len(benefit), 2))
    gained = level.copy()
    gained[:, 1] = benefit / parameters.number("willingness_to_pay")
    level_ones = {f"{name}{suffix}": level for name in SUMMED for suffix in ("", HEADLINE)}
    outcomes = level_ones | {"qalys": gained, "first_bleed_risk_3": np.tile([0.3, 0.2], (len(benefit), 1))}
    return Psa(parameters, ("watch", "glue"), (3,), 5, 1, False, outcomes, ("watch",))


@pytest.mark.parametrize(("draws_run", "suffice"), [(1_500, False), (1_600, True)])
def test_draws_suffice_when_the_error_is_a_twentieth_of_the_spread(draws_run: int, suffice: bool) -> None:
    """A benefit of mean 1 and standard deviation 3.27 needs (1.96 / 0.05) squared = 1,537 draws: its spread is the larger."""
    half = np.full(draws_run // 2, 3.27)
    found = convergence(analysis(np.concatenate([1 + half, 1 - half])), "glue", "watch")
    assert found.sufficient is suffice
    assert found.relative_error == pytest.approx(1.96 * 3.27 / np.sqrt(draws_run), rel=1e-3)
    assert found.se["nnt_3_years"] == pytest.approx(0.0, abs=1e-9)
    assert found.running["nnt_3_years"][-1] == pytest.approx(10.0)


def test_the_best_option_must_be_the_same_in_each_part() -> None:
    """An option best in every quarter is stable; one that loses a quarter is not, though it wins over all."""
    assert stability(analysis(np.full(40, 2.0))).stable
    lost = np.repeat([5.0, 5.0, -1.0, 5.0], 10)
    found = stability(analysis(lost))
    assert (found.best, found.stable) == ("glue", False)
    assert found.best_by_part == ("glue", "glue", "watch", "glue")
    assert "close" in found.sentence
