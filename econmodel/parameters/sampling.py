"""Draw the inputs of a probabilistic analysis.

Every uncertain input has a stream of its own, seeded by the run's seed and the input's name, so that adding an input
leaves the others' draws unchanged. A stream draws from the input's distribution directly; Sobol points and correlated
groups go through the quantile function. Ordered groups are a base and increments, so that they cannot cross.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Iterator, Mapping
from typing import Any
from zlib import crc32

import numpy as np
from numpy.typing import NDArray

from econmodel.errors import AnalysisError, ParameterError
from econmodel.parameters.distributions import Distribution, fit, fixed
from econmodel.parameters.following import follow_draws
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.rules import fitting, within
from econmodel.parameters.schema import PROCESS, JointGroup, Parameter, bounds_of, twin
from econmodel.parameters.structures import Choices, groups, structures_of
from econmodel.records import record

FloatArray = NDArray[np.float64]
FEWEST, MOST = 3, 2**23
SMALLEST = 2.0**-54
SCRAMBLINGS = 8


@record
class Increment:
    """How one member of an ordered group follows the one before it.

    ``kind`` is ``ratio`` (previous times a beta), ``complement`` (the same on 1 minus the value) or ``sum`` (previous
    plus a gamma). The mean is the declared value; so is the standard error.
    """

    kind: str
    distribution: Distribution


class Layout:
    """How the columns drawn become the inputs of one structure."""

    def __init__(self, parameters: ParameterSet) -> None:
        self.parameters = parameters
        self.base = {n: float(p.value) for n, p in parameters.parameters.items() if isinstance(p.value, float)}
        self.uncertain = {n: parameters[n].distribution for n in self.base if parameters[n].is_uncertain}
        self.moving = [n for n in self.base if n in self.uncertain or parameters[n].follows_draws]
        self.increments = {m: step for group in parameters.ordered for m, step in fit_increments(parameters, group)}
        self.columns = {n: self.increments[n].distribution if n in self.increments else d for n, d in self.uncertain.items()}

    def values(self, drawn: dict[str, FloatArray], n: int) -> dict[str, FloatArray]:
        """Every numeric input: (draw,); those drawn as increments in their order, those that follow after their parents."""
        values = {name: np.full(n, value) for name, value in self.base.items()}
        values |= {name: drawn[name] for name in self.uncertain if name not in self.increments}
        for group in self.parameters.ordered:
            self._order(values, drawn, group)
        values = follow_draws(self.parameters, values)
        for name in self.moving:
            _check_bounds(self.parameters[name], values[name])
        return values

    def moved(self, drawn: dict[str, FloatArray], base: Layout) -> dict[str, FloatArray]:
        """Columns of the base structure at the same place of this structure's distributions."""
        return drawn | {
            name: d.ppf(base.columns[name].cdf(drawn[name]))
            for name, d in self.columns.items()
            if name in base.columns and d != base.columns[name]
        }

    def _order(self, values: dict[str, FloatArray], drawn: dict[str, FloatArray], group: JointGroup) -> None:
        for before, name in zip(group.members, group.members[1:], strict=False):
            step = self.increments.get(name)
            if step is None:
                continue
            moved, previous = drawn[name], values[before]
            values[name] = (
                previous + moved
                if step.kind == "sum"
                else previous * moved
                if step.kind == "ratio"
                else 1.0 - (1.0 - previous) * moved
            )


class Sampler:
    """Streams of draws for one case.

    Parameters
    ----------
    parameters
        The case.
    seed
        Seed of the run.
    sobol
        Scrambled Sobol points instead of ordinary sampling, in :data:`SCRAMBLINGS` independent sequences one after the other, so
        that their means tell the error; the number of draws must then be a power of two.
    forced
        Choices of weighted settings made in every draw: the same draws as without, in another structure.

    Notes
    -----
    Where the distribution of an input depends on a choice, a draw keeps its place: the same quantile under each choice.
    """

    def __init__(self, parameters: ParameterSet, seed: int, *, sobol: bool = False, forced: Choices | None = None) -> None:
        self.parameters, self.forced = parameters, forced or {}
        self.settings = [n for n, p in parameters.parameters.items() if p.weights]
        self.shares = [n for n, p in parameters.parameters.items() if p.distribution.family == "dirichlet"]
        self.structures = structures_of(parameters)
        self.deriving = [name for name in self.structures.deriving if name in self.settings]
        self.layouts: dict[tuple[tuple[str, str], ...], Layout] = {(): Layout(parameters)}
        basis = {"effect_basis": PROCESS} if "effect_basis" in self.settings else {}
        self.twins = {twin(n): p for n, p in self.structures.choose(basis).twins().items()}
        weights = {n: parameters[n].distribution for n in self.settings}
        self.columns = self.layouts[()].columns | self._weights() | weights
        self._streams = {name: stream(seed, name) for name in self.columns}
        self._twin_streams = {name: stream(seed, p.name) for name, p in self.twins.items()}
        self._sobol: list[Any] = self._sequences(seed) if sobol else []
        self._given, self._each = 0, 0

    def _sequences(self, seed: int) -> list[Any]:
        from scipy.stats import qmc

        return [qmc.Sobol(len(self.columns), scramble=True, rng=stream(seed, f"sobol {k}")) for k in range(SCRAMBLINGS)]

    def blocks(self, draws: int, size: int) -> Iterator[dict[str, FloatArray]]:
        """Give the draws in blocks of at most ``size``; the same draws whatever the size. Raises as :func:`check_draws`."""
        check_draws(draws, sobol=bool(self._sobol))
        self._given, self._each = 0, draws // SCRAMBLINGS
        for start in range(0, draws, size):
            yield self._values(min(size, draws - start))

    @property
    def varying(self) -> tuple[str, ...]:
        """Columns of the inputs as drawn: those that move, each share of a table, and the settings."""
        shares = [f"{name}[{row['name']}]" for name in self.shares for row in self.parameters.rows(name)]
        return (*self.layouts[()].moving, *shares, *self.settings)

    def drawn(self, values: Mapping[str, FloatArray]) -> dict[str, FloatArray]:
        """Those columns of some draws: (draw, 1)."""
        shares = {f"{n}[{row['name']}]": values[n][:, i] for n in self.shares for i, row in enumerate(self.parameters.rows(n))}
        known = {**values, **shares}
        return {name: known[name][:, None] for name in self.varying}

    def _draw(self, n: int) -> dict[str, FloatArray]:
        """Draws of each column: the input itself, its increment, a gamma weight of a share, or the place of a choice."""
        if self._sobol:
            points = np.maximum(self._sobol_points(n), SMALLEST)
            u = {name: points[:, i] for i, name in enumerate(self.columns)}
        else:
            together = {m for group in self.parameters.correlated for m in group.members if m in self.columns}
            u = {name: np.maximum(self._streams[name].random(n), SMALLEST) for name in together}
        for group in self.parameters.correlated:
            correlate(u, group)
        return {name: d.ppf(u[name]) if name in u else d.draw(self._streams[name], n) for name, d in self.columns.items()}

    def _sobol_points(self, n: int) -> FloatArray:
        """Next points; a sequence's total is a power of two, as the library asks, but a block need not be."""
        points = []
        with warnings.catch_warnings():
            warnings.filterwarnings("ignore", message="The balance properties")
            while n:
                sequence, taken = divmod(self._given, self._each)
                some = min(n, self._each - taken)
                points.append(self._sobol[sequence].random(some))
                self._given, n = self._given + some, n - some
        return np.concatenate(points)

    def _weights(self) -> dict[str, Distribution]:
        """Gamma weights whose shares are Dirichlet."""
        found = {}
        for name in self.shares:
            n = self.parameters[name].distribution.fields["n"]
            for i, row in enumerate(self.parameters.rows(name)):
                weight = {"shape": n * float(row["share"]), "scale": 1.0, "shift": 0.0}
                found[f"{name}[{i}]"] = Distribution("gamma", weight) if row["share"] else fixed(0.0, "empty group")
        return found

    def _values(self, n: int) -> dict[str, FloatArray]:
        drawn = self._draw(n)
        codes = {name: drawn[name] for name in self.settings}
        codes |= {name: np.full(n, float(list(self.parameters[name].weights).index(c))) for name, c in self.forced.items()}
        values = self._laid(drawn, codes, n) | codes
        values |= {name: p.distribution.draw(self._twin_streams[name], n) for name, p in self.twins.items()}
        for name in self.shares:
            weights = np.stack([drawn[f"{name}[{i}]"] for i in range(len(self.parameters.rows(name)))], axis=1)
            values[name] = weights / weights.sum(axis=1, keepdims=True)
        return values

    def _laid(self, drawn: dict[str, FloatArray], codes: dict[str, FloatArray], n: int) -> dict[str, FloatArray]:
        """Numeric inputs of every draw, each by the structure it is in."""
        base = self.layouts[()]
        values = {name: np.empty(n) for name in base.base}
        for choices, rows in groups(self.parameters, self.deriving, codes, n):
            key = tuple(choices.items())
            layout = self.layouts.get(key) or self.layouts.setdefault(key, Layout(self.structures.choose(choices)))
            mine = layout.moved({name: drawn[name][rows] for name in base.columns}, base)
            for name, found in layout.values(mine, len(rows)).items():
                values[name][rows] = found
        return values


def _check_bounds(p: Parameter, drawn: FloatArray) -> None:
    """Refuse draws outside the bounds of an input's unit: they are never clipped."""
    low, high = bounds_of(p.unit)
    inside = (drawn >= low) & (drawn <= high) & np.isfinite(drawn)
    if not inside.all():
        what = f"{p.name} is drawn as {drawn[~inside][0]:.4g} ({p.unit}): must be {within(p.unit)}"
        fix = f"give it a distribution inside its bounds, such as {fitting(p.unit)}; now {p.distribution.describe()}"
        raise AnalysisError(what, where=str(p.where), fix=fix)


def check_draws(draws: int, *, sobol: bool = False) -> None:
    """Refuse a number of draws.

    Raises
    ------
    AnalysisError
        Too few or too many draws, or Sobol draws that are not a power of two.
    """
    within, fewest = FEWEST <= draws <= MOST, 2 * SCRAMBLINGS if sobol else FEWEST
    if not within or (sobol and (draws & (draws - 1) or draws < fewest)):
        rule = f"a power of two from {fewest} with --sobol" if within else f"from {FEWEST} to {MOST:,}"
        what = f"draws = {draws:,}: must be {rule}"
        fix = min(MOST, max(fewest, 2 ** round(math.log2(max(draws, 2)))))
        raise AnalysisError(what, where="--draws", fix=f"--draws {fix}")


def stream(seed: int, name: str) -> np.random.Generator:
    """Random stream of one input."""
    return np.random.default_rng(np.random.SeedSequence([seed, crc32(name.encode())]))


def sample(parameters: ParameterSet, draws: int, *, seed: int, sobol: bool = False) -> dict[str, FloatArray]:
    """Draw all inputs at once: name to (draw,), shares to (draw, group)."""
    return next(Sampler(parameters, seed, sobol=sobol).blocks(draws, draws))


def correlate(u: dict[str, FloatArray], group: JointGroup) -> None:
    """Correlate the members of a group on the normal scale, in place.

    The first member keeps its own draw; later ones lean on those before (Cholesky factor of the correlation matrix).
    """
    from scipy.special import ndtr, ndtri

    places = [i for i, m in enumerate(group.members) if m in u]
    if len(places) < 2:
        return
    members = [group.members[i] for i in places]
    factor = np.linalg.cholesky(np.array(group.correlation)[np.ix_(places, places)])
    own = [ndtri(u[m]) for m in members]
    for name, row in zip(members, factor, strict=True):
        # Summed term by term: a matrix product rounds differently with the size of the block.
        z = sum(weight * normal for weight, normal in zip(row.tolist(), own, strict=True))
        u[name] = np.clip(ndtr(z), SMALLEST, 1.0 - 2.0**-53)


def fit_increments(parameters: ParameterSet, group: JointGroup) -> Iterator[tuple[str, Increment]]:
    """Fit each increment of an ordered group so that every member keeps its declared mean and standard error.

    Raises
    ------
    ParameterError
        A member's standard error is too small for it to lie beyond the one before by a random step.
    """
    for before, name in zip(group.members, group.members[1:], strict=False):
        lower, upper = parameters[before], parameters[name]
        if not upper.is_uncertain:
            continue
        yield name, _increment(lower, upper, group)


def _increment(before: Parameter, after: Parameter, group: JointGroup) -> Increment:
    m0, m1, v0, v1 = before.distribution.mean, after.distribution.mean, before.distribution.sd**2, after.distribution.sd**2
    if group.direction == "up" and after.unit != "probability":
        return Increment("sum", _step("gamma", m1 - m0, v1 - v0, after, group))
    if group.direction == "up":
        m0, m1 = 1.0 - m0, 1.0 - m1
    second = (v1 + m1 * m1) / (v0 + m0 * m0)
    kind = "complement" if group.direction == "up" else "ratio"
    return Increment(kind, _step("beta", m1 / m0, second - (m1 / m0) ** 2, after, group))


def _step(family: str, mean: float, variance: float, after: Parameter, group: JointGroup) -> Distribution:
    if variance <= 0 or mean <= 0:
        what = (
            f"{after.name}: its standard error is too small to follow the member before it in [{group.where.table}] by a random step"
        )
        raise ParameterError(what, where=str(after.where), fix="give it a larger standard error, or make it fixed")
    return fit({"family": family, "se": math.sqrt(variance)}, mean)
