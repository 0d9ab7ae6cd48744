"""I make any one tile of a picture when somebody looks there, from what the file keeps: its own reduced views, or none.

In: a path, halvings, row and column of a tile. Out: JPEG in sRGB. Tiles are those of `tiles.picture_tiles`.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np

from stitchbed.color.convert import srgb_view
from stitchbed.core.arrays import Bytes
from stitchbed.imaging.box import Box, clipped
from stitchbed.imaging.depth import eight_bit
from stitchbed.reading.base.cache import PieceCache
from stitchbed.reading.formats import open_windows
from stitchbed.reading.windows import Windows
from stitchbed.report.tiles import NOTHING, TILE, halved, halvings_of, jpeg_of, shown

STRIP = 1024  # rows averaged at a time; a multiple of every reduction there is
OVERVIEW_SIDE = 2048  # px; from here on a picture without reduced views is kept whole, as one view: some 8 MB


class OnePicture:
    """An open picture; close it. width, height : px. halvings : of its smallest tile. dpi : None when not said.

    cache : of decoded pieces. nothing : sRGB code of what the picture does not cover.
    """

    def __init__(self, path: Path, cache: PieceCache, *, nothing: int = NOTHING) -> None:
        self._windows = open_windows(path, cache=cache)
        self.height, self.width, channels = self._windows.raster.shape
        self.halvings = halvings_of(self.width, self.height)
        said = self._windows.raster.dpi
        self.dpi = None if said is None else (said[0] + said[1]) / 2
        self._convert = srgb_view(self._windows.raster.icc, channels)
        self._shown = partial(shown, nothing=nothing)
        self._converting = threading.Lock()  # a color transform is not made for two threads
        self._overview: tuple[int, Bytes] | None = None
        self._looking = threading.Lock()

    def tile(self, halvings: int, row: int, col: int) -> bytes | None:
        """The encoded tile, None where the picture has none.

        Raises
        ------
        UnreadableTile : the file is damaged there.
        """
        sides = [-(-side // 2**halvings) for side in (self.height, self.width)]
        if not 0 <= halvings <= self.halvings or not (0 <= row * TILE < sides[0] and 0 <= col * TILE < sides[1]):
            return None
        box = clipped(Box(row * TILE, col * TILE, TILE, TILE), Box(0, 0, *sides))
        return jpeg_of(self._pixels(halvings, box))

    def close(self) -> None:
        """Close the file."""
        self._windows.close()

    def _pixels(self, halvings: int, box: Box) -> Bytes:
        """(h, w, 3) of a box of the picture halved so often."""
        own = self._windows.level(halvings)
        if own is not None and own.raster.shape[:2] == (-(-self.height // 2**halvings), -(-self.width // 2**halvings)):
            return self._shown(own, box, self._srgb)
        least = self._least_kept()
        if halvings >= least:
            return _cut(self._kept(least), box, halvings - least)
        span = Box(*(side << halvings for side in (box.row, box.col, box.height, box.width)))
        whole = Box(0, 0, self.height, self.width)
        return _halved(self._shown(self._windows, clipped(span, whole), self._srgb), halvings)

    def _least_kept(self) -> int:
        """Halvings from which on the picture fits OVERVIEW_SIDE."""
        count = 0
        while max(self.width, self.height) / 2**count > OVERVIEW_SIDE:
            count += 1
        return count

    def _kept(self, halvings: int) -> Bytes:
        """The whole picture halved so often; read once."""
        with self._looking:
            if self._overview is None:
                self._overview = halvings, _overview(self._windows, 2**halvings, self._srgb, self._shown)
            return self._overview[1]

    def _srgb(self, pixels: Bytes) -> Bytes:
        with self._converting:
            return self._convert(pixels)


def _overview(windows: Windows, reduction: int, to_srgb: Callable[[Bytes], Bytes], see: Callable[..., Bytes]) -> Bytes:
    if not windows.raster.alpha:
        return to_srgb(np.ascontiguousarray(eight_bit(windows.view(reduction))))
    height, width, _ = windows.raster.shape
    strips = (Box(row, 0, min(STRIP, height - row), width) for row in range(0, height, STRIP))
    return np.concatenate([_halved(see(windows, box, to_srgb), reduction.bit_length() - 1) for box in strips])


def _cut(whole: Bytes, box: Box, halvings: int) -> Bytes:
    span = Box(*(side << halvings for side in (box.row, box.col, box.height, box.width)))
    return _halved(whole[clipped(span, Box(0, 0, *whole.shape[:2])).slices], halvings)


def _halved(pixels: Bytes, halvings: int) -> Bytes:
    for _ in range(halvings):
        pixels = halved(pixels)
    return pixels
