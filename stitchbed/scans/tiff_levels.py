"""I find the reduced views a TIFF carries, where they can be trusted.

In: the directory of the full-size picture. Out: pages at 1/2, 1/4, ... of its size.

Only masters written by this program are trusted: their views are area averages, whatever other programs put there may
be sharpened, or picked pixels, or left over from before an edit.

Reference: Adobe TIFF Technical Note 1 (1995) for SubIFDs, tag 330; tag 305 names the writer.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

from stitchbed.core.errors import StitchbedError
from stitchbed.reading.metadata.tags import Directory, blob, directory_at, numbers
from stitchbed.reading.tiff.layout import Page
from stitchbed.reading.tiff.page import page_of

WRITER = b"stitchbed"
MOST_LEVELS = 16


@dataclass(frozen=True)
class Pages:
    """The full-size page, and its reduced views: levels[k] is at 1/2^(k+1)."""

    page: Page
    levels: tuple[Page, ...]


def layout_of(directory: Directory, page: Page) -> Pages:
    """The page with the reduced views that fit it; a view that is damaged or missing ends the row."""
    levels: list[Page] = []
    if (blob(directory, 305) or b"").startswith(WRITER) and page.alpha is None:
        places = numbers(directory, 330)
        for place in [] if places is None else places.tolist()[:MOST_LEVELS]:
            level = _level(directory, place, page, len(levels) + 1)
            if level is None:
                break
            levels.append(level)
    return Pages(page, tuple(levels))


def _level(directory: Directory, place: int, page: Page, number: int) -> Page | None:
    try:
        level = page_of(directory_at(directory, place), page.height * page.width)
    except (StitchbedError, struct.error):
        return None
    size = (-(-page.height // 2**number), -(-page.width // 2**number))
    alike = (level.bits, level.samples, level.photometric) == (page.bits, page.samples, page.photometric)
    return level if alike and (level.height, level.width) == size else None
