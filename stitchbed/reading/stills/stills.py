"""I open pictures that must be decoded from the top: once, into scratch, after which windows are cheap.

In: a path and its header. Out: `Stored` pixels.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

from stitchbed.core.arrays import Pixels
from stitchbed.reading.base.cache import PieceCache
from stitchbed.reading.base.header import Header, Stored
from stitchbed.reading.base.spill import in_bands, spilled
from stitchbed.reading.stills import heif, jpeg, jxl, png, raw, webp
from stitchbed.reading.views.orientation import swapped

Bands = Callable[[Path, Header], Iterator[Pixels]]


def open_stored(path: Path, header: Header, *, bands: Bands, cache: PieceCache, scratch: Path | None) -> Stored:
    """Decode the whole file by `bands`; `cache` is not needed, nothing is decoded twice.

    Raises
    ------
    UnreadableTile : damaged. CannotWrite : no room in scratch.
    """
    raster = header.raster
    height, width = swapped(raster.shape[:2], header.orientation)
    shape = (height, width, raster.shape[2] + raster.alpha)
    return spilled(in_bands(bands(path, header)), shape, raster.dtype, path=path, scratch=scratch)


open_png = partial(open_stored, bands=png.bands)
open_jpeg = partial(open_stored, bands=jpeg.bands)
open_heif = partial(open_stored, bands=heif.bands)
open_raw = partial(open_stored, bands=raw.bands)
open_jxl = partial(open_stored, bands=jxl.bands)
open_webp = partial(open_stored, bands=webp.bands)
