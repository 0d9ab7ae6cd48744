"""I read the frame header of a JPEG stream, and walk its segments.

In: bytes. Out: size, depth and number of components, or segments one by one.

Reference: ITU-T T.81 (1992), annex B.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from mmap import mmap

FRAMES = (0xC0, 0xC1, 0xC2, 0xC3, 0xC5, 0xC6, 0xC7, 0xC9, 0xCA, 0xCB, 0xCD, 0xCE, 0xCF)
SCAN = 0xDA


@dataclass(frozen=True)
class Frame:
    """process : 0 baseline, 1 extended, 2 progressive, 3 lossless, above that rarer ones."""

    height: int
    width: int
    bits: int
    components: int
    process: int


def segments(data: bytes | mmap, limit: int = 10_000) -> Iterator[tuple[int, int, int]]:
    """(marker, start, end) of each segment's content up to and with the first scan's header."""
    place = 2
    for _ in range(limit):
        while place + 1 < len(data) and data[place] == 0xFF and data[place + 1] == 0xFF:
            place += 1
        if place + 4 > len(data) or data[place] != 0xFF:
            return
        marker = data[place + 1]
        size = struct.unpack(">H", data[place + 2 : place + 4])[0]
        if size < 2:
            return
        yield marker, place + 4, place + 2 + size
        if marker == SCAN:
            return
        place += 2 + size


def frame_of(data: bytes | mmap) -> Frame | None:
    """The frame header, or None when there is none before the first scan."""
    if data[:2] != b"\xff\xd8":
        return None
    for marker, start, end in segments(data):
        if marker in FRAMES and min(end, len(data)) - start >= 6:
            bits, height, width, components = struct.unpack(">BHHB", data[start : start + 6])
            return Frame(height, width, bits, components, marker - 0xC0)
    return None
