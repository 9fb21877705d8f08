"""Published cohort examples through the public engine: HIV, well/disabled/dead, and random walks."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from integration import accumulate

from econmodel.economics.comparison import icer
from econmodel.errors import ModelError
from econmodel.model.cohort import Moves, Schedule, run_cohort, run_matrices

DATA = Path(__file__).parent / "data"

# Chancellor JV et al., PharmacoEconomics 1997 (PMID 10169387): published 6,276 pounds per life-year (5,337 to 9,075
# over the interval of the relative risk). Annual counts and unit costs: Briggs, Claxton & Sculpher 2006, chapter 2,
# from memory.
COUNTS = np.array([[1251, 350, 116, 17], [0, 731, 512, 15], [0, 0, 1312, 437], [0, 0, 0, 1]], dtype=float)
MONO = COUNTS / COUNTS.sum(axis=1, keepdims=True)
CARE = np.array([1701 + 1055, 1774 + 1278, 6948 + 2059, 0.0])
ZIDOVUDINE, LAMIVUDINE = 2278.0, 2086.5
PER_PERSON = np.array([1.0, 1.0, 1.0, 0.0])
START = np.array([1.0, 0.0, 0.0, 0.0])


def combined(relative_risk, mono=MONO):
    """Multiply the probabilities of leaving each state; what remains stays."""
    matrix = relative_risk * (mono - np.diag(np.diag(mono)))
    return matrix + np.diag(1 - matrix.sum(axis=1))


def hiv(relative_risk=0.509, lamivudine=LAMIVUDINE, rate_costs=0.06, rate_years=0.0, mono=MONO):
    """Costs and life-years of both arms, rewards at the end of each of 20 annual cycles."""
    arms = {"mono": [mono] * 20, "combo": [combined(relative_risk, mono)] * 2 + [mono] * 18}
    found = {}
    for arm, matrices in arms.items():
        trace = run_matrices(np.array(matrices), START)
        extra = np.where((np.arange(21) <= 2) & (arm == "combo"), lamivudine, 0.0)
        money = trace @ (CARE + ZIDOVUDINE * PER_PERSON) + extra * (trace @ PER_PERSON)
        found[arm] = (
            float(accumulate(money, rate=rate_costs, timing="end")),
            float(accumulate(trace @ PER_PERSON, rate=rate_years, timing="end")),
            trace,
        )
    return found


def ratio(**options):
    found = hiv(**options)
    return icer(found["combo"][0] - found["mono"][0], found["combo"][1] - found["mono"][1])[0]


def test_hiv_ratio_is_the_published_one():
    """6,276 pounds per life-year (published; half a pound), costs to 0.01 and life-years to 1e-6 (computed)."""
    found = hiv()
    assert ratio() == pytest.approx(6276, abs=0.5)
    assert [found["mono"][1], found["combo"][1]] == pytest.approx([7.991207, 8.937389], abs=1e-6)
    assert [found["mono"][0], found["combo"][0]] == pytest.approx([44663.45, 50601.65], abs=0.01)


@pytest.mark.parametrize(("relative_risk", "published"), [(0.365, 5337), (0.710, 9075)])
def test_hiv_interval_is_the_published_one(relative_risk, published):
    """The ends of the relative risk's interval give 5,337 and 9,075 (published; within 2, as inputs are rounded)."""
    assert ratio(relative_risk=relative_risk) == pytest.approx(published, abs=2)


@pytest.mark.parametrize(
    ("options", "expected"),
    [
        ({"lamivudine": 2086.0}, 6275.00),
        ({"rate_costs": 0.0}, 9332.13),
        ({"rate_years": 0.06}, 10206.49),
        ({"rate_costs": 0.035, "rate_years": 0.035}, 9791.04),
        ({"mono": np.array([[0.721, 0.202, 0.067, 0.010], [0, 0.581, 0.407, 0.012], [0, 0, 0.75, 0.25], [0, 0, 0, 1]])}, 6277.78),
    ],
)
def test_hiv_variants_and_negative_controls(options, expected):
    """Other readings of the example give other ratios (computed), none of them 6,276."""
    assert ratio(**options) == pytest.approx(expected, abs=0.01)
    assert ratio(**options) != pytest.approx(6276, abs=0.5)


def test_hiv_trace():
    """Every cycle of both traces (computed, 1e-9)."""
    table, found = pd.read_csv(DATA / "hiv_trace.csv"), hiv()
    for arm in ("mono", "combo"):
        expected = table.loc[table.arm == arm, ["A", "B", "C", "Dead"]].to_numpy()
        np.testing.assert_allclose(found[arm][2], expected, atol=1e-9)
        assert np.abs(hiv(0.51)["combo"][2] - expected).max() > 1e-5


def test_hiv_without_effect_costs_only_the_drug():
    """Relative risk 1 leaves life-years exactly as they are; the difference is the drug."""
    found = hiv(relative_risk=1.0)
    assert found["combo"][1] == found["mono"][1]
    assert found["combo"][0] - found["mono"][0] == pytest.approx(48402.68 - 44663.45, abs=0.01)


def test_hiv_life_expectancy_is_the_fundamental_matrix():
    """Cycles alive, the start counted, sum to the fundamental matrix's rows (computed, 1e-6; 500 cycles)."""
    for state, expected in enumerate([9.098715, 6.275468, 4.002288]):
        trace = run_matrices(np.repeat(MONO[None], 500, axis=0), np.eye(4)[state])
        assert trace[:, :3].sum() == pytest.approx(expected, abs=1e-6)
    assert trace[:5, :3].sum() != pytest.approx(4.002288, abs=1e-3)


# Sonnenberg FA, Beck JR, Med Decis Making 1993;13:322-338: matrix from memory, implied by the published 2.5 and 1.25
# cycles in well and disabled.
WELL = np.array([[0.6, 0.2, 0.2], [0.0, 0.6, 0.4], [0.0, 0.0, 1.0]])
UTILITY = np.array([1.0, 0.7, 0.0])


def test_well_disabled_dead_cohort():
    """A cohort of 10,000 (computed): sums 7,400, 5,280 and 3,672, together 16,352 after three cycles."""
    table = pd.read_csv(DATA / "sonnenberg_beck_trace.csv")
    trace = 10_000 * run_matrices(np.repeat(WELL[None], len(table) - 1, axis=0), np.array([1.0, 0, 0]))
    np.testing.assert_allclose(trace, table[["well", "disabled", "dead"]].to_numpy(), atol=1e-2)
    assert (trace @ UTILITY)[1:4] == pytest.approx([7400, 5280, 3672], abs=1e-6)
    assert (trace @ UTILITY)[1:4].sum() == pytest.approx(16352, abs=1e-6)


def test_well_disabled_dead_expected_utility():
    """2.5 and 1.25 cycles (published); utility 3.375 with the start, 2.375 without, 2.875 by trapezoid (computed)."""
    trace = run_matrices(np.repeat(WELL[None], 400, axis=0), np.array([1.0, 0.0, 0.0]))
    assert trace[:, :2].sum(axis=0) == pytest.approx([2.5, 1.25], abs=1e-9)
    value = trace @ UTILITY
    assert accumulate(value, timing="start") == pytest.approx(3.375, abs=1e-9)
    assert accumulate(value, timing="end") == pytest.approx(2.375, abs=1e-9)
    assert accumulate(value) == pytest.approx(2.875, abs=1e-9)
    # Negative control: a copy in circulation prints the same sum as 3.9, which is wrong arithmetic.
    assert accumulate(value, timing="start") != pytest.approx(3.9, abs=0.05)


def walk(right):
    """Random walk on 0 to 4 with absorbing ends, from each inner point: engine totals over 600 steps."""
    moves = Moves(5, (1, 1, 2, 2, 3, 3), (0, 2, 1, 3, 2, 4))
    p = np.tile([1 - right, right], 3)[:, None] * np.ones(3)
    start = np.eye(5)[:, 1:4]
    return run_cohort(moves, lambda stage: p, start, Schedule(1, (0,) * 600, cycles_per_year=1), keep_trace=True)


@pytest.mark.parametrize(
    ("right", "visits", "steps", "ends"),
    [
        (1 / 2, [[1.5, 1, 0.5], [1, 2, 1], [0.5, 1, 1.5]], [3, 4, 3], [[0.75, 0.25], [0.5, 0.5], [0.25, 0.75]]),
        (
            2 / 3,
            [[1.4, 1.2, 0.8], [0.6, 1.8, 1.2], [0.2, 0.6, 1.4]],
            [3.4, 3.6, 2.2],
            [[7 / 15, 8 / 15], [0.2, 0.8], [1 / 15, 14 / 15]],
        ),
    ],
)
def test_absorbing_walks(right, visits, steps, ends):
    """Visits, steps to absorption and where it ends.

    Source: Grinstead CM, Snell JL, Introduction to Probability, chapter 11, after Kemeny & Snell; tolerance 1e-12.
    """
    found = walk(right)
    inner = found.starts[0, 0, 1:4]
    np.testing.assert_allclose(inner.T, visits, atol=1e-12)
    np.testing.assert_allclose(inner.sum(axis=0), steps, atol=1e-12)
    np.testing.assert_allclose(found.trace[-1, [0, 4]].T, ends, atol=1e-12)
    assert np.abs(walk(right + 1e-6).starts[0, 0, 1:4].T - visits).max() > 1e-7


def test_walk_variance():
    """The variance of the steps to absorption is 8 from every inner point of the fair walk (computed, 1e-9)."""
    absorbed = walk(1 / 2).trace[:, [0, 4]].sum(axis=1)
    steps = np.arange(1, len(absorbed))[:, None]
    at = np.diff(absorbed, axis=0)
    assert (steps**2 * at).sum(axis=0) - (steps * at).sum(axis=0) ** 2 == pytest.approx(8, abs=1e-9)


def test_a_matrix_that_loses_people_is_refused():
    """A row that does not sum to 1 is an error that names the cycle, the state and the sum."""
    wrong = np.repeat(MONO[None], 2, axis=0).copy()
    wrong[1, 1, 1] += 0.01
    with pytest.raises(ModelError, match=r"cycle 1, from state 1: row sums to 1\.010000"):
        run_matrices(wrong, START)
