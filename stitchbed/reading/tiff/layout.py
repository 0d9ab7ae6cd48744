"""I am how the pixels of one picture lie in a TIFF.

In: facts of its tags. Out: a frozen `TiffPage`, and what follows from it by arithmetic.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from stitchbed.reading.base.faults import AS_PLAIN_TIFF, unreadable
from stitchbed.reading.metadata.tags import Source

FAXES = ("fax rle", "fax 3", "fax 4")  # for one bit per pixel only


@dataclass(frozen=True)
class TiffPage:
    """How one picture's pixels lie. Pieces are strips (as wide as the picture) or tiles; sizes in px, offsets in bytes.

    samples : per pixel as stored; piece_samples : in one piece (1 when planes are apart).
    color : channels handed out; alpha : index of the alpha sample or None. predictor : 1 none, 2 differences, 3 of
    floating point. floating : samples are floating point. top : the largest code that is stored.
    """

    height: int
    width: int
    bits: int
    samples: int
    photometric: int
    compression: str
    planes_apart: bool
    predictor: int
    low_bit_first: bool
    order: str
    tiled: bool
    piece_height: int
    piece_width: int
    offsets: NDArray[np.int64]
    counts: NDArray[np.int64]
    palette: NDArray[np.uint8] | None
    jpeg_tables: bytes | None
    fax_options: int
    color: int
    alpha: int | None
    associated: bool
    path: Path
    floating: bool
    top: int

    @property
    def dtype(self) -> str:
        """Name of the sample type handed out."""
        return "uint16" if self.bits > 8 else "uint8"

    @property
    def depth(self) -> int:
        """Bits that the largest code takes; fewer than `bits` where 12 bits are stored in 16."""
        return self.top.bit_length()

    @property
    def chosen(self) -> tuple[int, ...]:
        """Stored samples that are read: gray, palette index or RGB, then alpha."""
        inside = 1 if self.photometric == 3 else self.color
        return (*range(inside), *(() if self.alpha is None else (self.alpha,)))

    @property
    def handed_out(self) -> int:
        """Samples handed out per pixel, alpha counted."""
        return self.color + (self.alpha is not None)

    @property
    def piece_samples(self) -> int:
        """Samples per pixel within one piece."""
        return 1 if self.planes_apart else self.samples

    @property
    def piece_bytes(self) -> int:
        """Bytes of one piece as it is held when decoded."""
        return self.piece_height * self.piece_width * self.piece_samples * (2 if self.bits > 8 else 1)

    @property
    def grid(self) -> tuple[int, int]:
        """Pieces (down, across) of one plane."""
        return -(-self.height // self.piece_height), -(-self.width // self.piece_width)

    @property
    def row_bytes(self) -> int:
        """Bytes of one row of one piece, uncompressed."""
        return (self.piece_width * self.piece_samples * self.bits + 7) // 8


# the most bytes one stored byte can stand for; a claim beyond it cannot be met by the data
MOST_GROWTH = {"none": 1, "lzw": 2600, "deflate": 1033, "packbits": 64, "zstd": 40_000, "jpeg": 100_000}
FAX_GROWTH = 2**31  # a white row is one bit, however wide
MOST_SHARED = 64e6  # px of a picture whose pieces may all be the same bytes
LARGE_TILE = 2**22  # px; a tile of 2048 x 2048 is accepted even for a picture of one pixel
MOST_PIECE = 2**31 - 1  # bytes of one decoded strip or tile; the decoders count in 32 bits


def check_pieces(page: TiffPage, path: Path) -> None:
    """A piece must be decodable in memory, and tiles must not be much larger than the picture."""
    if page.compression in FAXES and page.bits != 1:
        raise unreadable(path, f"has fax compression with {page.bits} bits per sample", attempt=AS_PLAIN_TIFF)
    if not _predictor_fits(page):
        raise unreadable(path, f"has predictor {page.predictor} with {page.bits} bits", attempt=AS_PLAIN_TIFF)
    if page.compression == "jpeg" and page.bits != 8:
        raise unreadable(path, f"has JPEG compression with {page.bits} bits per sample", attempt=AS_PLAIN_TIFF)
    if page.compression != "none" and page.piece_bytes > MOST_PIECE:
        found = f"is compressed in one piece of {page.piece_bytes / 2**30:.1f} GiB"
        raise unreadable(path, found, expected="compressed strips or tiles of less than 2 GiB", attempt=AS_PLAIN_TIFF)
    if page.tiled and page.piece_height * page.piece_width > 4 * page.height * page.width + LARGE_TILE:
        raise unreadable(path, f"has tiles of {page.piece_width} x {page.piece_height} px, larger than the picture")


def _predictor_fits(page: TiffPage) -> bool:
    """Whether the predictor goes with the kind of samples."""
    if page.predictor == 3:
        return page.floating
    return page.predictor == 1 or page.bits in ((32, 64) if page.floating else (8, 16))


def check_extents(page: TiffPage, source: Source) -> None:
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


def check_shared(page: TiffPage, path: Path) -> None:
    """Blank pieces may share their bytes; a large picture of hardly anything else is no scan, and would take hours."""
    if page.height * page.width > MOST_SHARED and 2 * np.unique(page.offsets).size < page.offsets.size:
        found = f"claims {page.offsets.size:,} pieces and holds {np.unique(page.offsets).size:,}"
        raise unreadable(path, f"is damaged or made to mislead: it {found}")


def _needed_bytes(page: TiffPage) -> NDArray[np.float64]:
    """(pieces,) decoded bytes each piece must yield."""
    down, across = page.grid
    rows = np.full(down, page.piece_height, np.float64)
    if not page.tiled:
        rows[-1] = page.height - (down - 1) * page.piece_height
    planes = page.samples if page.planes_apart else 1
    return np.tile(np.repeat(rows * page.row_bytes, across), planes)
