"""I run work on threads and hand the results on in order.

In: a function and its items. Out: results in the order of the items, few of them waiting at a time.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from typing import TypeVar

import cv2

Item = TypeVar("Item")
Result = TypeVar("Result")


def in_order(work: Callable[[Item], Result], items: Iterable[Item], workers: int) -> Iterator[Result]:
    """Results of `work` in the order of `items`, on `workers` threads, never more than workers + 2 ahead."""
    if workers <= 1:
        yield from map(work, items)
        return
    with ThreadPoolExecutor(workers) as pool:
        waiting: deque[Future[Result]] = deque()
        try:
            for item in items:
                waiting.append(pool.submit(work, item))
                if len(waiting) >= workers + 2:
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()
        finally:
            for future in waiting:
                future.cancel()


@contextmanager
def single_threaded_opencv() -> Iterator[None]:
    """The blocks run in parallel already: OpenCV's own threads would only get in their way."""
    before = cv2.getNumThreads()
    cv2.setNumThreads(1)
    try:
        yield
    finally:
        cv2.setNumThreads(before)
