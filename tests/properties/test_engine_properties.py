"""Whatever the moves and probabilities, the engine equals a plain matrix loop and keeps the cohort whole."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from econmodel.model.cohort import Moves, Schedule, run_cohort


@st.composite
def chains(draw: st.DrawFn) -> tuple[Moves, np.ndarray, np.ndarray]:
    """Moves between some states, with parallel moves and moves back to the same state, and their probabilities."""
    n = draw(st.integers(2, 6))
    pairs = draw(st.lists(st.tuples(st.integers(0, n - 1), st.integers(0, n - 1)), min_size=1, max_size=14))
    seed, lanes = draw(st.integers(0, 10_000)), draw(st.sampled_from([1, 5, 131]))
    rng = np.random.default_rng(seed)
    p = rng.uniform(0, 1 / len(pairs), (3, len(pairs), lanes)) * rng.integers(0, 2, (3, len(pairs), 1))
    return Moves(n, tuple(i for i, _ in pairs), tuple(j for _, j in pairs)), p, rng.dirichlet(np.ones(n), lanes).T


def by_matrices(moves: Moves, p: np.ndarray, initial: np.ndarray, lane: int) -> tuple[np.ndarray, np.ndarray]:
    """Trace at stage ends and moves counted, one lane, by a dense matrix a cycle."""
    state, trace, counts = initial[:, lane].copy(), [], np.zeros(len(moves.sources))
    for stage in range(len(p)):
        matrix = np.eye(moves.n_states)
        for m, (i, j) in enumerate(zip(moves.sources, moves.targets, strict=True)):
            matrix[i, i] -= p[stage, m, lane]
            matrix[i, j] += p[stage, m, lane]
        for _ in range(4):
            counts += p[stage, :, lane] * state[list(moves.sources)]
            state = state @ matrix
        trace.append(state)
    return np.array(trace), counts


@settings(max_examples=60, deadline=None)
@given(chains(), st.sampled_from(["numpy", "compiled"]))
def test_engine_is_a_matrix_loop(chain: tuple[Moves, np.ndarray, np.ndarray], engine: str) -> None:
    """Trace and flows equal those of matrices; every lane sums to 1; nothing is negative."""
    moves, p, initial = chain
    run = run_cohort(moves, lambda stage: p[stage], initial, Schedule(4, (0, 1, 1), 4), keep_trace=True, engine=engine)
    trace, counts = by_matrices(moves, p, initial, p.shape[2] - 1)
    np.testing.assert_allclose(run.trace[1:, :, -1], trace, atol=1e-12)
    np.testing.assert_allclose(run.moves[0, :, :, -1].sum(axis=0), counts, atol=1e-12)
    np.testing.assert_allclose(run.trace.sum(axis=1), 1.0, atol=1e-12)
    assert run.trace.min() >= -1e-15
    np.testing.assert_allclose(run.years.sum(axis=2).sum(axis=1), 3.0, atol=1e-12)
