"""I settle what a process holds: how many threads memory has room for, how the C library keeps what they use and free,
and when libraries are loaded: not before something of them is used, or beside other work.

In: bytes; libraries' names. Out: a number of threads; a hint to the C library, without effect where it knows no such
call; a stand-in for a library.
"""

from __future__ import annotations

import ctypes
import sys
from collections.abc import Callable, Sequence
from importlib import import_module
from threading import Thread
from typing import Any

ARENA_MAX, MMAP_THRESHOLD, TRIM_THRESHOLD = -8, -3, -1  # numbers of the choices in malloc.h of the GNU C library
LARGE, KEPT = 32 << 20, 256 << 20  # bytes


def workers_within(workers: int, memory: int, each: int) -> int:
    """As many of the threads asked for as `memory` has room for, `each` in bytes; at least one."""
    return max(1, min(workers, memory // each))


def one_heap() -> None:
    """Let all threads of this process take memory from one heap, and keep a little of what is freed.

    With a heap each, threads that work on large pictures leave holes of hundreds of megabytes that no other thread can
    use; and memory given back to the system at every turn has to be cleared by it at every turn. To be called before
    threads are begun. Reference: mallopt(3), GNU C library.
    """
    if sys.platform != "linux":
        return
    settle = getattr(ctypes.CDLL(None), "mallopt", None)
    if settle is not None:
        for choice, value in ((ARENA_MAX, 1), (MMAP_THRESHOLD, LARGE), (TRIM_THRESHOLD, KEPT)):
            settle(ctypes.c_int(choice), ctypes.c_int(value))


class _Late:
    """A module that is loaded when a name of it is first asked for, by however many threads."""

    def __init__(self, name: str) -> None:
        self._name = name

    def __getattr__(self, part: str) -> Any:
        return getattr(import_module(self._name), part)


def late(name: str) -> Any:
    """The module of that name, not loaded yet: a command begins without waiting for all it may need."""
    return _Late(name)


def beforehand(names: Sequence[str], then: Callable[[], None] = lambda: None) -> None:
    """Load modules that will be needed, and make what is needed of them ready, while something else is done."""

    def make() -> None:
        for name in names:
            import_module(name)
        then()

    Thread(target=make).start()
