"""I turn a plain loop over pixels into machine code.

In: a function of arrays and numbers. Out: the same function, compiled the first time it is called, and kept on disk.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, ParamSpec, TypeVar

import numba

Given = ParamSpec("Given")
Result = TypeVar("Result")

# Sums may be put together in any order and multiplied in one step; nothing is assumed about NaN and infinity.
LOOSE = {"contract", "reassoc", "nsz"}


def compiled(loop: Callable[Given, Result]) -> Callable[Given, Result]:
    """The loop as machine code that runs without Python's lock. Its arguments must be arrays and numbers.

    Compiling takes a second or two; the result is kept beside the source, or where the user's own caches lie, and is
    not kept at all where neither place can be written.
    """
    wishes: dict[str, Any] = {"nogil": True, "fastmath": LOOSE, "error_model": "numpy"}
    try:
        return numba.njit(loop, cache=True, **wishes)
    except RuntimeError:  # what numba says when it finds no place to write
        return numba.njit(loop, **wishes)
