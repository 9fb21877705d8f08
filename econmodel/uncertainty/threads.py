"""Independent pieces of work on some threads, in order, a few at a time."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TypeVar

Given = TypeVar("Given")
Found = TypeVar("Found")


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
