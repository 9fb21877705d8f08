"""What holds for any chain and any inputs: the engine, the disease model and the economics."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from integration import accumulate

from econmodel.economics.comparison import icer, rank_strategies
from econmodel.economics.evaluate import evaluate
from econmodel.evidence.nnt import NumberNeededToTreat
from econmodel.model.cohort import Moves, Schedule, run_cohort, run_matrices
from econmodel.model.hazards import per_unit_rate
from econmodel.model.natural_history import acute_fatality, solve_exposure
from econmodel.parameters.distributions import fit, rescale

QUICK = settings(max_examples=40, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
SLOW = settings(
    max_examples=12, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture]
)
share = st.floats(0.0, 1.0)
rate = st.floats(0.0, 3.0)


@st.composite
def chains(draw: st.DrawFn) -> np.ndarray:
    """A matrix of three living states and death."""
    rows = [np.array([draw(st.floats(0.01, 1.0)) for _ in range(4)]) for _ in range(3)]
    return np.vstack([*(row / row.sum() for row in rows), [0, 0, 0, 1.0]])


@QUICK
@given(chains(), st.integers(1, 60))
def test_trace_rows_sum_to_one_and_the_dead_stay_dead(matrix: np.ndarray, cycles: int) -> None:
    """Nobody is lost, no state is negative, and death never gives anyone back."""
    trace = run_matrices(np.repeat(matrix[None], cycles, axis=0), np.array([1.0, 0, 0, 0]))
    np.testing.assert_allclose(trace.sum(axis=1), 1.0, atol=1e-12)
    assert trace.min() >= -1e-15
    assert np.all(np.diff(trace[:, 3]) >= -1e-15)


@QUICK
@given(chains(), st.integers(1, 30))
def test_the_engine_is_the_matrix_power(matrix: np.ndarray, cycles: int) -> None:
    """The engine ends where the power of the matrix ends."""
    trace = run_matrices(np.repeat(matrix[None], cycles, axis=0), np.array([0.5, 0.3, 0.2, 0]))
    expected = np.array([0.5, 0.3, 0.2, 0]) @ np.linalg.matrix_power(matrix, cycles)
    np.testing.assert_allclose(trace[-1], expected, atol=1e-12)


@QUICK
@given(chains(), st.floats(0.0, 0.2))
def test_totals_are_the_sums_of_the_trace(matrix: np.ndarray, discount: float) -> None:
    """Starts, years and moves are what the trace says, discounted or not, in one stage or in many."""
    pairs = [(i, j) for i in range(3) for j in range(4) if i != j]
    moves = Moves(4, tuple(i for i, _ in pairs), tuple(j for _, j in pairs))
    p = np.array([[matrix[pair]] for pair in pairs])
    start = np.array([[1.0], [0], [0], [0]])
    whole = run_cohort(moves, lambda stage: p, start, Schedule(12, (0, 0), 12, (0.0, discount)))
    parts = run_cohort(moves, lambda stage: p, start, Schedule(1, (0,) * 24, 12, (0.0, discount)), keep_trace=True)
    assert parts.trace is not None
    occupied = parts.trace[:, :, 0]
    for weighting, rate_ in enumerate((0.0, discount)):
        years = accumulate(occupied, rate=rate_, cycle_years=1 / 12)
        factors = (1 + rate_) ** (-(np.arange(24) + 0.5) / 12)
        flows = [p[m, 0] * float(factors @ occupied[:-1, i]) for m, (i, _) in enumerate(pairs)]
        for found in (whole, parts):
            np.testing.assert_allclose(found.years[weighting, 0, :, 0], years, rtol=1e-9, atol=1e-12)
            np.testing.assert_allclose(found.moves[weighting, 0, :, 0], flows, rtol=1e-9, atol=1e-12)


@QUICK
@given(st.lists(rate, min_size=1, max_size=5), st.floats(0.01, 2.0))
def test_competing_probabilities(rates: list[float], years: float) -> None:
    """Competing probabilities lie in 0 to 1, sum to the chance of any event, and rise with their own rate."""
    alone = np.array(rates)
    per_rate, none = per_unit_rate(np.array([alone.sum()]), years)
    found = alone * per_rate
    assert ((found >= 0) & (found <= 1)).all()
    assert found.sum() + float(none[0]) == pytest.approx(1, abs=1e-12)
    more = alone + np.eye(len(rates))[0] * 0.5
    assert more[0] * per_unit_rate(np.array([more.sum()]), years)[0][0] > found[0]


@QUICK
@given(st.lists(st.floats(0.0, 2.0), min_size=3, max_size=30), st.floats(0.0, 0.5))
def test_discounting_never_adds(values: list[float], discount: float) -> None:
    """A discounted sum of what is not negative is at most the plain one; at a rate of 0 it is the plain one."""
    array = np.array(values)
    for timing in ("start", "end", "trapezoid"):
        plain = float(accumulate(array, timing=timing))
        assert float(accumulate(array, rate=discount, timing=timing)) <= plain + 1e-12
        assert float(accumulate(array, rate=0.0, timing=timing)) == plain
    assert float(accumulate(array)) == pytest.approx(
        (float(accumulate(array, timing="start")) + float(accumulate(array, timing="end"))) / 2
    )


options = st.lists(st.tuples(st.integers(0, 100_000), st.integers(0, 1000)), min_size=1, max_size=8, unique=True)


@QUICK
@given(options, st.floats(0.0, 1e6))
def test_the_best_net_benefit_lies_on_the_frontier(points: list[tuple[int, int]], threshold: float) -> None:
    """At any threshold some option of the frontier is at least as good as every other."""
    costs, effects = [float(c) for c, _ in points], [e / 1000 for _, e in points]
    keys = [str(n) for n in range(len(points))]
    rows = rank_strategies(keys, costs, effects)
    benefit = {key: threshold * e - c for key, c, e in zip(keys, costs, effects, strict=True)}
    frontier = [row for row in rows if row.status in ("reference", "on_frontier")]
    best = max(benefit.values())
    assert max(benefit[row.key] for row in frontier) == pytest.approx(best, rel=1e-9, abs=1e-6)
    ratios = [row.icer for row in frontier[1:]]
    assert ratios == sorted(ratios)
    assert all(r is not None and r > 0 for r in ratios)
    assert {row.key for row in rows} == set(keys)


@QUICK
@given(st.floats(-1e5, 1e5), st.floats(-5, 5))
def test_icer_of_a_pair_is_the_same_both_ways(cost: float, effect: float) -> None:
    """Swapped, a ratio keeps its value, and dominant and dominated change places."""
    (value, status), (back, other) = icer(cost, effect), icer(-cost, -effect)
    if value is None:
        assert {status, other} in ({"dominant", "dominated"}, {"equal"})
    else:
        assert value == back
        assert {status, other} == {"more_costly_more_effective", "less_costly_less_effective"}


@QUICK
@given(st.floats(-1, 1))
def test_nnt_is_never_negative_nor_below_one(arr: float) -> None:
    """A number needed to treat is at least 1, its direction told in words."""
    found = NumberNeededToTreat(arr)
    if found.value is not None:
        assert found.value >= 1
        assert found.kind == ("NNTB" if arr > 0 else "NNTH")


@QUICK
@given(st.lists(st.floats(0.05, 8.0), min_size=1, max_size=5), st.floats(0.0, 4.0))
def test_exposure_reproduces_its_target(hazards: list[float], target: float) -> None:
    """The solved exposure gives back the pooled survival, for any mix."""
    shares = np.full(len(hazards), 1 / len(hazards))
    u = solve_exposure(np.array([[target]]), np.array([hazards]), shares)
    assert float(shares @ np.exp(-np.array(hazards) * u[0, 0])) == pytest.approx(np.exp(-target), abs=1e-12)


@QUICK
@given(st.floats(0.0, 1.0), st.floats(1.0, 20.0), st.floats(0.0, 0.9))
def test_acute_fatality_is_below_six_week_mortality(six_week: float, odds: float, early: float) -> None:
    """The first month kills no more than the six weeks, and together with early rebleeds exactly as many."""
    f, again = (float(x[0, 0]) for x in acute_fatality(np.array([[six_week]]), np.array([odds]), np.array([early])))
    assert 0 <= f <= six_week + 1e-12
    assert f - 1e-12 <= again <= 1
    assert f + (1 - f) * early * again / (1 - (1 - again) * early) == pytest.approx(six_week, abs=1e-9)


@QUICK
@given(st.floats(0.02, 0.98), st.floats(0.05, 0.6), st.floats(0.02, 0.98))
def test_beta_fits_and_moves(mean: float, relative_se: float, new: float) -> None:
    """A beta has the mean and se it was given, and after a move the new mean and the old sample size."""
    se = relative_se * np.sqrt(mean * (1 - mean))
    found = fit({"family": "beta", "se": se}, mean)
    assert (found.mean, found.sd) == pytest.approx((mean, se), rel=1e-9)
    moved = rescale(found, new)
    assert moved.mean == pytest.approx(new, rel=1e-9)
    assert moved.fields["a"] + moved.fields["b"] == pytest.approx(found.fields["a"] + found.fields["b"], rel=1e-9)


@st.composite
def case_values(draw: st.DrawFn) -> dict[str, float]:
    """Any sensible values of the inputs that drive bleeding, death and money."""
    return {
        "p_first_bleed_year_1": draw(st.floats(0.01, 0.6)),
        "r_other_bleed": draw(st.floats(0.0, 0.3)),
        "hr_glue": draw(st.floats(0.05, 2.0)),
        "hr_beta_blocker": draw(st.floats(0.05, 2.0)),
        "hr_coil_vs_glue": draw(st.floats(0.2, 2.0)),
        "p_death_six_weeks": draw(st.floats(1e-6, 0.2)),
        "p_early_rebleed": draw(st.floats(0.0, 0.6)),
        "r_late_rebleed": draw(st.floats(0.0, 1.0)),
        "n_sessions_glue": draw(st.floats(1.0, 4.0)),
        "p_death_course_glue": draw(st.floats(0.0, 0.1)),
        "p_retreat_year_1_glue": draw(st.floats(0.0, 0.9)),
        "hr_death_after_bleed": draw(st.floats(1.0, 4.0)),
        "c_session_direct": draw(st.floats(0, 20_000)),
        "c_bleed_mean": draw(st.floats(0, 80_000)),
        "start_age": float(draw(st.integers(30, 90))),
        "share_female": draw(share),
    }


@SLOW
@given(values=case_values(), rate_=st.floats(0.0, 0.1))
def test_any_case_adds_up(vary, values: dict[str, float], rate_: float) -> None:
    """Whatever the inputs: patients, deaths and money add up, risks rise with time, discounting never adds."""
    found = evaluate(vary(horizon_years=3, discount_costs=rate_, discount_outcomes=rate_, **values))
    lived = found.life_years(discounted=False)
    died = sum(found.count(f"deaths_{c}") for c in ("bleed", "procedure", "other"))
    assert lived.max() <= 3
    assert np.all((died >= 0) & (died <= 1))
    assert np.all(found.life_years() <= lived + 1e-12)
    assert np.all(found.qalys(discounted=False) <= lived)
    risks = np.stack([found.count("first_bleeds", y) for y in (1, 2, 3)])
    assert np.all(np.diff(risks, axis=0) >= 0)
    assert risks.max() <= 1
    assert np.all(found.count("deaths_bleed") <= found.bleeds() + 1e-12)
    assert np.all(found.cost() <= found.cost(discounted=False) + 1e-6)
    assert np.all(found.cost() >= 0)


@SLOW
@given(values=case_values())
def test_a_better_effect_never_causes_bleeds(vary, values: dict[str, float]) -> None:
    """Lowering the hazard ratio of glue lowers the risk of a first bleed under glue at every year."""
    better = values | {"hr_glue": values["hr_glue"] * 0.8}
    risk, lower = (evaluate(vary(horizon_years=3, **v)) for v in (values, better))
    for year in (1, 2, 3):
        assert np.all(lower.count("first_bleeds", year)[0, 2] < risk.count("first_bleeds", year)[0, 2])
        assert np.array_equal(lower.count("first_bleeds", year)[0, 0], risk.count("first_bleeds", year)[0, 0])


@SLOW
@given(values=case_values(), parts=st.lists(st.floats(0.05, 1.0), min_size=2, max_size=3))
def test_splitting_a_group_changes_nothing(vary, one_group, values: dict[str, float], parts: list[float]) -> None:
    """A group split into parts of any size gives the same results for all patients."""
    shares = np.array(parts) / sum(parts)
    rows = [one_group[0] | {"name": str(n), "share": float(x)} for n, x in enumerate(shares)]
    whole = evaluate(vary(horizon_years=2, case_mix=one_group, **values))
    split = evaluate(vary(horizon_years=2, case_mix=rows, **values))
    np.testing.assert_allclose(split.cost()[..., 0], whole.cost()[..., 0], rtol=1e-10)
    np.testing.assert_allclose(split.qalys()[..., 0], whole.qalys()[..., 0], rtol=1e-10)
