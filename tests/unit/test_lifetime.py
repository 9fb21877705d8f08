"""Bleeds over the horizon that put strategies in another order than those of the headline years."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest

from econmodel.economics.lifetime import lifetime_swaps
from econmodel.economics.results import Results
from econmodel.parameters.loading import load_case
from econmodel.reporting.papers.phrases import lifetime_sentences
from econmodel.workflow import answer


@cache
def results(*sets: str) -> Results:
    return answer(load_case(sets=list(sets))).results


def test_a_change_of_order_is_told_of_the_pair() -> None:
    """An occlusion that hardly ever reopens overtakes over the lifetime what it lags at five years."""
    found = lifetime_swaps(results("r_recurrence_transvenous=0.001", "hr_transvenous=0.45"))
    assert found
    for swap in found:
        assert swap.headline[0] > swap.headline[1]
        assert swap.whole[0] < swap.whole[1]
        assert [nnt.kind for nnt in swap.nnt] == (["NNTH", "NNTB"] if swap.counted == "first bleeds" else [])


def test_a_change_of_sign_is_a_change_of_order_with_the_comparator() -> None:
    """A drug that averts bleeds at five years and brings more over the lifetime."""
    case = results()
    watch, drug = "watch", "beta_blocker"
    found = case.comparisons[watch][drug]
    worse = replace(found.whole, strategy=replace(found.whole.strategy, bleeds=found.whole.comparator.bleeds + 0.1))
    against = {watch: dict(case.comparisons[watch]) | {drug: replace(found, whole=worse)}}
    turned = replace(case, whole=replace(case.whole, comparisons={**case.comparisons, **against}))
    (swap,) = [s for s in lifetime_swaps(turned) if {s.ahead, s.behind} == {watch, drug}]
    assert (swap.ahead, swap.counted) == (watch, "bleeds")
    assert any("no prophylaxis has fewer bleeds than non-selective beta-blocker" in said for said in lifetime_sentences(turned))


@pytest.mark.parametrize("sets", [("horizon_years=5",), ("horizon_years=3",)])
def test_nothing_is_told_where_the_horizon_is_no_longer(sets: tuple[str, ...]) -> None:
    """Negative control: the headline years are the horizon."""
    assert lifetime_swaps(results(*sets)) == ()
    assert lifetime_sentences(results(*sets)) == ()
