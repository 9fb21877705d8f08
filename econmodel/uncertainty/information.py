"""Value of information: what it is worth to know more before choosing, on plain arrays.

Takes the net benefit of each option in each draw, and columns of what would be known: inputs, settings, or the data of a
study. Whoever knows a column chooses by the mean net benefit given it, found by regression; the value is what those choices
earn beyond the option that is best on average. Each tenth of the draws is predicted by a fit to the other nine, and what is
then counted is the net benefit of the option chosen and not its prediction: so noise earns nothing, a value never passes
that of knowing everything, and an option entered twice changes nothing.

A column of floats is a number (splines), a column of integers a setting's choice (group means).

References
----------
Strong M, Oakley JE, Brennan A. Estimating multiparameter partial expected value of perfect information from a probabilistic
sensitivity analysis sample. Medical Decision Making 2014;34:311-326 (regression). Cross-fitting in place of fitted values is ours.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import combinations, pairwise

import numpy as np
from numpy.typing import NDArray

from econmodel.parameters.sampling import stream
from econmodel.records import record

FloatArray = NDArray[np.float64]
Column = NDArray[np.float64] | NDArray[np.int64]
FOLDS = 10
BOOTSTRAPS, AT_ONCE = 200, 20
FEWEST_PER_CHOICE = 300
RIDGES = np.array([1e-5, 1e-4, 1e-3, 1e-2, 0.03, 0.1, 0.3, 1.0, 10.0, 1e6])
TENSOR_UP_TO = 3
CURVES_UP_TO = 12
KNOTS, KNOTS_OF_PAIRS = 4, 1
DEGREE, FLAT = 3, 1e-6
PRECISE, LITTLE = 0.1, 0.05
SMALL, NOT_USABLE = "small", "not usable"


@record
class ValueOfKnowing:
    """Value of knowing something, per patient: estimate, bootstrap standard error, and the share of draws whose choice changes.

    ``of_all`` is the value of knowing everything. ``note`` is ``small`` where the value, its error included, is at most a
    twentieth of that, else ``not usable`` where the error passes a tenth of the value.
    """

    value: float
    se: float
    changes: float
    of_all: float
    note: str

    @property
    def of_everything(self) -> float | None:
        """Share of the value of knowing everything; None where that is nothing."""
        return self.value / self.of_all if self.of_all else None

    @property
    def counts(self) -> bool:
        """Whether the value may be quoted and is not small."""
        return not self.note


def _worth(value: float, se: float, changes: float, of_all: float) -> ValueOfKnowing:
    note = SMALL if value + 1.96 * se <= LITTLE * of_all else "" if se <= PRECISE * value else NOT_USABLE
    return ValueOfKnowing(value, se, changes, of_all, note)


def resampled_means(columns: FloatArray, seed: int) -> Iterator[FloatArray]:
    """Means of columns (draw, column) over draws drawn again with replacement: (column,) for each of 200 bootstraps."""
    rng, n = stream(seed, "bootstrap"), len(columns)
    for _ in range(BOOTSTRAPS // AT_ONCE):
        times = np.stack([np.bincount(rng.integers(n, size=n), minlength=n) for _ in range(AT_ONCE)])
        yield from times.astype(float) @ columns / n


def resampled_values(benefit: FloatArray, informed: FloatArray, seed: int) -> FloatArray:
    """Values of information in each bootstrap: (bootstrap, row), of ``informed`` (draw, row), as :func:`appraise`."""
    k = benefit.shape[1]
    return np.array([means[k:] - means[:k].max() for means in resampled_means(np.hstack([benefit, informed]), seed)])


def appraise(benefit: FloatArray, chosen: Sequence[NDArray[np.int64]], seed: int) -> list[ValueOfKnowing]:
    """Value of making choices draw by draw, over the one option that is best on average.

    Parameters
    ----------
    benefit
        Net benefit: (draw, option).
    chosen
        Of each thing that could be known, the option chosen in each draw: (draw,).
    seed
        Seed of the bootstrap.
    """
    base = int(benefit.mean(axis=0).argmax())
    everything = float((benefit.max(axis=1) - benefit[:, base]).mean())
    informed = np.stack([_taken(benefit, c) for c in chosen], axis=1)
    errors = resampled_values(benefit, informed, seed).std(axis=0, ddof=1)
    gains = (informed - benefit[:, [base]]).mean(axis=0)
    changes = [float((_taken(benefit, c) != benefit[:, base]).mean()) for c in chosen]
    return [_worth(*row, everything) for row in zip(gains.tolist(), errors.tolist(), changes, strict=True)]


def _taken(benefit: FloatArray, chosen: NDArray[np.int64]) -> FloatArray:
    return np.asarray(np.take_along_axis(benefit, chosen[:, None], axis=1)[:, 0])


def choose_knowing(benefit: FloatArray, columns: Sequence[Column]) -> NDArray[np.int64] | None:
    """Option with the highest mean net benefit given some columns, each (draw,): (draw,).

    Columns that do not vary tell nothing: the option best on average. None where a choice of settings that meets numbers
    has fewer than 300 draws, so that no curve can be drawn within it.
    """
    base = int(benefit.mean(axis=0).argmax())
    varying = [c for c in columns if len(c) and c.min() < c.max()]
    if not varying:
        return np.full(len(benefit), base)
    basis = _basis(varying)
    if basis is None:
        return None
    return np.asarray(_cross_fitted(basis, benefit - benefit[:, [base]]).argmax(axis=1))


def share_explained(columns: Sequence[Column], outcome: FloatArray) -> float:
    """Share of the variance of an outcome (draw,) that some columns explain in draws their regression has not seen; at least 0."""
    varying = [c for c in columns if len(c) and c.min() < c.max()]
    basis = _basis(varying) if varying else None
    if basis is None:
        return 0.0
    apart = outcome - outcome.mean()
    return float(max(0.0, 1.0 - np.var(apart - _cross_fitted(basis, apart[:, None])[:, 0]) / np.var(apart)))


def _cross_fitted(basis: FloatArray, gain: FloatArray) -> FloatArray:
    """Mean gain of each option (draw, option) given a basis (draw, term), each tenth by a ridge fit to the others.

    A gain that is the same for two options is predicted the same, and the first of equals is chosen. Terms are put on one scale
    in their sums of squares, not draw by draw: of the time of a fit that was half.
    """
    x = np.hstack([np.ones((len(basis), 1)), basis])
    parts = [slice(*ends) for ends in pairwise(np.linspace(0, len(x), FOLDS + 1).astype(int))]
    squares, products = (np.array([x[part].T @ y[part] for part in parts]) for y in (x, gain))
    scale = _standard(squares.sum(axis=0))
    squares, products = scale.T @ squares @ scale, scale.T @ products
    shrink = np.r_[0.0, np.ones(scale.shape[1] - 1)] * np.eye(scale.shape[1])
    ridges = len(x) * _ridges(squares.sum(axis=0)[1:, 1:], products.sum(axis=0)[1:], gain)
    others = (squares.sum(axis=0) - squares)[:, None] + ridges[:, None, None] * shrink
    fits = np.linalg.solve(others, np.swapaxes(products.sum(axis=0) - products, 1, 2)[..., None])[..., 0]
    return np.concatenate([x[part] @ (scale @ fit.T) for part, fit in zip(parts, fits, strict=True)])


def _standard(squares: FloatArray) -> FloatArray:
    """What turns terms, 1 the first, into ones of mean 0 and variance 1: (term, term kept), from their sums of squares.

    A term that does not vary is left out.
    """
    means = squares[0] / squares[0, 0]
    mean_squares = np.diag(squares) / squares[0, 0]
    spread = np.sqrt(np.maximum(mean_squares - means**2, 0.0))
    kept = np.flatnonzero(spread > FLAT * np.sqrt(mean_squares))
    scale = np.zeros((len(means), len(kept) + 1))
    scale[0, 0] = 1.0
    scale[0, 1:] = -means[kept] / spread[kept]
    scale[kept, np.arange(1, len(kept) + 1)] = 1.0 / spread[kept]
    return scale


def _ridges(squares: FloatArray, products: FloatArray, gain: FloatArray) -> FloatArray:
    """Penalty of each option per draw, (option,): the least error by generalised cross-validation over all draws.

    The largest leaves nothing but the mean: what tells nothing then changes no choice.
    """
    n = len(gain)
    strength, turn = np.linalg.eigh(squares)
    strength, signal = np.maximum(strength, 0.0)[:, None], (turn.T @ products)[:, None, :] ** 2
    held = n * RIDGES[None, :]
    total = np.einsum("ij,ij->j", gain, gain) - n * gain.mean(axis=0) ** 2
    left = total - (signal * ((strength + 2 * held) / (strength + held) ** 2)[:, :, None]).sum(axis=0)
    used = 1.0 + (strength / (strength + held)).sum(axis=0)
    return np.asarray(RIDGES[(left / (1.0 - used / n)[:, None] ** 2).argmin(axis=0)])


def _basis(columns: Sequence[Column]) -> FloatArray | None:
    """Terms of a regression on numbers, settings, or both: (draw, term)."""
    numbers = [np.asarray(c, dtype=float) for c in columns if c.dtype.kind == "f"]
    settings = [_dummies(c) for c in columns if c.dtype.kind != "f"]
    if not settings:
        return _curves(numbers)
    if not numbers:
        return np.hstack([*settings, *_products(settings)])
    _, at = np.unique(np.stack([c for c in columns if c.dtype.kind != "f"], axis=1), axis=0, return_inverse=True)
    counts = np.bincount(at.ravel())
    if counts.min() < FEWEST_PER_CHOICE:
        return None
    within, curves = _dummies(at.ravel()), _curves(numbers)
    return np.hstack([within, curves, _product(within, curves)])


def _curves(numbers: Sequence[FloatArray]) -> FloatArray:
    """Splines of each number; of up to three also those of each pair together, of a few more the products of their ranks.

    Of many, straight lines: prices and amounts act so.
    """
    if len(numbers) > CURVES_UP_TO:
        return np.stack(numbers, axis=1)
    if len(numbers) == 1:
        return _spline(numbers[0], KNOTS)
    if len(numbers) <= TENSOR_UP_TO:
        return np.hstack([*(_spline(x, KNOTS) for x in numbers), *_products([_spline(x, KNOTS_OF_PAIRS) for x in numbers])])
    places = [np.unique(x, return_inverse=True)[1][:, None] for x in numbers]
    ranks = [at / at.max() - 0.5 for at in places]
    return np.hstack([*(_spline(x, KNOTS_OF_PAIRS) for x in numbers), *_products(ranks)])


def _spline(x: FloatArray, inner: int) -> FloatArray:
    """Cubic B-splines with knots at quantiles, less the first: (draw, inner + 3)."""
    from scipy.interpolate import BSpline

    knots = np.unique(np.quantile(x, np.linspace(0, 1, inner + 2)))
    padded = np.r_[[knots[0]] * DEGREE, knots, [knots[-1]] * DEGREE]
    return np.asarray(BSpline(padded, np.eye(len(padded) - DEGREE - 1), DEGREE)(x))[:, 1:]


def _dummies(codes: Column) -> FloatArray:
    """One column for each choice but the first: (draw, choice)."""
    return np.asarray(codes[:, None] == np.unique(codes)[1:], dtype=float)


def _products(blocks: Sequence[FloatArray]) -> list[FloatArray]:
    return [_product(a, b) for a, b in combinations(blocks, 2)]


def _product(a: FloatArray, b: FloatArray) -> FloatArray:
    """Every column of one block times every column of the other: (draw, terms)."""
    return np.asarray((a[:, :, None] * b[:, None, :]).reshape(len(a), -1))


def population_factor(years: float, rate: float, start: float = 0.0) -> float:
    """Discounted years from ``start`` to ``years``, as patients come evenly through them; 0 where it starts too late.

    Examples
    --------
    >>> round(population_factor(10, 0.035), 6), population_factor(10, 0.0, 4.0), population_factor(3, 0.03, 4.0)
    (8.461311, 6.0, 0.0)
    """
    if start >= years:
        return 0.0
    force = np.log1p(rate)
    return float(years - start if rate == 0 else (np.exp(-force * start) - np.exp(-force * years)) / force)


def nested_events(
    chance: FloatArray, sizes: Sequence[int], rng: np.random.Generator, *, binomial: bool = True
) -> Iterator[FloatArray]:
    """Events among patients of a study as it grows, each size holding the one before it: (draw,) for each size.

    Parameters
    ----------
    chance
        Chance of the event in each draw, or events expected per patient where they are not ``binomial`` but Poisson.
    sizes
        Patients seen, in rising order.
    """
    events = np.zeros(len(chance))
    for before, size in pairwise((0, *sizes)):
        more = size - before
        events = events + (rng.binomial(more, chance) if binomial else rng.poisson(more * chance))
        yield events
