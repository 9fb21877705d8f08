"""The engines for few lanes, for many, and the compiled one give the same sums and refuse the same faults."""

from __future__ import annotations

import sys
from dataclasses import replace
from functools import partial

import numpy as np
import pytest

from econmodel.errors import AnalysisError, ModelError
from econmodel.model import compiled
from econmodel.model.cohort import CohortTotals, Moves, Schedule, choose_engine, run_blocks, run_cohort
from econmodel.model.disease import run_disease
from econmodel.model.inputs import base_values, resolve
from econmodel.model.numpy_engines import FewLanesEngine, SlicedEngine, alike
from econmodel.model.stages import StageBlock
from econmodel.model.structure import build_structure

SCHEDULE = Schedule(12, (0, 0, 1, 2, 2), 12, (0.0, 0.03, 0.035))
STRUCTURES = [build_structure(), build_structure(vintages=3, spans=(12, 7))]
SUMS = ("starts", "years", "moves", "visits", "trace")


def visits(stage: int, n_lanes: int) -> dict[int, np.ndarray]:
    return {0: np.linspace(0, 1, n_lanes), 7: np.ones(n_lanes)} if stage % 2 else {}


IMPULSES = ((1, 3), (0, 1))


def impulses(stage: int, n_lanes: int) -> dict[int, np.ndarray]:
    return {0: np.linspace((0.1, 0.9), (0.8, 0.0), n_lanes).T, 5: np.full((2, n_lanes), 0.3)} if stage != 1 else {}


def random_run(structure, n_lanes: int, engine: str, *, at_once: int = 5, struck: bool = False) -> CohortTotals:
    """Random probabilities and starts, the same for every engine."""
    rng = np.random.default_rng(n_lanes)
    p = rng.uniform(0, 0.06, (5, len(structure.moves), n_lanes))
    initial = rng.dirichlet(np.ones(len(structure.states)), n_lanes).T
    moves = replace(structure.engine_moves(), impulses=IMPULSES if struck else ())
    given = {"visits": lambda s: visits(s, n_lanes), "impulses": (lambda s: impulses(s, n_lanes)) if struck else None}
    if at_once == 1:
        return run_cohort(moves, lambda s: p[s], initial, SCHEDULE, **given, keep_trace=True, engine=engine)
    return run_blocks(
        moves,
        lambda s: StageBlock(p[s:], tuple(range(min(at_once, 5 - s)))),
        initial,
        SCHEDULE,
        **given,
        keep_trace=True,
        engine=engine,
    )


def assert_same(found: CohortTotals, expected: CohortTotals) -> None:
    for name in SUMS:
        np.testing.assert_allclose(getattr(found, name), getattr(expected, name), rtol=1e-12, atol=1e-13, err_msg=name)


@pytest.mark.parametrize("structure", STRUCTURES, ids=["base", "split"])
@pytest.mark.parametrize("n_lanes", [1, 127, 300])
@pytest.mark.parametrize("struck", [False, True])
def test_compiled_equals_numpy(structure, n_lanes, struck):
    """Sums, visits, impulses and trace agree to 1e-12, in full blocks of lanes and in part ones."""
    runs = [random_run(structure, n_lanes, engine, struck=struck) for engine in ("compiled", "numpy")]
    assert_same(*runs)


@pytest.mark.parametrize("structure", STRUCTURES, ids=["base", "split"])
@pytest.mark.parametrize("struck", [False, True])
def test_many_lanes_equal_few(structure, struck, monkeypatch):
    """The engine for many lanes, cut into slices, agrees with the one for few."""
    monkeypatch.setattr("econmodel.model.cohort.FEW_LANES", 1_000)
    few = random_run(structure, 900, "numpy", struck=struck)
    monkeypatch.setattr("econmodel.model.cohort.FEW_LANES", 0)
    monkeypatch.setattr("econmodel.model.numpy_engines.SLICE", 250)
    assert_same(random_run(structure, 900, "numpy", struck=struck), few)


@pytest.mark.parametrize("engine", ["numpy", "compiled"])
def test_stages_one_at_a_time_or_together(engine):
    """How many stages come in a block makes no difference."""
    together = random_run(STRUCTURES[0], 50, engine, struck=True)
    for at_once in (1, 2):
        assert_same(random_run(STRUCTURES[0], 50, engine, at_once=at_once, struck=True), together)


@pytest.mark.parametrize("engine", ["few", "many", "compiled"])
@pytest.mark.parametrize("split", [False, True])
def test_a_wait_equals_a_state_a_month(engine, split, monkeypatch):
    """Who waits some months leaves as along a chain of states, whichever month each came; a change of class keeps the time."""
    monkeypatch.setattr("econmodel.model.cohort.FEW_LANES", 0 if engine == "many" else 1_000)
    rng, n_lanes, (first, second) = np.random.default_rng(3), 140, (5, 3)
    # 0 outside, 1 and 2 waits one after the other, 3 after them; with classes 4 and 5 the waits of the worse one.
    inner = [(1, 0), (2, 0), (0, 1), (1, 6), (2, 6), (3, 6), (0, 6), (3, 0)] + [(1, 4), (2, 5), (4, 0), (5, 6), (0, 4)] * split
    p = rng.uniform(0, 0.12, (5, len(inner), n_lanes))
    leaving = [m for m, (i, _) in enumerate(inner) if i == 1]
    p[:, leaving, :20], p[:, leaving[:2], 20:40] = 1 / len(leaving), 0.499999  # nobody stays, hardly anybody does
    p[:, leaving[2:], 20:40] = 0.0
    waits = ((1, 2, first), (2, 3, second), *([(4, 5, first), (5, 3, second)] if split else []))
    start = rng.dirichlet(np.ones(7), n_lanes).T
    start[[2, 4, 5]] = 0.0
    found = run_cohort(
        Moves(7, tuple(i for i, _ in inner), tuple(j for _, j in inner), waits=waits),
        lambda s: p[s],
        start,
        SCHEDULE,
        keep_trace=True,
        engine="compiled" if engine == "compiled" else "numpy",
    )
    names = [(0, 0), (3, 0), *((s, m) for s, _, n in waits for m in range(n)), (6, 0)]
    at, months = {name: i for i, name in enumerate(names)}, {s: n for s, _, n in waits}
    chain = [(m, i, j, k) for m, (i, j) in enumerate(inner) for k in range(months.get(i, 1))]
    goes = [(m, at[i, k], at[j, k if i in months and j in months else 0]) for m, i, j, k in chain]

    def by_month(stage: int) -> np.ndarray:
        rows = []
        for s, _, n in waits:
            classes = sum(p[stage][m] for m, (i, _) in enumerate(inner) if i == s)
            rows += [1 - classes] * n
        return np.array([*(p[stage][m] for m, _, _ in goes), *rows])

    ages = [(at[s, k], at[s, k + 1] if k + 1 < n else at[target, 0]) for s, target, n in waits for k in range(n)]
    moved = [(i, on(i, j, names, months, waits, at)) for _, i, j in goes]
    begun = np.zeros((len(names), n_lanes))
    for state in range(7):
        if (state, 0) in at:
            begun[at[state, 0]] += start[state]
    whole = run_cohort(
        Moves(len(names), tuple(i for i, _ in [*moved, *ages]), tuple(j for _, j in [*moved, *ages])),
        by_month,
        begun,
        SCHEDULE,
        keep_trace=True,
        engine="numpy",
    )
    for state in range(7):
        mine = [i for (s, _), i in at.items() if s == state]
        np.testing.assert_allclose(found.years[:, :, state], whole.years[:, :, mine].sum(axis=2), rtol=1e-12, atol=1e-13)
        np.testing.assert_allclose(found.trace[:, state], whole.trace[:, mine].sum(axis=1), rtol=1e-12, atol=1e-13)


def on(i, j, names, months, waits, at):
    """A move between classes takes place in the month that also ages: it leads one month on."""
    (state, month), (target, _) = names[i], names[j]
    if state not in months or target not in months:
        return j
    following = next(after for s, after, _ in waits if s == target)
    return at[target, month + 1] if month + 1 < months[target] else at[following, 0]


def by_hand(p: float, shares: dict[int, float], months: int) -> dict[str, float]:
    """Two states and a sink by hand: whom an impulse moves from the first to the second, before the month's moves."""
    here, found = [1.0, 0.0], {"moved": 0.0, "seen": 0.0, "years": 0.0, "left": 0.0}
    for month in range(months):
        moved = shares.get(month, 0.0) * here[0]
        found["seen"] += here[0] if month in shares else 0.0
        found["moved"] += moved
        start = [here[0] - moved, here[1] + moved]
        here = [start[0] * (1 - p), start[1]]
        found["left"] += start[0] * p
        found["years"] += (start[0] + here[0]) / 24
    return found | {"second": here[1]}


@pytest.mark.parametrize("engine", ["few", "many", "compiled"])
@pytest.mark.parametrize("periods", [(0, 0, 0), (0, 1, 2)])
def test_impulses_by_hand(engine, periods, monkeypatch):
    """Visits before, years after, moves of who is left: as by hand, whether a period or a stage ends at an impulse."""
    monkeypatch.setattr("econmodel.model.cohort.FEW_LANES", 0 if engine == "many" else 1_000)
    shares = {0: 0.1, 5: 0.5, 24: 0.25, 31: 1.0}
    due = {k: {m % 12: np.ones(3) for m in shares if m // 12 == k} for k in range(3)}
    struck = {k: {m % 12: np.full((1, 3), shares[m]) for m in shares if m // 12 == k} for k in range(3)}
    run = run_cohort(
        Moves(3, (0,), (2,), ((0, 1),)),
        lambda stage: np.full((1, 3), 0.02),
        np.array([[1.0] * 3, [0.0] * 3, [0.0] * 3]),
        Schedule(12, periods),
        visits=due.__getitem__,
        impulses=struck.__getitem__,
        keep_trace=True,
        engine="compiled" if engine == "compiled" else "numpy",
    )
    expected = by_hand(0.02, shares, 36)
    found = {
        "left": run.moves[0, :, 0].sum(axis=0),
        "moved": run.moves[0, :, 1].sum(axis=0),
        "seen": run.visits[0, :, 0].sum(axis=0),
        "years": run.years[0, :, 0].sum(axis=0),
        "second": run.trace[-1, 1],
    }
    for name, value in found.items():
        np.testing.assert_allclose(value, expected[name], rtol=1e-13, err_msg=name)
    np.testing.assert_allclose(run.years[0].sum(axis=(0, 1)), 3.0, rtol=1e-13)


def test_states_nobody_reaches_stay_empty(monkeypatch):
    """Lanes that start alike leave states out; the result is that of every state."""
    structure = STRUCTURES[0]
    p = np.full((1, len(structure.moves), 600), 0.05)
    p[:, structure.kinds("finish", "retreat")] = 0.0
    initial = np.zeros((8, 600))
    initial[2] = 1.0
    monkeypatch.setattr("econmodel.model.cohort.FEW_LANES", 0)
    runs = [
        run_blocks(structure.engine_moves(), lambda s: StageBlock(p, (0,) * 5), initial, SCHEDULE, engine=engine)
        for engine in ("numpy", "compiled")
    ]
    for run in runs:
        assert run.starts[:, :, :2].max() == 0
        np.testing.assert_allclose(run.years[0].sum(axis=(0, 1)), 5.0, rtol=1e-12)


def test_a_state_reached_by_impulse_alone_empties(monkeypatch):
    """Nobody stays a month in a state that only impulses fill: it is empty again a month later, with every engine."""
    monkeypatch.setattr("econmodel.model.cohort.FEW_LANES", 1)
    moves = Moves(3, (1, 0), (0, 2), ((0, 1),))
    p, struck = np.array([[1.0, 1.0], [0.01, 0.02]]), {0: np.array([[0.5, 0.4]]), 6: np.array([[0.3, 0.2]])}
    start = np.array([[1.0, 1.0], [0.0, 0.0], [0.0, 0.0]])
    run = partial(run_cohort, moves, lambda stage: p, start, Schedule(12, (0, 1)), impulses=lambda stage: struck, keep_trace=True)
    for engine in ("numpy", "compiled"):
        found = run(engine=engine)
        struck_at_start = found.moves[0, :, 2]
        np.testing.assert_allclose(found.starts[0, :, 1], struck_at_start, rtol=1e-12)
        np.testing.assert_allclose(found.trace[:, 1], 0.0, atol=1e-15)


@pytest.mark.parametrize("engine", ["few", "many", "compiled"])
@pytest.mark.parametrize("bad", [-1e-6, 0.7, np.nan])
def test_faults_are_refused_with_their_stage(engine, bad, monkeypatch):
    """A negative probability, a sum above 1 or no number stops the run and names the stage."""
    monkeypatch.setattr("econmodel.model.cohort.FEW_LANES", 0 if engine == "many" else 1_000)
    moves = Moves(3, (0, 0, 1), (1, 2, 2))
    p = np.full((3, 3, 130), 0.4)
    p[2, 1, 129] = bad
    initial = np.zeros((3, 130))
    initial[0] = 1.0
    with pytest.raises(ModelError, match="stage 2: probabilities must be"):
        run_blocks(
            moves,
            lambda s: StageBlock(p, (0, 1, 2)),
            initial,
            Schedule(1, (0, 0, 0)),
            engine="compiled" if engine == "compiled" else "numpy",
        )


def test_rounding_is_no_fault():
    """Moves that sum to 1 but for the last digit are a state left for certain."""
    p = np.array([[0.1], [0.2], [0.7 + 3e-16]])
    for engine in ("numpy", "compiled"):
        run = run_cohort(
            Moves(4, (0, 0, 0), (1, 2, 3)),
            lambda s: p,
            np.array([[1.0], [0], [0], [0]]),
            Schedule(1, (0, 0)),
            keep_trace=True,
            engine=engine,
        )
        assert run.trace[1, 0, 0] == 0.0


def test_disease_by_engine(base):
    """The disease model of 30 draws is the same by every engine."""
    values = {name: np.repeat(value, 30) for name, value in base_values(base).items()}
    values["hr_glue"] = np.linspace(0.2, 0.9, 30)
    inputs = resolve(base, values)
    runs = [run_disease(inputs, (0, 0, 1, 1, 1, 2), (0.0, 0.03), engine=engine) for engine in ("numpy", "compiled")]
    for name in SUMS[:-1]:
        np.testing.assert_allclose(getattr(runs[1], name), getattr(runs[0], name), rtol=1e-12, atol=1e-14)


def test_choice_of_engine(monkeypatch):
    """Small work goes to NumPy, large to the compiled engine if it is there; a name overrides; another is refused."""
    monkeypatch.setattr(compiled, "loaded", lambda: False)
    assert choose_engine("auto", 42, 480) is FewLanesEngine
    assert choose_engine("auto", 5_000, 480) is SlicedEngine
    assert choose_engine("auto", 10**6, 480) is compiled.CompiledEngine
    monkeypatch.setattr(compiled, "loaded", lambda: True)
    assert choose_engine("auto", 5_000, 480) is compiled.CompiledEngine
    monkeypatch.setattr(compiled, "installed", lambda: False)
    assert choose_engine("auto", 10**6, 480) is SlicedEngine
    with pytest.raises(AnalysisError, match="auto, numpy or compiled"):
        choose_engine("quick", 1, 1)


def test_nothing_is_compiled_that_cannot_be_kept(monkeypatch):
    """Where the compiler finds no folder to keep its loops in, each run would compile them anew: NumPy does the work."""
    pytest.importorskip("numba")
    monkeypatch.delitem(sys.modules, compiled.KERNEL, raising=False)
    monkeypatch.setattr("numba.core.caching.CacheImpl._locator_classes", [])
    assert choose_engine("auto", 10**6, 480) is SlicedEngine
    assert not compiled.warm_up(10**9)
    assert not compiled.loaded()


def test_compiled_without_the_compiler_says_how_to_get_it(monkeypatch):
    """Asked for by name where numba is missing, the engine says what to install."""
    monkeypatch.setattr(compiled, "installed", lambda: False)
    with pytest.raises(AnalysisError, match="needs numba"):
        random_run(STRUCTURES[0], 3, "compiled")


def test_slices_follow_the_start():
    """Slices are cut where the starting state changes, evenly within, and not into crumbs."""
    initial = np.zeros((3, 1_000))
    initial[0, :300] = initial[1, 300:990] = initial[2, 990:] = 1.0
    assert [(s.start, s.stop) for s in alike(initial, 400)] == [(0, 300), (300, 650), (650, 1000)]
