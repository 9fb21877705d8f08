"""Many roots at once."""

from __future__ import annotations

import numpy as np
import pytest

from econmodel.arrays import bracketed_roots


def test_roots_of_unlike_functions():
    """A line, a cube, an exponential and a steep step each give their own root."""
    functions = [lambda x: x - 0.3, lambda x: x**3 - 0.001, lambda x: np.exp(x) - 2, lambda x: np.tanh(1e4 * (x - 0.77))]
    found = bracketed_roots(lambda x: np.array([f(v) for f, v in zip(functions, x, strict=True)]), np.zeros(4), np.ones(4))
    assert found == pytest.approx([0.3, 0.1, np.log(2), 0.77], abs=1e-12)


def test_few_evaluations_suffice():
    """A smooth function takes far fewer evaluations than bisection's fifty."""
    calls = []

    def counted(x):
        calls.append(x)
        return np.exp(x) - np.linspace(1.5, 5, 8)

    found = bracketed_roots(counted, np.zeros(8), np.full(8, 2.0))
    assert found == pytest.approx(np.log(np.linspace(1.5, 5, 8)), abs=1e-13)
    assert len(calls) < 25


def test_an_end_that_is_the_root_and_one_without():
    """A root at an end is found; without a change of sign the end nearer to nil is given."""
    found = bracketed_roots(lambda x: np.array([x[0], x[1] - 3, x[2] + 3]), np.zeros(3), np.ones(3))
    assert found.tolist() == [0.0, 1.0, 0.0]
