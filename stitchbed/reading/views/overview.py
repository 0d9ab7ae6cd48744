"""I reduce a whole picture by averaging, two blocks at a time.

In: a header and stored pixels. Out: the reduced picture, as shown.
"""

from __future__ import annotations

from collections import deque
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import product

import numpy as np

from stitchbed.core.arrays import Pixels
from stitchbed.imaging.box import Box
from stitchbed.reading.base.header import Header, Stored
from stitchbed.reading.views.orientation import COLS_BACKWARD, ROWS_BACKWARD, turned
from stitchbed.reading.views.reduction import FAST_SIZES, Cells, cells_along, reduce_strip, reduce_tall
from stitchbed.reading.views.straight_alpha import straightened

BLOCK_BYTES = 16 * 2**20  # of stored pixels: large enough for the codec, small beside any budget
THREADS = 2  # decoders release the lock of the interpreter; more would hold more blocks at once
# halvings of a master's own reduced views that may stand in for its pixels: each rounds by half a code, and in 8 bits
# always upward at .5, so that two are as much as keeps the mean within half a code
MOST_HALVINGS = {"uint8": 2, "uint16": 16}


@dataclass(frozen=True)
class Source:
    """Pixels to average: the stored picture or one of its reduced views."""

    header: Header
    stored: Stored


def overview(header: Header, stored: Stored, reduction: int) -> Pixels:
    """(ceil(h/r), ceil(w/r), channels): each cell the mean of its r x r px (or of what is there).

    Colors are weighted by alpha, so that hidden pixels do not show; a cell hidden altogether keeps its plain mean.
    """
    down = cells_along(stored.height, reduction, header.orientation in ROWS_BACKWARD)
    across = cells_along(stored.width, reduction, header.orientation in COLS_BACKWARD)
    halvings = _halvings(header, stored, reduction)
    if halvings:
        return _from_level(header, stored, halvings, (down, across))
    out = _reduced(Source(header, stored), down, across)
    return np.ascontiguousarray(turned(out, header.orientation))


def _halvings(header: Header, stored: Stored, reduction: int) -> int:
    """Number of the smallest reduced view whose pixels fill whole cells; 0 for the picture itself."""
    most = min(len(stored.levels), MOST_HALVINGS[stored.dtype]) if header.orientation == 1 else 0
    return max(number for number in range(most + 1) if reduction % 2**number == 0)


def _from_level(header: Header, stored: Stored, halvings: int, cells: tuple[Cells, Cells]) -> Pixels:
    """The mean over a reduced view; cells at its edge, whose pixels stand for less, come from the picture itself."""
    down, across = cells
    level = stored.levels[halvings - 1]
    size = down.size >> halvings
    out = _reduced(
        Source(header, level),
        cells_along(level.height, size, backward=False),
        cells_along(level.width, size, backward=False),
    )
    if stored.height % 2**halvings:
        out[-1:] = _reduced(Source(header, stored), down.last(), across)
    if stored.width % 2**halvings:
        out[:, -1:] = _reduced(Source(header, stored), down, across.last())
    return out


def _reduced(source: Source, down: Cells, across: Cells) -> Pixels:
    """(down.count, across.count, channels) means, in stored order."""
    rows, cols = _block_size(source.stored)
    fast = down.size <= min(FAST_SIZES[source.stored.dtype], rows)
    out = np.empty((down.count, across.count, source.header.raster.shape[2]), source.stored.dtype)

    def fill(block: tuple[Cells, Cells]) -> None:
        run, span = block
        target = out[run.first - down.first :, span.first - across.first :]
        make = _block if fast else _tall_block
        target[: run.count, : span.count] = make(source, run, span)

    runs = down.runs(rows // down.size if fast else 1)
    with ThreadPoolExecutor(THREADS) as pool:
        deque(pool.map(fill, product(runs, list(across.runs(max(1, cols // across.size))))), maxlen=0)
    return out


def _block_size(stored: Stored) -> tuple[int, int]:
    """(rows, columns) px that are read together: whole rows, or part of a row of tiles where that would be too much."""
    pixel = stored.samples * np.dtype(stored.dtype).itemsize
    rows, cols = stored.piece
    if rows * stored.width * pixel <= BLOCK_BYTES:
        return rows * (BLOCK_BYTES // (rows * stored.width * pixel)), stored.width
    return rows, max(cols, BLOCK_BYTES // (rows * pixel) // cols * cols)


def _block(source: Source, run: Cells, span: Cells) -> Pixels:
    return reduce_strip(*_colors(source, run.start, run.stop, span), run, span)


def _tall_block(source: Source, run: Cells, span: Cells) -> Pixels:
    """A row of cells too tall to be read at once, or for the fast averaging."""
    step = _block_size(source.stored)[0]
    edges = range(run.start, run.stop, step)
    return reduce_tall((_colors(source, row, min(row + step, run.stop), span) for row in edges), span)


def _colors(source: Source, start: int, stop: int, span: Cells) -> tuple[Pixels, Pixels | None]:
    """(color, alpha or None) of stored rows start .. stop-1 and the columns of `span`."""
    pixels = source.stored.read(Box(start, span.start, stop - start, span.stop - span.start))
    raster = source.header.raster
    color = pixels[..., : raster.shape[2]]
    if not raster.alpha:
        return color, None
    alpha = pixels[..., -1:]
    return (straightened(color, alpha) if source.header.associated else color), alpha
