"""Share independent pieces of work with a second process."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from typing import TypeVar

Result = TypeVar("Result")


def share(pieces: Sequence[Callable[[], Result]], beside: Executor | None = None) -> list[Result]:
    """Do pieces of work, every second one in the other process if there is one; results in the order of the pieces.

    Parameters
    ----------
    pieces
        Independent of each other, and picklable where there is another process.
    beside
        The other process, free or soon to be.

    Examples
    --------
    >>> share([lambda: 1, lambda: 2])
    [1, 2]
    """
    if beside is None:
        return [piece() for piece in pieces]
    running = [beside.submit(piece) for piece in pieces[1::2]]
    here = [piece() for piece in pieces[::2]]
    return [running[i // 2].result() if i % 2 else here[i // 2] for i in range(len(pieces))]
