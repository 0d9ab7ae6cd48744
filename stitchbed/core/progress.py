"""I name what a long job calls to say how far it is, and what it asks whether to go on.

In: step, done, of how many. Out: nothing, or the end of the job.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from itertools import count
from threading import Lock
from typing import TypeVar

from stitchbed.core.errors import Cancelled

Progress = Callable[[str, int, int], None]  # step, done, of how many
Cancel = Callable[[], bool]  # True once the job shall end
Item = TypeVar("Item")


def silent(step: str, done: int, total: int) -> None:
    """A progress that shows nothing."""


def never() -> bool:
    """The answer of someone who never ends a job."""
    return False


def watched(progress: Progress, cancel: Cancel) -> Progress:
    """Progress that ends the job at the next unit of work once `cancel` says so.

    Raises
    ------
    Cancelled : from the progress, when `cancel` returns True.
    """

    def report(step: str, done: int, total: int) -> None:
        if cancel():
            raise Cancelled(step)
        progress(step, done, total)

    return report


def ticking(step: str, total: int, progress: Progress) -> Callable[[], None]:
    """What to call once for each of `total` parts that is done, from any thread."""
    lock, done = Lock(), count(1)

    def tick() -> None:
        with lock:
            progress(step, next(done), total)

    return tick


def counted(items: Iterable[Item], step: str, total: int, progress: Progress) -> Iterator[Item]:
    """The items, each told once it has been used; and the step, once the first is asked for."""
    progress(step, 0, total)
    for done, item in enumerate(items, start=1):
        yield item
        progress(step, done, total)
