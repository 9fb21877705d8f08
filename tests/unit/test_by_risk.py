"""Whom to treat, by risk: at each threshold the difference is nil, and on its two sides it is as said."""

from __future__ import annotations

import math

import pytest
from scipy.optimize import brentq

from econmodel.economics.evaluate import evaluate
from econmodel.model.inputs import resolve
from econmodel.parameters.loading import demo_file, load_case
from econmodel.parameters.overrides import set_value
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.programme.by_risk import RISK, TreatByRisk, treat_by_risk
from econmodel.reporting.tables.by_risk import by_risk_sentences

LEAD, USUAL = "coil_and_glue", "beta_blocker"


@pytest.fixture(scope="module")
def demo() -> ParameterSet:
    return load_case(demo_file()).parameters


@pytest.fixture(scope="module")
def found(demo: ParameterSet) -> TreatByRisk:
    return treat_by_risk(demo)


@pytest.fixture(scope="module")
def tight(demo: ParameterSet) -> ParameterSet:
    """A threshold between what the lead costs per QALY in the first group (18,543) and in all others."""
    return set_value(demo, "willingness_to_pay=18300")


def test_nothing_is_gained_at_a_strategy_threshold(demo: ParameterSet, found: TreatByRisk) -> None:
    """The case run at the listed risk: life-years, and net benefit, of each strategy equal those of usual care."""
    for row in found.strategies:
        for turn, gain in ((row.life_years, "incremental_life_years"), (row.net_benefit, "net_monetary_benefit")):
            assert turn.risk is not None
            assert turn.above
            sides = [
                getattr(
                    evaluate(set_value(demo.evidence_held(), f"{RISK}={turn.risk + step!r}")).compare_means(row.strategy, USUAL), gain
                )
                for step in (-1e-4, 1e-4)
            ]
            assert sides[0] < 0 < sides[1], row


def test_group_threshold_is_in_the_groups_own_risk(demo: ParameterSet, found: TreatByRisk) -> None:
    """The group gains as its own results say; the case brought to where the group's own risk is the threshold gains nothing in it."""
    held, group = demo.evidence_held(), found.groups[0]
    assert group.net_benefit == pytest.approx(evaluate(demo).compare_means(LEAD, USUAL, group=1).net_monetary_benefit, rel=1e-9)
    assert group.risk == pytest.approx(-math.expm1(-float(evaluate(demo).inputs.r_first_bleed[0])), rel=1e-12)
    assert group.turn.risk is not None

    def apart(risk: float) -> float:
        return -math.expm1(-float(resolve(set_value(held, f"{RISK}={risk!r}")).r_first_bleed[0])) - group.turn.risk

    level = brentq(apart, 0.05, 0.59, xtol=1e-10)
    gain = evaluate(set_value(held, f"{RISK}={level!r}")).compare_means(LEAD, USUAL, group=1).net_monetary_benefit
    assert abs(gain) < 1.0 < abs(group.net_benefit)


def test_choosing_by_risk_is_worth_what_is_not_lost(tight: ParameterSet, found: TreatByRisk) -> None:
    """The gain of choosing is the loss avoided in the groups left out: never below 0, and none where all gain."""
    assert all(g.net_benefit > 0 for g in found.groups)
    assert found.treat_some == pytest.approx(found.treat_all)
    found = treat_by_risk(tight)
    lost = sum(g.share * g.net_benefit for g in found.groups if g.net_benefit < 0)
    assert found.treat_some - found.treat_all == pytest.approx(-lost)
    assert lost < 0
    assert [g.net_benefit <= 0 for g in found.groups] == [g.turn.risk is not None and g.risk < g.turn.risk for g in found.groups]


def test_person_years_settle(demo: ParameterSet, found: TreatByRisk) -> None:
    """After so many person-years at today's risk, the posterior interval of the log rate just leaves the threshold out.

    Negative control: a site that typed its own risk has nothing left to settle.
    """
    turn = next(s.net_benefit.risk for s in found.strategies if s.strategy == LEAD)
    assert turn is not None
    assert found.person_years is not None
    prior = sum(demo[name].distribution.sd ** 2 for name in ("log_rate_mean", "log_rate_site"))
    rate, other = (-math.log1p(-x) for x in (found.now, turn))
    sd = (1 / prior + found.person_years * rate) ** -0.5
    assert 1.96 * sd == pytest.approx(abs(math.log(rate / other)))
    assert treat_by_risk(set_value(demo, f"{RISK}=0.2")).person_years is None


def test_sentences_name_who_is_left_out(demo: ParameterSet, tight: ParameterSet, found: TreatByRisk) -> None:
    """A group below its threshold is named; with a threshold of nothing for a QALY no group gains."""
    assert "Child A, no red spot (44% of patients)" in by_risk_sentences(tight, treat_by_risk(tight))[0]
    assert "is worth its price in every patient group" in by_risk_sentences(demo, found)[0]
    poor = set_value(demo, "willingness_to_pay=1000")
    none = treat_by_risk(poor)
    assert none.treat_some == 0.0 > none.treat_all
    assert "is not worth its price in: Child A, no red spot" in by_risk_sentences(poor, none)[0]
