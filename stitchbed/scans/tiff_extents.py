"""I check that the strips or tiles of a TIFF lie in the file and can hold what they claim.

In: a page and the file's size. Out: nothing, or an error that names the strip or tile.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from stitchbed.reading.base.faults import AS_PLAIN_TIFF, unreadable
from stitchbed.reading.metadata.tags import Source
from stitchbed.reading.tiff.layout import FAXES, Page

# the most bytes one stored byte can stand for; a claim beyond it cannot be met by the data
MOST_GROWTH = {"none": 1, "lzw": 2600, "deflate": 1033, "packbits": 64, "zstd": 40_000, "jpeg": 100_000}
FAX_GROWTH = 2**31  # a white row is one bit, however wide
LARGE_TILE = 2**22  # px; a tile of 2048 x 2048 is accepted even for a picture of one pixel
MOST_PIECE = 2**31 - 1  # bytes of one decoded strip or tile; the decoders count in 32 bits


def check_pieces(page: Page, path: Path) -> None:
    """A piece must be decodable in memory, and tiles must not be much larger than the picture."""
    if page.compression in FAXES and page.bits != 1:
        raise unreadable(path, f"has fax compression with {page.bits} bits per sample", attempt=AS_PLAIN_TIFF)
    if page.compression != "none" and page.piece_bytes > MOST_PIECE:
        found = f"is compressed in one piece of {page.piece_bytes / 2**30:.1f} GiB"
        raise unreadable(path, found, expected="compressed strips or tiles of less than 2 GiB", attempt=AS_PLAIN_TIFF)
    if page.tiled and page.piece_height * page.piece_width > 4 * page.height * page.width + LARGE_TILE:
        raise unreadable(path, f"has tiles of {page.piece_width} x {page.piece_height} px, larger than the picture")


def check_extents(page: Page, source: Source) -> None:
    """Every piece must lie in the file and hold enough bytes for what it claims."""
    what = "tile" if page.tiled else "strip"
    missing = np.flatnonzero(page.counts <= 0)
    if missing.size:
        raise unreadable(source.path, f"has no data for {what} {missing[0] + 1} of {page.counts.size}")
    ends = page.offsets + page.counts
    out = np.flatnonzero((page.offsets < 8) | (ends > source.size) | (ends < page.offsets))
    if out.size:
        at = int(out[0])
        where = f"{what} {at + 1} of {ends.size} should end at byte {int(ends[at]):,}, the file has {source.size:,}"
        raise unreadable(source.path, f"is cut off or damaged: {where}")
    needed = _needed_bytes(page)
    short = np.flatnonzero(page.counts.astype(np.float64) * MOST_GROWTH.get(page.compression, FAX_GROWTH) + 64 < needed)
    if page.compression == "none":
        short = np.flatnonzero(page.counts < needed)
    if short.size:
        at = int(short[0])
        found = f"{what} {at + 1} of {ends.size} has {page.counts[at]:,} bytes, too few for its {int(needed[at]):,}"
        raise unreadable(source.path, f"is damaged: {found}")


def _needed_bytes(page: Page) -> NDArray[np.float64]:
    """(pieces,) decoded bytes each piece must yield."""
    down, across = page.grid
    rows = np.full(down, page.piece_height, np.float64)
    if not page.tiled:
        rows[-1] = page.height - (down - 1) * page.piece_height
    planes = page.samples if page.planes_apart else 1
    return np.tile(np.repeat(rows * page.row_bytes, across), planes)
