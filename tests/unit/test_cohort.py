"""The cohort engine on small chains with known answers."""

import numpy as np
import pytest

from econmodel.errors import ModelError
from econmodel.model.cohort import Moves, Schedule, run_cohort, run_matrices

ALIVE_DEAD = Moves(2, (0,), (1,))
ONE = np.array([[1.0], [0.0]])


def constant(*probabilities):
    p = np.array([[x] for x in probabilities])
    return lambda stage: p


def test_one_cycle_by_hand():
    """A tenth dies: one start, a mean of 0.95 alive by trapezoid, a tenth of a move."""
    found = run_cohort(ALIVE_DEAD, constant(0.1), ONE, Schedule(1, (0,), cycles_per_year=1))
    assert found.starts[0, 0, :, 0].tolist() == [1.0, 0.0]
    assert found.years[0, 0, :, 0] == pytest.approx([0.95, 0.05])
    assert found.moves[0, 0, 0, 0] == pytest.approx(0.1)
    assert found.trace is None


def test_certain_death_takes_one_cycle_and_none_lasts_the_horizon():
    """Probability 1 leaves half a cycle by trapezoid; probability 0 leaves the whole horizon."""
    schedule = Schedule(12, (0,) * 10)
    assert run_cohort(ALIVE_DEAD, constant(1.0), ONE, schedule).years[0, 0, 0, 0] == pytest.approx(0.5 / 12)
    assert run_cohort(ALIVE_DEAD, constant(0.0), ONE, schedule).years[0, 0, 0, 0] == pytest.approx(10)


def test_stages_and_periods_only_divide_the_time():
    """The same run in monthly stages, yearly stages or one period gives the same sums."""
    yearly = run_cohort(ALIVE_DEAD, constant(0.02), ONE, Schedule(12, (0, 1, 2), discount_rates=(0.0, 0.03)))
    monthly = run_cohort(ALIVE_DEAD, constant(0.02), ONE, Schedule(1, (0,) * 36, discount_rates=(0.0, 0.03)))
    for name in ("starts", "years", "moves"):
        np.testing.assert_allclose(getattr(yearly, name).sum(axis=1), getattr(monthly, name).sum(axis=1), rtol=1e-12)


def test_probabilities_change_by_stage():
    """Each stage uses its own probabilities."""
    schedule = Schedule(1, (0, 1), 1)
    found = run_cohort(ALIVE_DEAD, lambda stage: np.array([[0.5 * stage]]), ONE, schedule, keep_trace=True)
    assert found.trace[:, 0, 0].tolist() == [1.0, 1.0, 0.5]


def test_lanes_are_independent():
    """A run of two lanes is two runs of one lane."""
    p = np.array([[0.1, 0.3]])
    both = run_cohort(ALIVE_DEAD, lambda stage: p, np.array([[1.0, 1.0], [0, 0]]), Schedule(12, (0, 1)))
    for lane in (0, 1):
        alone = run_cohort(ALIVE_DEAD, lambda stage, lane=lane: p[:, [lane]], ONE, Schedule(12, (0, 1)))
        np.testing.assert_allclose(both.years[..., lane], alone.years[..., 0], rtol=1e-13)


def test_parallel_moves_add_up():
    """Two moves between the same states are counted apart and moved together."""
    moves = Moves(2, (0, 0), (1, 1))
    found = run_cohort(moves, constant(0.1, 0.2), ONE, Schedule(1, (0,), 1), keep_trace=True)
    assert found.moves[0, 0, :, 0] == pytest.approx([0.1, 0.2])
    assert found.trace[-1, :, 0] == pytest.approx([0.7, 0.3])


def test_moves_carry_the_discount_of_mid_cycle():
    """A move in the first year at 10% carries 1.1 to the minus a half."""
    found = run_cohort(ALIVE_DEAD, constant(0.1), ONE, Schedule(1, (0,), 1, (0.0, 0.1)))
    assert found.moves[1, 0, 0, 0] / found.moves[0, 0, 0, 0] == pytest.approx(1.1**-0.5)


def test_visits_count_who_is_there():
    """A visit planned at a cycle's start counts those in each state then, discounted at that time."""

    def planned(stage):
        return {3: np.array([1.0])} if stage == 1 else {}

    found = run_cohort(ALIVE_DEAD, constant(0.1), ONE, Schedule(12, (0, 1), discount_rates=(0.0, 0.05)), visits=planned)
    assert found.visits[0, :, 0, 0] == pytest.approx([0.0, 0.9**15])
    assert found.visits[1, 1, 0, 0] == pytest.approx(0.9**15 * 1.05 ** (-15 / 12))


def test_a_chain_without_a_sink():
    """Where every state can be left, nothing is lost either."""
    found = run_cohort(Moves(2, (0, 1), (1, 0)), constant(0.2, 0.4), ONE, Schedule(1, (0,) * 200, 1), keep_trace=True)
    np.testing.assert_allclose(found.trace.sum(axis=1), 1.0, rtol=1e-12)
    assert found.trace[-1, 0, 0] == pytest.approx(2 / 3)


@pytest.mark.parametrize("p", [-0.1, 1.2, float("nan")])
def test_impossible_probabilities_are_refused(p):
    """A probability below 0, a sum above 1 or a missing number stops the run and names stage and state."""
    with pytest.raises(ModelError, match="stage 1"):
        run_cohort(ALIVE_DEAD, lambda stage: np.array([[0.1 if stage == 0 else p]]), ONE, Schedule(1, (0, 0), 1))


def test_competing_moves_may_use_up_a_state_exactly():
    """Moves that sum to 1 leave nobody, and rounding does not make that an error."""
    found = run_cohort(
        Moves(3, (0, 0), (1, 2)), constant(0.7, 0.3), np.array([[1.0], [0], [0]]), Schedule(1, (0,), 1), keep_trace=True
    )
    assert found.trace[-1, :, 0] == pytest.approx([0.0, 0.7, 0.3])


def test_matrices_run_on_the_same_engine():
    """A matrix product by hand: two years of a three-state matrix, and the start kept as row 0."""
    p = np.array([[0.7, 0.2, 0.1], [0.1, 0.6, 0.3], [0, 0, 1.0]])
    found = run_matrices(np.array([p, p]), np.array([1.0, 0, 0]))
    np.testing.assert_allclose(found, [[1, 0, 0], p[0], p[0] @ p], rtol=1e-13)


def test_half_cycles_with_the_matrix_root_meet_at_full_cycles():
    """A cycle of half the length with the square root of the matrix gives the same trace at common times."""
    root = np.array([[0.9, 0.07, 0.03], [0.0, 0.85, 0.15], [0, 0, 1.0]])
    whole = run_matrices(np.repeat((root @ root)[None], 20, axis=0), np.array([1.0, 0, 0]))
    halves = run_matrices(np.repeat(root[None], 40, axis=0), np.array([1.0, 0, 0]))
    np.testing.assert_allclose(halves[::2], whole, atol=1e-13)


def test_splitting_a_state_changes_nothing():
    """Two states with the same exits, entered in any proportion, are as good as one."""
    p = np.array([[0.7, 0.2, 0.1], [0.1, 0.6, 0.3], [0, 0, 1.0]])
    split = np.array([[0.7, 0.05, 0.15, 0.1], [0.1, 0.6, 0.0, 0.3], [0.1, 0.0, 0.6, 0.3], [0, 0, 0, 1.0]])
    whole = run_matrices(np.repeat(p[None], 30, axis=0), np.array([1.0, 0, 0]))
    parts = run_matrices(np.repeat(split[None], 30, axis=0), np.array([1.0, 0, 0, 0]))
    np.testing.assert_allclose(parts[:, 1] + parts[:, 2], whole[:, 1], atol=1e-13)
    np.testing.assert_allclose(parts[:, 3], whole[:, 2], atol=1e-13)
