"""All inputs varied together: intervals, probabilities, acceptability and convergence."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from econmodel.economics.evaluate import evaluate
from econmodel.evidence.nnt import nnt_from_draws
from econmodel.parameters.distributions import fixed
from econmodel.parameters.loading import load_case
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.structures import fix_structure
from econmodel.uncertainty.probabilistic import Psa, run_psa
from econmodel.uncertainty.risk import acceptability, risk_of, standard_error
from econmodel.wording import lower


@pytest.fixture(scope="module")
def parameters() -> ParameterSet:
    return load_case().parameters


@pytest.fixture(scope="module")
def psa(parameters: ParameterSet) -> Psa:
    return run_psa(parameters, 120, seed=9)


def test_zero_variance_equals_deterministic(parameters: ParameterSet) -> None:
    """With every distribution fixed, each draw is the deterministic result."""
    still = {
        n: replace(p, distribution=fixed(float(p.value), "test"), spread=None) if p.is_numeric and p.is_uncertain else p
        for n, p in fix_structure(parameters, ["base"]).parameters.items()
    }
    result = run_psa(replace(parameters, parameters=still), 3, seed=1)
    base = evaluate(parameters, yearly=False, by_group=False)
    assert result.outcomes["cost"] == pytest.approx(np.repeat(base.cost()[:, :, 0], 3, axis=0), rel=1e-12)
    assert result.outcomes["qalys"] == pytest.approx(np.repeat(base.qalys()[:, :, 0], 3, axis=0), rel=1e-12)


def test_same_seed_same_result_whatever_the_block(parameters: ParameterSet, psa: Psa) -> None:
    """Blocks do not change results; another seed agrees within Monte Carlo error."""
    again = run_psa(parameters, 120, seed=9, block=17)
    assert all(np.allclose(again.outcomes[n], psa.outcomes[n], rtol=1e-12, atol=1e-14) for n in psa.outcomes)
    other = run_psa(parameters, 120, seed=10)
    gap, mine = (p.compare("glue", "watch").incremental_cost for p in (other, psa))
    error = np.hypot(gap.std() / np.sqrt(len(gap)), mine.std() / np.sqrt(len(mine)))
    assert 0 < abs(gap.mean() - mine.mean()) < 5 * error


def test_acceptability_sums_to_one_and_frontier_follows_the_mean(psa: Psa) -> None:
    """At each threshold probabilities sum to 1; the frontier names the best mean net benefit."""
    assert psa.acceptability.sum(axis=1) == pytest.approx(1.0)
    for point in acceptability(psa).frontier:
        best = psa.net_benefit(point.threshold).mean(axis=0).argmax()
        assert point.key == psa.keys[int(best)]


def test_net_benefit_at_zero_threshold_is_minus_cost(psa: Psa) -> None:
    """A QALY worth nothing leaves minus the cost."""
    assert np.array_equal(psa.net_benefit(0.0), -psa.outcomes["cost"])


def test_document_holds_the_contract(psa: Psa) -> None:
    """The block names outcome, strategy and mean, low, high, se; a comparison has NNT by 1/mean(ARR)."""
    document = risk_of(psa).to_json()
    assert set(document["cost"]["glue"]) == {"mean", "low", "high", "se"}
    assert sum(document["probability_cost_effective"].values()) == pytest.approx(1.0)
    block = document["comparisons"]["watch"]["glue"]
    arr = psa.compare("glue", "watch").arr[3]
    assert block["nnt"]["3"]["value"] == pytest.approx(1 / arr.mean())
    assert {"watch", "beta_blocker"} <= set(document["comparisons"])
    assert document["convergence"]["watch"]["glue"]["sentence"].startswith("Direct endoscopic glue against no prophylaxis: 120 draws")


def test_draws_never_suffice_where_their_own_diagnostics_say_otherwise(psa: Psa) -> None:
    """Each sentence names its comparison, and says "suffice" exactly where every mean and sign is settled."""
    risk, names = risk_of(psa), psa.parameters.strategies
    seen = set()
    for versus, block in risk.convergence.items():
        for key, found in block.items():
            assert found.sentence.startswith(f"{names[key].label} against {lower(names[versus].label)}: ")
            fine = all(one.sufficient and one.sign_settled for one in found.outcomes.values())
            assert ("suffice" in found.sentence) is fine is (found.sufficient and found.settled)
            seen.add(fine)
    assert False in seen
    said = risk.sentences("watch", "glue")
    assert said[0] == risk.convergence["watch"]["glue"].sentence
    assert {lower(names[k].label) in said[-1] for k, c in risk.convergence["watch"].items() if k != "glue" and not c.settled} <= {True}


def test_error_of_sobol_points_is_that_of_the_means_of_their_scramblings() -> None:
    """Points of a sequence are not independent: eight means of 100 draws that differ between sequences alone."""
    level = np.repeat(np.arange(8.0), 100)
    assert standard_error(level, 8) == pytest.approx(np.arange(8.0).std(ddof=1) / np.sqrt(8))
    assert standard_error(level) < 0.11 < standard_error(level, 8)


def test_nnt_interval_runs_through_infinity() -> None:
    """Draws of ARR on both sides of 0 give NNTB to infinity to NNTH, never a mean of 1/ARR."""
    found = nnt_from_draws(np.array([-0.05, 0.1, 0.15, 0.2] * 50))
    assert found.value == pytest.approx(10.0)
    assert "∞" in found.interval_text
    assert "NNTH" in found.interval_text


def test_progress_is_told(parameters: ParameterSet) -> None:
    """Progress counts draws up to all of them."""
    seen: list[int] = []
    run_psa(parameters, 10, seed=1, block=4, progress=lambda done, wanted: seen.append(done))
    assert seen == sorted(set(seen))
    assert seen[-1] == 10
