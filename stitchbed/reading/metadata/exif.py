"""I read the two things a scan's EXIF says that matter here: how it is turned and how dense it is.

In: the bytes after "Exif\\0\\0". Out: orientation and dpi; damaged EXIF says nothing and is no reason to refuse.
"""

from __future__ import annotations

import struct
from pathlib import Path

from stitchbed.core.errors import UnreadableTile
from stitchbed.reading.metadata.density import from_tiff
from stitchbed.reading.metadata.tags import Source, directories, fraction, number, source_of

MAKE = 271
Dpi = tuple[float, float] | None


def made_by_camera(data: bytes) -> bool:
    """Whether it names a maker (tag 271), as cameras, phones and some scanners write."""
    try:
        directory = next(iter(directories(_source(data))), None)
        return directory is not None and MAKE in directory.entries
    except (UnreadableTile, struct.error):
        return False


def read_exif(data: bytes) -> tuple[int, Dpi]:
    """(orientation 1..8, dpi or None). Reference: CIPA DC-008 (EXIF 2.3), 4.6.4."""
    try:
        directory = next(iter(directories(_source(data))), None)
        if directory is None:
            return 1, None
        turn = number(directory, 274, 1)
        dpi = from_tiff(number(directory, 296, 2), fraction(directory, 282), fraction(directory, 283))
    except (UnreadableTile, struct.error):
        return 1, None
    return (turn if 1 <= turn <= 8 else 1), dpi


def _source(data: bytes) -> Source:
    return source_of(Path("EXIF"), len(data), lambda offset, size: data[offset : offset + size])
