"""Share independent pieces of work with a second process."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from typing import TypeVar

Result = TypeVar("Result")


def share(pieces: Sequence[Callable[[], Result]], beside: Executor | None = None) -> list[Result]:
    """Do pieces of work, in two processes if there is another one; results in the order of the pieces.

    This process starts at the front and the other at the back, so that neither waits for the other until they meet.

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
    sent = [beside.submit(piece) for piece in reversed(pieces)]
    return [piece() if task.cancel() else task.result() for piece, task in zip(pieces, reversed(sent), strict=True)]
