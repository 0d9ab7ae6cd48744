"""I read stretches of bytes of an open file for several threads.

In: an open file. Out: a function (offset, size) -> bytes.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path
from typing import IO

from stitchbed.scans.faults import telling, unreadable


def fetcher(path: Path, file: IO[bytes]) -> Callable[[int, int], bytearray]:
    """A function (offset, size) -> bytes that several threads may call; `file` is unbuffered.

    Reading is preferred to memory mapping: mapped pages count as the program's own memory, and a file cut off
    meanwhile would end the program instead of raising.
    """
    lock = threading.Lock()

    def fetch(offset: int, size: int) -> bytearray:
        data = bytearray(size)
        view = memoryview(data)
        done = 0
        with lock, telling(path, "reading it"):
            file.seek(offset)
            while done < size:
                got = file.readinto(view[done:])  # type: ignore[attr-defined]
                if not got:
                    raise unreadable(path, f"was cut off while it was read, at byte {offset + done:,}")
                done += got
        return data

    return fetch
