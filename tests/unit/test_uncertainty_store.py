"""Draws kept in memory or on disk, and blocks of draws on several threads."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import numpy as np
import pytest

from econmodel.model import compiled
from econmodel.parameters.loading import load_case
from econmodel.uncertainty import probabilistic
from econmodel.uncertainty.probabilistic import DrawStore, in_order, run_psa
from econmodel.uncertainty.risk import risk_of


@pytest.mark.parametrize("limit", [2**30, 0], ids=["memory", "file"])
def test_blocks_come_back_whole(limit: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Outcomes written in blocks, in any order, read back as they were."""
    monkeypatch.setattr(probabilistic, "IN_MEMORY", limit)
    kept = {name: np.random.default_rng(i).normal(size=(50, 3)) for i, name in enumerate(("cost", "qalys"))}
    store = DrawStore(list(kept), 50, 3)
    for start, end in ((30, 50), (0, 7), (7, 30)):
        store.place(np.arange(start, end), {name: array[start:end] for name, array in kept.items()})
    assert store.in_memory == (limit > 0)
    assert list(store) == ["cost", "qalys"]
    assert len(store) == 2
    for name, array in kept.items():
        assert np.array_equal(store[name], array)
    with pytest.raises(KeyError):
        store["bleeds"]


def test_an_analysis_from_disk_is_that_from_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where draws are held changes no number of the document."""
    parameters = load_case().parameters
    in_memory = risk_of(run_psa(parameters, 60, seed=2)).to_json()
    monkeypatch.setattr(probabilistic, "IN_MEMORY", 0)
    psa = run_psa(parameters, 60, seed=2)
    assert not psa.outcomes.in_memory  # type: ignore[attr-defined]
    assert risk_of(psa).to_json() == in_memory
    part = psa.draws_frame(10, 12)
    assert part["draw"].tolist() == [10, 11]
    assert part["cost.glue"].tolist() == psa.outcomes["cost"][10:12, psa.keys.index("glue")].tolist()
    assert part["hr_glue"].tolist() == psa.inputs["hr_glue"][10:12, 0].tolist()
    assert set(part["effect_basis"]) <= {"process", "intention_to_treat"}
    assert len(psa.draws_frame()) == 60


def test_threads_change_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """Blocks on several threads of the compiled engine give what one thread gives, to the bit."""
    parameters = load_case().parameters
    monkeypatch.setattr(compiled, "loaded", lambda: True)
    monkeypatch.setattr("econmodel.uncertainty.probabilistic.cpu_count", lambda: 1)
    alone = run_psa(parameters, 90, seed=4, block=20)
    monkeypatch.setattr("econmodel.uncertainty.probabilistic.cpu_count", lambda: 3)
    together = run_psa(parameters, 90, seed=4, block=20)
    assert all(np.array_equal(alone.outcomes[n], together.outcomes[n]) for n in alone.outcomes)


def test_results_keep_the_order_of_the_items() -> None:
    """Quick and slow pieces come back in the order given, and few are held at a time."""
    gate, started = threading.Event(), []

    def work(i: int) -> int:
        started.append(i)
        if i == 0:
            gate.wait(5)
        else:
            gate.set()
        return i * i

    assert list(in_order(work, range(6), 2)) == [0, 1, 4, 9, 16, 25]
    assert list(in_order(work, range(3), 1)) == [0, 1, 4]


def test_a_fault_or_an_interrupt_stops_the_rest() -> None:
    """An error in one piece comes out, and pieces not begun are dropped."""
    done: list[int] = []

    def work(i: int) -> int:
        if i == 2:
            raise KeyboardInterrupt
        done.append(i)
        return i

    def items() -> Iterator[int]:
        yield from range(100)

    with pytest.raises(KeyboardInterrupt):
        list(in_order(work, items(), 2))
    assert len(done) < 12
