"""Probabilistic analysis: all inputs varied together, within their distributions.

Draws run in blocks, and what is kept is one number per outcome, draw and strategy, beyond a size in a temporary file: so
memory does not grow with the number of draws. Strategies share every draw. Blocks run on as many threads as there are
processors where the compiled engine is used; the result is the same. Axis order: (draw, strategy).
"""

from __future__ import annotations

import shutil
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import field
from functools import cached_property
from os import cpu_count
from pathlib import Path
from tempfile import mkdtemp
from typing import TYPE_CHECKING, Any, NamedTuple, TypeVar
from weakref import finalize

import numpy as np
from numpy.typing import NDArray

from econmodel.economics.comparison import Comparison, Totals
from econmodel.economics.evaluate import Evaluation, evaluate
from econmodel.economics.lead import find_subjects, next_of_route
from econmodel.economics.prices import VIEWS
from econmodel.economics.results import comparators
from econmodel.model.compiled import warm_up
from econmodel.model.inputs import horizon_years
from econmodel.model.worsening import CLASSES
from econmodel.parameters.catalogue import KEPT
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.sampling import SCRAMBLINGS, Sampler
from econmodel.parameters.structures import Choices, Part, Structures, structures_of
from econmodel.records import record

if TYPE_CHECKING:
    import pandas as pd

FloatArray = NDArray[np.float64]
Progress = Callable[[int, int], None]
LANES_PER_BLOCK = 16384
MANY_DRAWS = 50_000
DRAWN_TOGETHER = 4096
HEADLINE = "_headline"
SUMMED = ("cost", "prophylaxis_cost", "qalys", "life_years", "bleeds", "gastric_first_bleeds")
CURVE_POINTS = 41
IN_MEMORY = 32 * 2**20
Given = TypeVar("Given")
Found = TypeVar("Found")


class DrawStore(Mapping[str, FloatArray]):
    """Outcomes by name, each (draw, strategy).

    Parameters
    ----------
    names
        Outcomes kept.
    n_draws, n_strategies
        Size of each.
    """

    def __init__(self, names: Sequence[str], n_draws: int, n_strategies: int) -> None:
        self.names, self.shape = tuple(names), (n_strategies, n_draws)
        self._folder: Path | None = None
        self._kept: FloatArray | None = None
        if 8 * len(self.names) * n_draws * n_strategies <= IN_MEMORY:
            self._kept = np.full((len(self.names), *self.shape), np.nan)
        else:
            self._folder = Path(mkdtemp(prefix="econmodel-draws-"))
            finalize(self, shutil.rmtree, self._folder, ignore_errors=True)

    @property
    def in_memory(self) -> bool:
        """Whether the outcomes are held in memory."""
        return self._kept is not None

    def _path(self, name: str) -> Path:
        assert self._folder is not None
        return self._folder / name

    def place(self, rows: NDArray[np.int64], outcomes: Mapping[str, FloatArray]) -> None:
        """Keep some draws, each outcome (draw, strategy), at their places."""
        for name in self.names:
            self._rows(name)[:, rows] = outcomes[name].T

    def _rows(self, name: str) -> FloatArray:
        """One outcome to write to: (strategy, draw)."""
        if self._kept is not None:
            kept: FloatArray = self._kept[self.names.index(name)]
            return kept
        return np.memmap(self._path(name), dtype=np.float64, mode="r+" if self._path(name).exists() else "w+", shape=self.shape)

    def __getitem__(self, name: str) -> FloatArray:
        """One outcome: (draw, strategy)."""
        if name not in self.names:
            raise KeyError(name)
        if self._kept is not None:
            kept: FloatArray = self._kept[self.names.index(name)]
        else:
            kept = np.memmap(self._path(name), dtype=np.float64, mode="r", shape=self.shape)
        return np.transpose(kept)

    def __iter__(self) -> Iterator[str]:
        return iter(self.names)

    def __len__(self) -> int:
        return len(self.names)


@record
class Psa:
    """Draws of every outcome kept, arrays (draw, strategy), and of every input that moves, (draw, 1).

    Of a setting ``inputs`` holds the place of its choice among its weights.
    """

    parameters: ParameterSet
    keys: tuple[str, ...]
    risk_years: tuple[int, ...]
    headline_years: int
    seed: int
    sobol: bool
    outcomes: Mapping[str, FloatArray]
    comparators: tuple[str, ...]
    inputs: Mapping[str, FloatArray] = field(default_factory=dict)

    @property
    def draws(self) -> int:
        """Number of draws."""
        return len(self.outcomes["cost"])

    @property
    def sequences(self) -> int:
        """Sequences of Sobol points, one after the other; 1 for independent draws."""
        return SCRAMBLINGS if self.sobol else 1

    @property
    def threshold(self) -> float | None:
        """Willingness to pay for a QALY; None where the case names none."""
        return self.parameters.threshold

    def column(self, name: str, strategy: int) -> FloatArray:
        """Outcome of one strategy: (draw,); of draws on disk, only this is read."""
        return np.array(self.outcomes[name][:, strategy])

    def totals(self, key: str, *, headline: bool = False) -> Totals[FloatArray]:
        """What one strategy comes to over the time horizon, or over the headline years: (draw,), read when it is used."""
        s, suffix = self.keys.index(key), HEADLINE if headline else ""
        last = min(self.headline_years, self.risk_years[-1]) if headline else self.risk_years[-1]
        summed = {name: self.outcomes[f"{name}{suffix}"][:, s] for name in SUMMED}
        return Totals(
            **summed, first_bleed_risk={y: self.outcomes[f"first_bleed_risk_{y}"][:, s] for y in self.risk_years if y <= last}
        )

    def compare(self, key: str, versus: str, *, headline: bool = False) -> Comparison[FloatArray]:
        """Compare two strategies over the time horizon, or over the headline years: (draw,)."""
        a, b = (self.totals(k, headline=headline) for k in (key, versus))
        return Comparison(versus, self.threshold, a, b)

    def net_benefit(self, threshold: float) -> FloatArray:
        """Net monetary benefit over the time horizon: (draw, strategy)."""
        return np.asarray(threshold * self.outcomes["qalys"] - self.outcomes["cost"])

    @cached_property
    def thresholds(self) -> FloatArray:
        """Willingness-to-pay values of the acceptability curves, from 0 to three times the case's own."""
        return np.linspace(0.0, 3.0 * self.parameters.need_threshold("an acceptability curve"), CURVE_POINTS)

    def best(self, threshold: float) -> NDArray[np.int64]:
        """Strategy with the highest net benefit, the first of equals: (draw,)."""
        highest, best = np.full(self.draws, -np.inf), np.zeros(self.draws, dtype=np.int64)
        for s in range(len(self.keys)):
            benefit = threshold * self.column("qalys", s) - self.column("cost", s)
            better = benefit > highest
            best[better], highest[better] = s, benefit[better]
        return best

    @cached_property
    def acceptability(self) -> FloatArray:
        """Probability that each strategy has the highest net benefit: (threshold, strategy); rows sum to 1."""
        n = len(self.keys)
        return np.stack([np.bincount(self.best(t), minlength=n) / self.draws for t in self.thresholds])

    def draws_frame(self, start: int = 0, end: int | None = None) -> pd.DataFrame:
        """One row per draw, of some draws only when asked: every input as drawn, structure by its choice, and outcomes by strategy."""
        import pandas as pd

        rows = slice(start, end)
        index = pd.RangeIndex(*rows.indices(self.draws), name="draw")
        columns = {name: self._drawn(name, array[rows, 0]) for name, array in self.inputs.items()}
        columns |= {
            f"{contract_name(name)}.{key}": array[rows, s] for name, array in self.outcomes.items() for s, key in enumerate(self.keys)
        }
        return pd.DataFrame(columns, index=index).reset_index()

    def _drawn(self, name: str, values: FloatArray) -> NDArray[Any]:
        weights = self.parameters.parameters[name].weights if name in self.parameters.parameters else {}
        return np.array(list(weights))[values.astype(int)] if weights else values


def contract_name(outcome: str) -> str:
    """Name of an outcome in files: they say ``five_years`` for the headline years, whatever these are."""
    return outcome.replace(HEADLINE, "_five_years")


def kept_outcomes(e: Evaluation) -> dict[str, FloatArray]:
    """Outcomes kept for each draw, all patients: (draw, strategy)."""
    years = e.headline
    found = {
        "cost": e.cost(),
        f"cost{HEADLINE}": e.cost(years),
        "qalys": e.qalys(),
        f"qalys{HEADLINE}": e.qalys(years),
        "life_years": e.life_years(),
        f"life_years{HEADLINE}": e.life_years(years),
        "bleeds": e.bleeds(),
        f"bleeds{HEADLINE}": e.bleeds(years),
        "gastric_first_bleeds": e.count("gastric_first_bleeds"),
        f"gastric_first_bleeds{HEADLINE}": e.count("gastric_first_bleeds", years),
        "prophylaxis_cost": e.cost(category="prophylaxis"),
        f"prophylaxis_cost{HEADLINE}": e.cost(years, category="prophylaxis"),
        **{f"{view}_cost": e.cost(perspective=view) for view in VIEWS},
        **{f"{view}_cost{HEADLINE}": e.cost(years, perspective=view) for view in VIEWS},
        **{name: e.count(name) for name in KEPT},
        **{f"first_bleed_risk_{y}": e.count("first_bleeds", y) for y in e.risk_years},
    }
    return {name: np.ascontiguousarray(array[:, :, 0]) for name, array in found.items()}


def _lanes(parameters: ParameterSet) -> int:
    """Strategies times cells of the case mix, times the classes states are split by: what runs side by side in each draw."""
    classes = CLASSES if parameters.text("child_course") == "worsening" else 1
    if parameters.text("hazard_decline") == "frailty":
        classes *= int(parameters.number("n_frailty_classes"))
    return len(parameters.strategies) * len(parameters.rows("case_mix")) * classes


def warm_engine(parameters: ParameterSet, draws: int) -> bool:
    """Load the compiled engine if this many draws repay it; returns whether it is loaded."""
    return warm_up(draws * _lanes(parameters) * 12 * horizon_years(parameters))


def block_size(parameters: ParameterSet, draws: int) -> tuple[int, int]:
    """Draws of a block that fits the cache, and the threads that take blocks."""
    threads = cpu_count() or 1 if warm_engine(parameters, draws) else 1
    at_once = LANES_PER_BLOCK // threads if draws < MANY_DRAWS else LANES_PER_BLOCK // (4 * threads)
    return max(1, at_once // _lanes(parameters)), threads


def run_psa(
    parameters: ParameterSet,
    draws: int,
    *,
    seed: int,
    sobol: bool = False,
    forced: Choices | None = None,
    block: int | None = None,
    progress: Progress | None = None,
) -> Psa:
    """Run a probabilistic analysis.

    Parameters
    ----------
    parameters
        The case.
    draws
        Number of draws, at least 3.
    seed
        Seed; the same seed gives the same result to the bit on one machine.
    sobol
        Scrambled Sobol points; draws must be a power of two.
    forced
        Choices of weighted settings made in every draw.
    block
        Draws sampled together; None for as many as keep memory small. Those of one structure are evaluated together.
    progress
        Called with draws done and draws wanted after each block.

    Raises
    ------
    EconModelError
        The draws are too few, or the case cannot be evaluated.
    """
    _, threads = block_size(parameters, draws)
    sampler, structures = Sampler(parameters, seed, sobol=sobol, forced=forced), structures_of(parameters)
    inputs = DrawStore(sampler.varying, draws, 1)
    store: DrawStore | None = None

    def drawn() -> Iterator[Piece]:
        start = 0
        for values in sampler.blocks(draws, block or DRAWN_TOGETHER):
            n = len(next(iter(values.values())))
            inputs.place(np.arange(start, start + n), sampler.drawn(values))
            yield from pieces(structures, values, draws, start)
            start += n

    done = 0
    for piece, outcomes, e_years in in_order(_evaluate_piece, drawn(), threads):
        if store is None:
            store, years = DrawStore(list(outcomes), draws, len(parameters.strategies)), e_years
        store.place(piece.rows, outcomes)
        done += len(piece.rows)
        if progress:
            progress(done, draws)
    assert store is not None
    subjects = find_subjects(parameters)
    against = comparators(parameters, subjects.usual_care, next_of_route(parameters, subjects.lead))
    return Psa(
        parameters, tuple(parameters.strategies), years, int(parameters.number("headline_years")), seed, sobol, store, against, inputs
    )


class Piece(NamedTuple):
    """Some draws of one structure, and their places among all."""

    part: Part
    values: dict[str, FloatArray]
    rows: NDArray[np.int64]


def pieces(structures: Structures, values: dict[str, FloatArray], draws: int, start: int = 0) -> Iterator[Piece]:
    """Cut draws, the first of them at place ``start`` of so many, into pieces of one structure each that fit the cache."""
    for part in structures.parts(values):
        size, _ = block_size(part.parameters, draws)
        for low in range(0, len(part.rows), size):
            rows = slice(low, low + size)
            yield Piece(part, {name: array[rows] for name, array in part.values.items()}, start + part.rows[rows])


def _evaluate_piece(piece: Piece) -> tuple[Piece, dict[str, FloatArray], tuple[int, ...]]:
    """Outcomes of some draws of one structure, and the years of risk."""
    e = evaluate(piece.part.parameters, piece.values, yearly=False, by_group=False)
    return piece, kept_outcomes(e), e.risk_years


def in_order(work: Callable[[Given], Found], items: Iterable[Given], threads: int) -> Iterator[Found]:
    """Do a piece of work on each item, on some threads, giving results in order and holding few at a time."""
    if threads == 1:
        yield from map(work, items)
        return
    with ThreadPoolExecutor(threads) as pool:
        waiting: deque[Future[Found]] = deque()
        try:
            for item in items:
                waiting.append(pool.submit(work, item))
                if len(waiting) > threads:
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()
        finally:
            for future in waiting:
                future.cancel()
