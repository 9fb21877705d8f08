"""Outcomes of a probabilistic analysis: one number per outcome, draw and strategy, in memory or in a temporary file.

A million draws of twenty outcomes are about a gigabyte; beyond :data:`IN_MEMORY` they go to a file that is read one
outcome at a time and is gone with the store, so that memory does not grow with the number of draws.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from tempfile import mkdtemp
from weakref import finalize

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IN_MEMORY = 32 * 2**20


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

    def write(self, start: int, outcomes: Mapping[str, FloatArray]) -> None:
        """Keep a block of draws, each outcome (draw, strategy), from draw ``start`` on."""
        for o, name in enumerate(self.names):
            block = np.ascontiguousarray(outcomes[name].T)
            if self._kept is not None:
                self._kept[o, :, start : start + block.shape[1]] = block
            else:
                self._append(name, start, block)

    def _append(self, name: str, start: int, block: FloatArray) -> None:
        path = self._path(name)
        with path.open("r+b" if path.exists() else "w+b") as file:
            for s, row in enumerate(block):
                file.seek(8 * (s * self.shape[1] + start))
                row.tofile(file)

    def _path(self, name: str) -> Path:
        assert self._folder is not None
        return self._folder / name

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
