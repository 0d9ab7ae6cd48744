"""I cut a picture into small JPEG tiles at every halving, so that a page can show a huge one without loading it.

In: windows of a picture of any size and profile. Out: tiles in sRGB, as files in a folder or as bytes.

The picture is read once, in strips of one tile's height; each strip is halved into the next level on the way.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.color.convert import srgb_view
from stitchbed.core.arrays import Bytes
from stitchbed.imaging.box import Box
from stitchbed.imaging.depth import eight_bit
from stitchbed.reading.base.tile import Raster

TILE = 512  # px; a phone loads about a dozen for its screen
QUALITY = 88  # JPEG; blocks are not seen at 1:1, a tile takes about 60 kB (common practice, no source)
NOTHING = 119  # gray code shown where the canvas is not covered: L* 50, neither paper nor ink
ENCODERS = 2  # threads; encoding is what takes the time


class PictureWindows(Protocol):
    """What is read: see `reading.formats`."""

    raster: Raster

    def window(self, box: Box) -> NDArray[Any]:
        """(h, w, channels) stored pixels."""
        ...

    def alpha(self, box: Box) -> NDArray[Any] | None:
        """(h, w) straight alpha or None."""
        ...


@dataclass(frozen=True)
class Pyramid:
    """width, height px of the full view; halvings of the smallest (one tile); tiles and bytes written in all."""

    width: int
    height: int
    tile: int
    halvings: int
    tiles: int
    bytes: int


@dataclass(frozen=True)
class PictureTile:
    """One tile. halvings 0 is full size; row, col count tiles; jpeg is the encoded picture."""

    halvings: int
    row: int
    col: int
    jpeg: bytes

    @property
    def name(self) -> str:
        """Path of the tile below the pyramid's folder."""
        return f"half{self.halvings}/r{self.row}c{self.col}.jpg"


def halvings_of(width: int, height: int) -> int:
    """Halvings until the picture fits one tile."""
    count = 0
    while max(width, height) > TILE:
        width, height, count = -(-width // 2), -(-height // 2), count + 1
    return count


def picture_tiles(windows: PictureWindows) -> Iterator[PictureTile]:
    """All tiles of a picture, rows of the full view first, each smaller level as soon as it is known."""
    height, width, _ = windows.raster.shape
    levels = halvings_of(width, height)
    to_srgb = srgb_view(windows.raster.icc, windows.raster.shape[2])
    waiting: list[list[Bytes]] = [[] for _ in range(levels + 1)]
    with ThreadPoolExecutor(ENCODERS) as pool:
        for row in range(0, height, TILE):
            strip = shown(windows, Box(row, 0, min(TILE, height - row), width), to_srgb)
            yield from _strip_down(strip, (0, row // TILE), waiting, pool)
        for level in range(1, levels + 1):
            if waiting[level]:
                yield from _flush(level, height, waiting, pool)


def write_pyramid(windows: PictureWindows, folder: Path) -> Pyramid:
    """Write every tile below `folder` (which must exist)."""
    height, width, _ = windows.raster.shape
    tiles = size = 0
    for tile in picture_tiles(windows):
        target = folder / tile.name
        target.parent.mkdir(exist_ok=True)
        target.write_bytes(tile.jpeg)
        tiles, size = tiles + 1, size + len(tile.jpeg)
    return Pyramid(width, height, TILE, halvings_of(width, height), tiles, size)


def shown(windows: PictureWindows, box: Box, to_srgb: Callable[[Bytes], Bytes], *, nothing: int = NOTHING) -> Bytes:
    """(h, w, 3) sRGB codes of a box; what the picture does not cover is `nothing`."""
    pixels = eight_bit(windows.window(box)).reshape(box.height, box.width, -1)
    colors = to_srgb(pixels)
    alpha = windows.alpha(box)
    if alpha is None or alpha.min() == np.iinfo(alpha.dtype).max:
        return colors
    share = (eight_bit(alpha).astype(np.float32) / 255)[..., None]
    return np.rint(colors * share + nothing * (1 - share)).astype(np.uint8)


def _strip_down(
    strip: Bytes, place: tuple[int, int], waiting: list[list[Bytes]], pool: ThreadPoolExecutor
) -> Iterator[PictureTile]:
    """Tiles of one row of a level, then of each smaller level for which two rows have come together."""
    level, row = place
    columns = range(0, strip.shape[1], TILE)
    encoded = pool.map(jpeg_of, [strip[:, col : col + TILE] for col in columns])
    for col, jpeg in enumerate(encoded):
        yield PictureTile(level, row, col, jpeg)
    if level + 1 < len(waiting):
        waiting[level + 1].append(halved(strip))
        if len(waiting[level + 1]) == 2:
            both = np.concatenate(waiting[level + 1])
            waiting[level + 1].clear()
            yield from _strip_down(both, (level + 1, row // 2), waiting, pool)


def _flush(level: int, height: int, waiting: list[list[Bytes]], pool: ThreadPoolExecutor) -> Iterator[PictureTile]:
    """The last, single half row of a level."""
    last = -(-height // 2**level) - 1
    strip = waiting[level].pop()
    yield from _strip_down(strip, (level, last // TILE), waiting, pool)


def halved(strip: Bytes) -> Bytes:
    """Half the size, each pixel the mean of four; an odd edge counts twice."""
    size = ((strip.shape[1] + 1) // 2, (strip.shape[0] + 1) // 2)
    even = np.pad(strip, ((0, strip.shape[0] % 2), (0, strip.shape[1] % 2), (0, 0)), mode="edge")
    return np.asarray(cv2.resize(even, size, interpolation=cv2.INTER_AREA), np.uint8)


def jpeg_of(tile: Bytes) -> bytes:
    """The encoded tile."""
    _, encoded = cv2.imencode(".jpg", tile[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
    return encoded.tobytes()
