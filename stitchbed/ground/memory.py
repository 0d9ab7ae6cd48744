"""I give freed memory back to the system between the steps of a job.

In: nothing. Out: nothing; a hint, without effect where the C library knows no such call.
"""

from __future__ import annotations

import ctypes
import sys


def give_back() -> None:
    """Return memory that was freed to the system.

    Threads that work on large pictures leave holes of hundreds of megabytes with the C library, which hands them back
    only when asked. Reference: malloc_trim(3), GNU C library.
    """
    if sys.platform != "linux":
        return
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
    if trim is not None:
        trim(ctypes.c_size_t(0))
