"""Speed of the model, as ratios measured in one run on one machine.

Run ``python tests/benchmarks/run.py`` where the package is installed. It prints, for 10,000 draws of 5 strategies over 480 months
(one patient group), the time of the NumPy and the compiled engine, a dense matrix loop and plain Python as multiples of a C
kernel vectorised by hand (``yardstick.c``, built where a C compiler is found; AVX-512 or AVX as the machine has; the same
blocks and threads as the compiled engine); then whole analyses, what is asked of a case, and how the cost grows with draws,
months and groups.
Times are processor seconds, all threads together, so that the machine's other work counts little. ``--million`` adds a
million draws and their memory. The kernel's sums must equal the engine's; no time is asserted.
"""

from __future__ import annotations

import argparse
import ctypes
import os
import platform
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np

from econmodel.economics.evaluate import evaluate
from econmodel.model import compiled
from econmodel.model.cohort import Schedule, run_blocks
from econmodel.model.disease import run_disease
from econmodel.model.inputs import ModelInputs, base_values, resolve
from econmodel.model.stages import StageBlock
from econmodel.model.structure import build_structure
from econmodel.parameters.loading import demo_file, load_case
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.sampling import sample
from econmodel.parameters.structures import fix_structure
from econmodel.programme.flips import find_flips
from econmodel.uncertainty.by_structure import PAIRED, by_structure
from econmodel.uncertainty.probabilistic import LANES_PER_BLOCK, in_order, run_psa
from econmodel.workflow import plan_research, run_research

DRAWS, STRATEGIES, MONTHS = 10_000, 5, 480
USUAL = 4_000
LANES = DRAWS * STRATEGIES
THREADS = os.cpu_count() or 1
FIVE = ("watch", "beta_blocker", "glue", "coil_and_glue", "transvenous")
STRUCTURE = build_structure()
ENGINES = ("numpy", "compiled")
SIZES = (25, 50, 100, 200, 400, 600, 800, 1000)


def timed(work: Callable[[], object], repeats: int = 3) -> float:
    """Best of some runs, in processor seconds of all threads, after one to warm up."""
    work()
    best = np.inf
    for _ in range(repeats):
        begun = time.process_time()
        work()
        best = min(best, time.process_time() - begun)
    return best


def probabilities(lanes: int) -> np.ndarray:
    """Plausible probabilities of every move: (move, lane)."""
    rng = np.random.default_rng(1)
    p = rng.uniform(0.001, 0.02, (len(STRUCTURE.moves), lanes))
    acute = {"bleed_death": 0.12, "early_rebleed": 0.1, "recover": 0.78}
    for m, move in enumerate(STRUCTURE.moves):
        p[m] = acute.get(move.kind, p[m])
    return p


def starts(lanes: int) -> np.ndarray:
    """A fifth of the lanes starts untreated, a fifth protected, the rest in a course: (state, lane)."""
    initial = np.zeros((len(STRUCTURE.states), lanes))
    initial[0, : lanes // 5] = initial[2, lanes // 5 : 2 * lanes // 5] = initial[1, 2 * lanes // 5 :] = 1.0
    return initial


def in_blocks(work: Callable[[np.ndarray, np.ndarray], np.ndarray], p: np.ndarray, initial: np.ndarray, threads: int) -> np.ndarray:
    """Some work on blocks of lanes, as an analysis cuts them, on some threads; what it gives by lane, joined."""
    cuts = range(0, p.shape[1], LANES_PER_BLOCK)
    blocks = [np.s_[:, low : low + LANES_PER_BLOCK] for low in cuts]
    found = in_order(lambda at: work(np.ascontiguousarray(p[at]), np.ascontiguousarray(initial[at])), blocks, threads)
    return np.concatenate(list(found), axis=1)


def run_engine(engine: str, p: np.ndarray, initial: np.ndarray, months: int = MONTHS) -> np.ndarray:
    """Summed occupancy by the engine, (state, lane); the compiled one on every processor, as an analysis runs it."""
    schedule = Schedule(12, (0,) * (months // 12))

    def one(p: np.ndarray, initial: np.ndarray) -> np.ndarray:
        block = StageBlock(p[None], (0,) * (months // 12))
        return run_blocks(STRUCTURE.engine_moves(), lambda stage: block, initial, schedule, engine=engine).starts[0, 0]

    return in_blocks(one, p, initial, THREADS if engine == "compiled" else 1)


def run_dense(p: np.ndarray, initial: np.ndarray, months: int = MONTHS) -> None:
    """A matrix of moves per lane, and a product a month."""
    n = len(STRUCTURE.states)
    matrices = np.zeros((p.shape[1], n, n))
    matrices[:, range(n), range(n)] = 1.0
    moves = STRUCTURE.engine_moves()
    for m, (i, j) in enumerate(zip(moves.sources, moves.targets, strict=True)):
        matrices[:, i, i] -= p[m]
        matrices[:, i, j] += p[m]
    state, total = initial.T[:, None, :].copy(), np.zeros((p.shape[1], 1, n))
    for _ in range(months):
        total += state
        state = state @ matrices


def run_python(p: np.ndarray, initial: np.ndarray, months: int = MONTHS) -> None:
    """Plain Python: loops over lanes, months and moves."""
    moves = STRUCTURE.engine_moves()
    pairs = list(zip(moves.sources, moves.targets, strict=True))
    for lane in range(p.shape[1]):
        state, total, chances = initial[:, lane].tolist(), [0.0] * len(initial), p[:, lane].tolist()
        for _ in range(months):
            after = list(state)
            for chance, (i, j) in zip(chances, pairs, strict=True):
                flow = chance * state[i]
                after[i] -= flow
                after[j] += flow
            total = [t + s for t, s in zip(total, state, strict=True)]
            state = after


def c_kernel() -> Callable[[np.ndarray, np.ndarray], np.ndarray] | None:
    """Compile the yardstick: summed occupancy, (state, lane), on every processor; None without a C compiler."""
    compiler = shutil.which("gcc") or shutil.which("clang")
    if compiler is None:
        return None
    library = Path(tempfile.mkdtemp()) / "yardstick.so"
    source = Path(__file__).with_name("yardstick.c")
    subprocess.run([compiler, "-O3", "-march=native", "-ffast-math", "-shared", "-fPIC", "-o", str(library), str(source)], check=True)
    function = ctypes.CDLL(str(library)).run

    def one(p: np.ndarray, state: np.ndarray) -> np.ndarray:
        width, sums = p.shape[1], np.zeros_like(state)
        pointers = [array.ctypes.data_as(ctypes.c_void_p) for array in (p, state.copy(), sums)]
        function(*pointers, ctypes.c_long(width), ctypes.c_long(width), ctypes.c_int(MONTHS))
        return sums

    return lambda p, initial: in_blocks(one, p, initial, THREADS)


def one_group(groups: int = 1) -> ParameterSet:
    """The base case with five strategies and the first patient groups."""
    p = load_case().parameters
    rows = p.rows("case_mix")[:groups]
    whole = sum(float(r["share"]) for r in rows)
    mix = replace(p["case_mix"], table=tuple(r | {"share": float(r["share"]) / whole} for r in rows))
    return replace(p, parameters=p.parameters | {"case_mix": mix}, strategies={key: p.strategies[key] for key in FIVE})


def resolved(parameters: ParameterSet, draws: int) -> list[ModelInputs]:
    """Blocks of draws, resolved into rates."""
    values = sample(parameters, draws, seed=1)
    size = max(1, LANES_PER_BLOCK // (len(parameters.strategies) * len(parameters.rows("case_mix"))))
    return [resolve(parameters, {n: v[low : low + size] for n, v in values.items()}) for low in range(0, draws, size)]


def run_model(engine: str, blocks: list[ModelInputs]) -> None:
    """The disease model: rates into probabilities once a year, and the cohort."""
    work = partial(run_disease, period_of_year=(0,) * (MONTHS // 12), discount_rates=(0.0, 0.03), engine=engine)
    list(in_order(lambda inputs: work(inputs) and None, blocks, THREADS if engine == "compiled" else 1))


def report_engine() -> None:
    """Ratios on the target problem."""
    p, initial = probabilities(LANES), starts(LANES)
    few = slice(0, LANES, 50)
    handful = slice(0, LANES, 5_000)
    print(
        f"\nEngine: {DRAWS:,} draws x {STRATEGIES} strategies x {MONTHS} months, {len(STRUCTURE.states)} states, "
        f"{len(STRUCTURE.moves)} moves, one group"
    )
    times = {}
    if kernel := c_kernel():
        times["C kernel by hand"] = timed(partial(kernel, p, initial))
        np.testing.assert_allclose(kernel(p, initial), run_engine("numpy", p, initial), rtol=1e-11, atol=1e-11)
    times |= {f"{engine} engine": timed(partial(run_engine, engine, p, initial)) for engine in available()}
    times["dense matrix loop"] = 50 * timed(partial(run_dense, p[:, few], initial[:, few]), 1)
    times["plain Python"] = 5_000 * timed(partial(run_python, p[:, handful], initial[:, handful]), 1)
    for name, seconds in times.items():
        ratio = f"{seconds / times['C kernel by hand']:10.1f} x C" if kernel else ""
        print(f"  {name:28s}{seconds:10.3f} s  {ratio}")


def available() -> tuple[str, ...]:
    """Engines that can run here."""
    return ENGINES if compiled.installed() else ENGINES[:1]


def report_analyses() -> None:
    """Whole analyses."""
    print("\nAnalyses (processor seconds)")
    cases = {basis: load_case(None, (), [f"effect_basis={basis}"]).parameters for basis in ("process", "intention_to_treat")}
    for basis, case in cases.items():
        print(f"  all strategies once, by year and group   {basis:19s}{timed(partial(evaluate, case), 10) * 1000:8.1f} ms")
    blocks = resolved(one_group(), DRAWS)
    for engine in available():
        print(f"  disease model, {DRAWS:,} draws, one group   {engine:9s}{timed(partial(run_model, engine, blocks)):8.3f}")
    for engine in available():
        with_engine(engine)
        for basis, case in cases.items():
            seconds = timed(partial(run_psa, case, 2_000, seed=1), 2)
            print(f"  base case, 2,000 draws, 7 strategies, 6 groups, lifetime   {basis:19s}{engine:9s}{seconds:8.3f}")


def report_questions() -> None:
    """What is asked of a case, in processor seconds and in runs of the draws that structures are paired on."""
    case = load_case(demo_file())
    parameters, few = case.parameters, fix_structure(case.parameters, ["base"])
    with_engine(available()[-1])
    unit = timed(partial(run_psa, few, PAIRED, seed=1), 2)
    psa = run_psa(parameters, DRAWS, seed=1)
    plan = plan_research(case, ["coil_and_glue_v_beta_blocker"], SIZES)
    alone = timed(partial(run_research, replace(plan, trials=()), psa), 1)
    mixed = fix_structure(parameters, ["child_course=fixed"])
    found = {
        f"{USUAL:,} draws, base structure": timed(partial(run_psa, few, USUAL, seed=1), 2),
        f"{USUAL:,} draws, structures by weight, class fixed": timed(partial(run_psa, mixed, USUAL, seed=1), 2),
        "what turns each decision": timed(partial(find_flips, parameters), 2),
        f"value of knowing each input and group, {DRAWS:,} draws": alone,
        "value of one study, eight sizes": timed(partial(run_research, plan, psa), 1) - alone,
        f"results by structure, {PAIRED:,} paired draws": timed(partial(by_structure, parameters, seed=1), 1),
    }
    print(f"\nQuestions (processor seconds; times {PAIRED:,} draws of the base structure, {unit:.3f})")
    for name, seconds in found.items():
        print(f"  {name:60s}{seconds:8.3f}{seconds / unit:8.2f}")


def with_engine(engine: str) -> None:
    """Let analyses use one engine: the compiled one once it is loaded, and never where NumPy is asked for."""
    compiled.PAYS_WHEN_COLD = 0 if engine == "compiled" else sys.maxsize
    if engine == "compiled":
        import econmodel.model.kernel  # noqa: F401
    else:
        sys.modules.pop(compiled.KERNEL, None)


def report_curves() -> None:
    """How the cost of the disease model grows."""
    engine = available()[-1]
    print(f"\nCost of the disease model, {engine} engine (processor seconds)")
    for draws in (1_000, 10_000, 100_000):
        print(f"  {draws:>9,} draws, one group     {timed(partial(run_model, engine, resolved(one_group(), draws)), 1):8.3f}")
    for groups in (1, 2, 4, 6):
        print(f"  {groups:>9} groups, 1,000 draws  {timed(partial(run_model, engine, resolved(one_group(groups), 1_000)), 2):8.3f}")
    p, initial = probabilities(LANES), starts(LANES)
    for months in (60, 120, 240, 480):
        print(f"  {months:>9} months, engine only {timed(partial(run_engine, engine, p, initial, months), 2):8.3f}")


def report_million() -> None:
    """A million draws; in a process of its own, or earlier tables would count in its memory."""
    with_engine(available()[-1])
    begun = time.perf_counter()
    run_psa(one_group(), 1_000_000, seed=1)
    print(
        f"\n1,000,000 draws, one group, whole analysis {time.perf_counter() - begun:8.1f} s, "
        f"most memory of the process {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB"
    )


def main() -> None:
    """Print every table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--million", action="store_true", help="also a million draws, with their memory")
    parser.add_argument("--only", choices=("engine", "analyses", "questions", "curves", "million"), help="one table")
    chosen = parser.parse_args()
    load = f", load {os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else ""
    print(f"{platform.machine()}, {THREADS} processors{load}, Python {platform.python_version()}, NumPy {np.__version__}")
    base_values(load_case().parameters)
    if chosen.only in (None, "engine"):
        report_engine()
    if chosen.only in (None, "analyses"):
        report_analyses()
    if chosen.only in (None, "questions"):
        report_questions()
    if chosen.only in (None, "curves"):
        report_curves()
    if chosen.only == "million":
        report_million()
    elif chosen.million:
        sys.stdout.flush()
        subprocess.run([sys.executable, __file__, "--only", "million"], check=True)


if __name__ == "__main__":
    main()
