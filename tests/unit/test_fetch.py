"""What to find out first: shares are those of known sums, and only what is not yet known is asked for."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from econmodel.parameters.loading import demo_file, load_case
from econmodel.programme.fetch import ASK, KNOWN, ToFetch, first_to_fetch
from econmodel.uncertainty.information import share_explained
from econmodel.uncertainty.probabilistic import Psa, run_psa

WHO = {"c_coordinator": "staff", "c_bleed_mean": "costing", "payment_bleed_mean": "contracts"}


@pytest.fixture(scope="module")
def psa() -> Psa:
    return run_psa(load_case(demo_file(), (), ["effect_basis=intention_to_treat"]).parameters, 150, seed=3)


@pytest.fixture(scope="module")
def found(psa: Psa) -> ToFetch:
    return first_to_fetch(psa, "coil_and_glue", "beta_blocker", WHO)


def test_shares_of_a_sum_are_its_parts() -> None:
    """Y = a + 2 b + noise of variance 5: a explains a tenth, b four tenths, both together a half; a bystander nothing.

    A setting of two choices explains what its groups' means do.
    """
    rng = np.random.default_rng(1)
    a, b, bystander, noise = rng.normal(size=(4, 20_000))
    y = a + 2 * b + np.sqrt(5) * noise
    assert share_explained([a], y) == pytest.approx(0.1, abs=0.01)
    assert share_explained([b], y) == pytest.approx(0.4, abs=0.015)
    assert share_explained([a, b], y) == pytest.approx(0.5, abs=0.015)
    assert share_explained([bystander], y) < 0.002
    assert share_explained([np.ones_like(a)], y) == 0.0
    side = (a > 0).astype(np.int64)
    assert share_explained([side], a) == pytest.approx(2 / np.pi, abs=0.01)


def test_only_what_is_not_known_is_asked_for(psa: Psa, found: ToFetch) -> None:
    """Those asked are on the form, the others are not; none is local or published; by score, at most twelve."""
    assert {row.name for row in found.ask_here} <= set(WHO)
    assert not {row.name for row in found.only_research} & set(WHO)
    rows = [*found.ask_here, *found.only_research]
    assert rows
    assert all(row.status not in KNOWN and psa.parameters[row.name].status == row.status for row in rows)
    for part in (found.ask_here, found.only_research):
        assert [row.score for row in part] == sorted((row.score for row in part), reverse=True)
        assert len(part) <= ASK


def test_the_level_of_bleeding_leads_and_its_view_stands_with_it(found: ToFetch) -> None:
    """The untreated level holds most; what is derived from it is no row of its own."""
    first = {row.name for row in found.only_research[:3]}
    assert first & {"log_rate_mean", "log_rate_site"}
    assert "p_first_bleed_year_1" not in {row.name for row in found.only_research}


def test_a_local_value_is_not_asked_for_again(psa: Psa, found: ToFetch) -> None:
    """Negative control: the same draws, with the first input asked for marked as the site's own."""
    name = found.ask_here[0].name
    local = replace(psa.parameters, parameters=psa.parameters.parameters | {name: replace(psa.parameters[name], status="local")})
    again = first_to_fetch(replace(psa, parameters=local), "coil_and_glue", "beta_blocker", WHO)
    assert name not in {row.name for row in again.ask_here}
