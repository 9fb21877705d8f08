"""Change of cycle length for a whole transition matrix: generator, root, and whether either exists.

A published annual matrix ``P`` can be run in shorter cycles only if some matrix of rates ``G`` has ``exp(G) = P``
(``P`` is *embeddable*). The principal logarithm is used; it fails when an off-diagonal rate is negative. Nothing is
repaired in silence: faults are listed with the states and values.

References
----------
Israel RB, Rosenthal JS, Wei JZ. Finding generators for Markov chains via empirical transition matrices, with
applications to credit ratings. Mathematical Finance 2001 (conditions for embeddability).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from econmodel.errors import ModelError

FloatArray = NDArray[np.float64]
TOLERANCE = 1e-9


@dataclass(frozen=True)
class Embeddability:
    """Whether a transition matrix comes from a continuous-time process.

    Attributes
    ----------
    generator
        Principal logarithm, shape (states, states); rates per cycle of the matrix given.
    embeddable
        True when every off-diagonal rate is 0 or more.
    faults
        One sentence for each condition that fails.
    """

    generator: FloatArray
    embeddable: bool
    faults: tuple[str, ...]


def check_embeddable(matrix: ArrayLike, states: Sequence[str] | None = None) -> Embeddability:
    """Take the logarithm of a transition matrix and list what keeps it from being a matrix of rates.

    Parameters
    ----------
    matrix
        Shape (states, states); rows sum to 1 within 1e-9.
    states
        Names used in the messages; numbers from 0 otherwise.

    Raises
    ------
    ModelError
        Not square, an entry outside 0 to 1, or a row that does not sum to 1.

    Examples
    --------
    >>> check_embeddable([[0.9, 0.1, 0.0], [0.0, 0.8, 0.2], [0.0, 0.0, 1.0]]).faults[-1]
    'the rate from 0 to 2 is -0.01242: a rate cannot be negative'
    """
    from scipy.linalg import logm

    values = _checked(matrix)
    names = list(states) if states is not None else [str(i) for i in range(len(values))]
    faults = _necessary_faults(values, names)
    logarithm = np.asarray(logm(values))
    generator = logarithm.real.astype(float)
    if np.abs(logarithm.imag).max() > TOLERANCE:
        faults.append("the logarithm is not real: an eigenvalue is negative")
    for i, j in _negative_moves(generator):
        faults.append(f"the rate from {names[i]} to {names[j]} is {generator[i, j]:.4g}: a rate cannot be negative")
    return Embeddability(generator, not faults, tuple(faults))


def matrix_root(matrix: ArrayLike, cycles: int, states: Sequence[str] | None = None, *, allow_invalid: bool = False) -> FloatArray:
    """Give the transition matrix of a cycle ``cycles`` times shorter: ``root ** cycles = matrix``.

    Parameters
    ----------
    matrix
        Shape (states, states); rows sum to 1 within 1e-9.
    cycles
        How many short cycles make one long cycle, for example 12.
    states
        Names used in the messages.
    allow_invalid
        Return the principal root even where it holds negative entries (to look at it, not to run it).

    Returns
    -------
    ndarray of shape (states, states)

    Raises
    ------
    ModelError
        The matrix is malformed or, unless ``allow_invalid``, its root is not a transition matrix.

    Examples
    --------
    >>> matrix_root([[0.81, 0.19], [0.0, 1.0]], 2).round(6)
    array([[0.9, 0.1],
           [0. , 1. ]])
    """
    from scipy.linalg import expm

    found = check_embeddable(matrix, states)
    root = np.asarray(expm(found.generator / cycles), dtype=float)
    valid = root.min() >= -TOLERANCE and not any("not real" in fault for fault in found.faults)
    if not (valid or allow_invalid):
        what = f"this matrix has no root for {cycles} shorter cycles: {'; '.join(found.faults)}"
        raise ModelError(what, fix="estimate rates from the events and time at risk, and use the matrix exponential")
    return root


def _checked(matrix: ArrayLike) -> FloatArray:
    values = np.asarray(matrix, dtype=float)
    if values.ndim != 2 or values.shape[0] != values.shape[1]:
        what = f"a transition matrix must be square, not of shape {values.shape}"
        raise ModelError(what, fix="give one row and one column for each state")
    if not np.isfinite(values).all() or values.min() < 0 or values.max() > 1:
        what = f"a transition matrix holds {values.min():g} to {values.max():g}: every entry must lie between 0 and 1"
        raise ModelError(what, fix="give probabilities as fractions")
    for row, total in enumerate(values.sum(axis=1)):
        if abs(total - 1.0) > TOLERANCE:
            what = f"row {row} sums to {total:.6f}, must be 1 within 1e-9"
            raise ModelError(what, fix="divide the row by its sum if the difference is rounding, and say so")
    return values


def _necessary_faults(values: FloatArray, names: list[str]) -> list[str]:
    determinant, product = float(np.linalg.det(values)), float(np.prod(np.diag(values)))
    faults = []
    if determinant <= 0:
        faults.append(f"the determinant is {determinant:.4g}: must be above 0")
    if determinant > product + TOLERANCE:
        faults.append(f"the determinant {determinant:.4g} is above the product of the diagonal {product:.4g}")
    reach = values > 0
    for i, j in zip(*np.nonzero((reach.astype(int) @ reach.astype(int) > 0) & ~reach), strict=True):
        faults.append(f"{names[i]} reaches {names[j]} in two cycles but never in one")
    return faults


def _negative_moves(generator: FloatArray) -> list[tuple[int, int]]:
    off_diagonal = generator - np.diag(np.diag(generator))
    return [(int(i), int(j)) for i, j in zip(*np.nonzero(off_diagonal < -TOLERANCE), strict=True)]
