"""Properties of the programme's budget that hold whatever the activity and inputs are."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from econmodel.economics.activity import PROFILED
from econmodel.model.inputs import base_values
from econmodel.parameters.catalogue import CATEGORY
from econmodel.parameters.loading import load_base_case
from econmodel.programme.budget import Budget, run_budget
from econmodel.programme.input_tables import Site
from econmodel.programme.inputs import ProgrammeInputs, read_inputs
from econmodel.programme.intake import convolve, programme_activity
from econmodel.programme.money.finance import real_rate
from econmodel.programme.money.rows import MONEY_ROWS
from econmodel.programme.site_budgets import money_by_place

STRATEGIES = ("watch", "beta_blocker", "glue", "coil_and_glue")
PRICED = tuple(CATEGORY)


@dataclass(frozen=True)
class Profiles:
    """Activity per start, made up."""

    activities: tuple[str, ...]
    strategies: tuple[str, ...]
    counts: np.ndarray


@dataclass(frozen=True)
class Prices:
    """Price list, made up."""

    activities: tuple[str, ...]
    full_cost: np.ndarray
    variable_share: np.ndarray
    payment: np.ndarray


def make_profiles(seed: int, draws: int = 1, months: int = 84) -> Profiles:
    rng = np.random.default_rng(seed)
    return Profiles(PROFILED, STRATEGIES, rng.uniform(0, 0.02, (draws, len(STRATEGIES), months, len(PROFILED))))


def make_prices(seed: int, draws: int = 1) -> Prices:
    rng = np.random.default_rng(seed + 1)
    shape = (draws, len(PRICED))
    return Prices(PRICED, rng.uniform(10, 9000, shape), rng.uniform(0.1, 1, shape), rng.uniform(0, 9000, shape))


PARAMETERS = load_base_case("us")
BASE = read_inputs(PARAMETERS, base_values(PARAMETERS))
AMPLE = BASE.changed(n_session_slots=1e6, n_start_delay_months=0, ramp=(1.0,))
LINEAR_ROWS = ("R1", "R2", "R3", "R4", "R5", "R6", "R7", "R8", "R9", "R10", "R11", "R16", "R20")
SEEDS = st.integers(0, 10_000)
ENDINGS = ("going_concern", "closure")


def run(inputs: ProgrammeInputs, seed: int, draws: int = 1) -> Budget:
    return run_budget(inputs, make_profiles(seed, draws), make_prices(seed, draws), CATEGORY)


@given(SEEDS, st.sampled_from(["existing", "purchase"]))
@settings(max_examples=20, deadline=None)
def test_equal_mixes_give_zero_in_every_row(seed: int, basis: str) -> None:
    """A proposal equal to current care is no programme: every row is exactly zero, fixed cost and capital too."""
    budget = run(BASE.changed(proposed_mix=dict(BASE.current_mix), capital_basis=basis), seed)
    for row, values in budget.years.items():
        assert np.all(values == 0), row


def test_nearly_equal_mixes_do_not() -> None:
    """Negative control: a slightly different proposal moves the rows."""
    budget = run(BASE.changed(proposed_mix={"watch": 0.46, "beta_blocker": 0.54}), 1)
    assert np.any(budget.years["R3"] != 0)
    assert np.any(budget.years["R13"] != 0)


@given(SEEDS, st.floats(0.1, 4.0), st.sampled_from(["n_endoscoped", "share_accepting"]))
@settings(max_examples=25, deadline=None)
def test_linear_in_eligible_and_uptake_below_capacity(seed: int, factor: float, name: str) -> None:
    """With slots to spare, activity and contribution scale with eligible patients and with acceptance."""
    plain = AMPLE.changed(n_referred_in=0.0, n_treated_elsewhere=0.0, n_backlog=0.0, share_accepting=0.2)
    one, many = run(plain, seed), run(plain.changed(**{name: factor * getattr(plain, name)}), seed)
    for row in LINEAR_ROWS:
        np.testing.assert_allclose(many.years[row], factor * one.years[row], rtol=1e-9, atol=1e-7, err_msg=row)


def test_not_linear_above_capacity() -> None:
    """Negative control: where slots run out, twice the patients are not twice the starts."""
    tight = BASE.changed(n_session_slots=1.0)
    assert run(tight.changed(n_endoscoped=1400.0), 1).totals["R1"] < 1.9 * run(tight, 1).totals["R1"]


@given(
    SEEDS, st.floats(0, 0.4), st.sampled_from(["existing", "purchase"]), st.sampled_from(["nominal", "real"]), st.sampled_from(ENDINGS)
)
@settings(max_examples=25, deadline=None)
def test_rows_sum(seed: int, tax: float, basis: str, cash: str, end: str) -> None:
    """Months sum to quarters and years; years to totals; R6, R11, R14, R18 and R19 follow their formulas."""
    budget = run(BASE.changed(share_tax=tax, capital_basis=basis, cash_basis=cash, at_end=end), seed)
    y = budget.years
    for row in (*MONEY_ROWS, "R1", "R2", "R3", "R20"):
        np.testing.assert_allclose(budget.months[row].reshape(1, 5, 12).sum(axis=2), y[row][:, 1:], atol=1e-6)
        np.testing.assert_allclose(budget.quarters[row].reshape(1, 5, 4).sum(axis=2), y[row][:, 1:], atol=1e-6)
        np.testing.assert_allclose(y[row].sum(axis=1), budget.totals[row], atol=1e-6)
    np.testing.assert_allclose(y["R6"], y["R4"] - y["R5"], atol=1e-6)
    np.testing.assert_allclose(y["R11"], y["R6"] + y["R4h"] - y["R6h"] + y["R7"] - y["R8"] + y["R9"] - y["R10"], atol=1e-6)
    np.testing.assert_allclose(y["R14"], y["R11"] - y["R12"] - y["R13"], atol=1e-6)
    np.testing.assert_allclose(y["R18"], y["R14"] - y["R15"] - y["R16"] - y["R17"], atol=1e-6)
    np.testing.assert_allclose(y["R19"], y["R18"].cumsum(axis=1), atol=1e-6)
    np.testing.assert_allclose(budget.npv_cash, y["R19_present_value"].sum(axis=1), atol=1e-6)
    np.testing.assert_allclose(budget.quarters["R19"][:, 3::4], y["R19"][:, 1:], atol=1e-6)


@given(SEEDS)
@settings(max_examples=20, deadline=None)
def test_working_capital_returns_to_zero(seed: int) -> None:
    """What working capital takes is released by a closure; a going concern is owed it."""
    assert run(BASE.changed(at_end="closure"), seed).totals["R16"] == pytest.approx(0.0, abs=1e-6)
    going = run(BASE, seed)
    at_end = (1.0 + BASE.discount_finance[0]) ** -5
    assert going.totals["R16"][0] * at_end == pytest.approx(going.after_the_end.debtors[0])


@given(SEEDS, st.integers(0, 59))
@settings(max_examples=25, deadline=None)
def test_starters_of_a_month_carry_their_own_first_year(seed: int, month: int) -> None:
    """One patient who starts in a month brings the profile from its first month on, and nothing before."""
    profile = make_profiles(seed).counts[:, 2]
    starts = np.zeros((1, 60))
    starts[0, month] = 1.0
    activity = convolve(starts, profile)
    assert np.all(activity[:, :month] == 0)
    np.testing.assert_allclose(activity[:, month:], profile[:, : 60 - month], rtol=1e-12)


@given(SEEDS, st.floats(1, 50))
@settings(max_examples=25, deadline=None)
def test_one_closed_cohort_is_n_times_the_increment(seed: int, n: float) -> None:
    """All patients at once, undiscounted: activity by year is N x the difference of the mixes' profiles."""
    profiles = make_profiles(seed)
    starts = np.zeros((1, 60))
    starts[0, 0] = n
    activity = programme_activity(BASE, profiles, starts)
    weight = np.array([BASE.proposed_mix.get(s, 0.0) - BASE.current_mix.get(s, 0.0) for s in STRATEGIES])
    increment = np.einsum("s,dsma->dma", weight, profiles.counts)
    np.testing.assert_allclose(activity.change, n * increment[:, :60], atol=1e-12)
    np.testing.assert_allclose(activity.run_off, n * increment[:, 60:96], atol=1e-12)


@given(SEEDS, st.floats(0, 0.08), st.floats(0, 0.35), st.sampled_from(["existing", "purchase"]), st.sampled_from(ENDINGS))
@settings(max_examples=30, deadline=None)
def test_nominal_and_real_give_the_same_npv(seed: int, inflation: float, tax: float, basis: str, end: str) -> None:
    """Shown in real money, or stated in real rates and escalators, the net present value is the same."""
    nominal = BASE.changed(r_inflation=inflation, share_tax=tax, capital_basis=basis, at_end=end, first_year=2028)
    names = ("discount_finance", "r_escalator_pay", "r_escalator_devices", "r_escalator_tariff")
    real = {name: real_rate(getattr(nominal, name), inflation) for name in names}
    stated = nominal.changed(finance_rate_basis="real", escalator_basis="real", **real)
    npv = run(nominal, seed).npv_cash
    for same in (nominal.changed(cash_basis="real"), stated, stated.changed(cash_basis="real")):
        np.testing.assert_allclose(run(same, seed).npv_cash, npv, rtol=1e-9, atol=1e-5)


def test_a_mixture_of_nominal_and_real_does_not() -> None:
    """Negative control: real escalators under a nominal rate give another value (and are refused on reading)."""
    mixed = BASE.changed(**{n: real_rate(getattr(BASE, n), 0.025) for n in ("r_escalator_pay", "r_escalator_tariff")})
    assert abs(run(mixed, 1).npv_cash[0] - run(BASE, 1).npv_cash[0]) > 1.0


def test_real_cash_by_an_independent_route() -> None:
    """Without tax, working capital and capital, real cash is today's prices moved by real escalators only."""
    plain = BASE.changed(share_tax=0.0, n_settlement_days=0.0, capital=(), c_session_block=0.0, share_variable_pay=1.0)
    shown = run(plain.changed(cash_basis="real"), 3)
    bare = run(plain.changed(r_escalator_pay=0.0, r_escalator_devices=0.0, r_escalator_tariff=0.0, r_inflation=0.0), 3)
    prices = 1.025 ** (np.arange(1.0, 61.0) / 12)
    tariff, pay, devices = (np.repeat((1 + e) ** np.arange(5.0), 12) / prices for e in (0.02, 0.035, 0.025))
    np.testing.assert_allclose(shown.months["R4"][0], bare.months["R4"][0] * tariff, rtol=1e-12)
    np.testing.assert_allclose(shown.months["R9"][0], bare.months["R9"][0] * tariff, rtol=1e-12)
    training = np.where(np.arange(60) == 0, 15_000 * pay, 0)
    by_hand = 36_000 / 12 * pay + 2_000 / 12 * devices + training
    np.testing.assert_allclose(shown.months["R13"][0], by_hand, rtol=1e-12)
    np.testing.assert_allclose(shown.years["R13"][0, 1:], by_hand.reshape(5, 12).sum(axis=1), rtol=1e-12)


@given(SEEDS)
@settings(max_examples=10, deadline=None)
def test_a_batch_of_draws_equals_each_draw_alone(seed: int) -> None:
    """Three draws at once give the rows of each draw by itself."""
    profiles, prices = make_profiles(seed, 3), make_prices(seed, 3)
    suitable = np.array([0.4, 0.6, 0.7])
    batch = run_budget(BASE.changed(share_suitable=suitable), profiles, prices, CATEGORY)
    for k in range(3):
        one = run_budget(
            BASE.changed(share_suitable=suitable[k]),
            Profiles(PROFILED, STRATEGIES, profiles.counts[k : k + 1]),
            Prices(PRICED, prices.full_cost[k : k + 1], prices.variable_share[k : k + 1], prices.payment[k : k + 1]),
            CATEGORY,
        )
        for row in batch.years:
            np.testing.assert_allclose(batch.years[row][k], one.years[row][0], rtol=1e-9, atol=1e-7, err_msg=row)
        np.testing.assert_allclose(batch.peak_cash[k], one.peak_cash[0], rtol=1e-9)


@given(SEEDS)
@settings(max_examples=5, deadline=None)
def test_places_add_up_to_the_programme_without_partners(seed: int) -> None:
    """Whatever stays with partners, all places together have each row of the whole, transfers apart, and transfers sum to 0."""
    sites = (Site("A", 1.5, 0.7, 0.4, 900.0), Site("B", 0.5, 1.0, 0.0, 0.0))
    ample = AMPLE.changed(n_spare_sessions=1e6, n_spare_radiology=1e6, n_spare_surveillance=1e6, n_referred_in=2.0)
    *_, together = money_by_place(run(ample.changed(sites=sites), seed))
    whole = run(ample, seed)
    for row in ("R4", "R5", "R6h", "R7", "R8", "R9", "R10", "R11", "R13", "R20", "RC"):
        np.testing.assert_allclose(together.years[row], whole.years[row], rtol=1e-9, atol=1e-6)
    np.testing.assert_allclose(together.years["R11t"], 0.0, atol=1e-9)
