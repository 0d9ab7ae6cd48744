"""I read rows of bytes of an open file for several threads.

In: an open file. Out: a function that fetches.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path
from typing import IO

import numpy as np

from stitchbed.core.arrays import Bytes
from stitchbed.reading.base.faults import telling, unreadable

Fetch = Callable[[int, int, int, int], Bytes]

WORTH_SKIPPING = 2  # rows are fetched one by one when they are less than this fraction of the distance between them


def fetcher(path: Path, file: IO[bytes]) -> Fetch:
    """fetch(offset, rows, row_bytes, stride) -> (rows, row_bytes) uint8, rows beginning `stride` bytes apart.

    Several threads may call it; `file` must be unbuffered. Reading is preferred to memory mapping: mapped pages count
    as the program's own memory, and a file cut off meanwhile would end the program instead of raising.
    """
    lock = threading.Lock()

    def fill(offset: int, target: Bytes) -> None:
        view = target.data
        done = 0
        file.seek(offset)
        while done < len(view):
            got = file.readinto(view[done:])  # type: ignore[attr-defined]
            if not got:
                raise unreadable(path, f"was cut off while it was read, at byte {offset + done:,}")
            done += got

    def fetch(offset: int, rows: int, row_bytes: int, stride: int) -> Bytes:
        with lock, telling(path, "reading it"):
            if rows == 1 or WORTH_SKIPPING * row_bytes >= stride:
                run = np.empty((rows - 1) * stride + row_bytes, np.uint8)
                fill(offset, run)
                return np.lib.stride_tricks.as_strided(run, (rows, row_bytes), (stride, 1))
            out = np.empty((rows, row_bytes), np.uint8)
            for index in range(rows):
                fill(offset + index * stride, out[index])
            return out

    return fetch
