"""I reduce a picture by averaging, two blocks at a time.

In: a header and stored pixels. Out: the reduced picture, as shown; or bands of it from the top, as stored.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
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
WEIGHED = 8  # times as much memory as its pixels takes a block whose colors are weighted by alpha
BAND_BYTES = 4 * 2**20  # of reduced pixels
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
    down, across = _cells(header, stored, reduction)
    return np.ascontiguousarray(turned(_mean(header, stored, down, across), header.orientation))


def bands(header: Header, stored: Stored, reduction: int) -> Iterator[Pixels]:
    """The same as stored, in bands of rows from the top, however large it is."""
    down, across = _cells(header, stored, reduction)
    row = across.count * header.raster.shape[2] * np.dtype(stored.dtype).itemsize
    whole_blocks = _block_size(Source(header, stored))[0] // reduction
    for run in down.runs(max(1, BAND_BYTES // row, whole_blocks)):
        yield _mean(header, stored, run, across)


def reduced_size(header: Header, stored: Stored, reduction: int) -> tuple[int, int]:
    """(height, width) px of the reduced picture as stored."""
    down, across = _cells(header, stored, reduction)
    return down.count, across.count


def _cells(header: Header, stored: Stored, reduction: int) -> tuple[Cells, Cells]:
    down = cells_along(stored.height, reduction, header.orientation in ROWS_BACKWARD)
    return down, cells_along(stored.width, reduction, header.orientation in COLS_BACKWARD)


def _mean(header: Header, stored: Stored, down: Cells, across: Cells) -> Pixels:
    """(down.count, across.count, channels) of a run of cells, from a reduced view where one may stand in."""
    halvings = _halvings(header, stored, down.size)
    if halvings:
        return _from_level(header, stored, halvings, (down, across))
    return _reduced(Source(header, stored), down, across)


def _halvings(header: Header, stored: Stored, reduction: int) -> int:
    """Number of the smallest reduced view whose pixels fill whole cells; 0 for the picture itself."""
    # where alpha weighs colors, means of means are other colors: good to look at, not to measure by
    plain = header.orientation == 1 and not header.raster.alpha
    most = min(len(stored.levels), MOST_HALVINGS[stored.dtype]) if plain else 0
    return max(number for number in range(most + 1) if reduction % 2**number == 0)


def _from_level(header: Header, stored: Stored, halvings: int, cells: tuple[Cells, Cells]) -> Pixels:
    """The mean over a reduced view; cells at its edge, whose pixels stand for less, come from the picture itself."""
    down, across = cells
    level = stored.levels[halvings - 1]
    size, last = down.size >> halvings, down.stop == stored.height
    whole = cells_along(level.height, size, backward=False)
    run = whole.part(down.first, down.count)
    out = _reduced(Source(header, level), run, cells_along(level.width, size, backward=False))
    if last and stored.height % 2**halvings:
        out[-1:] = _reduced(Source(header, stored), down.last(), across)
    if stored.width % 2**halvings:
        out[:, -1:] = _reduced(Source(header, stored), down, across.last())
    return out


def _reduced(source: Source, down: Cells, across: Cells) -> Pixels:
    """(down.count, across.count, channels) means, in stored order."""
    rows, cols = _block_size(source)
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


def _block_size(source: Source) -> tuple[int, int]:
    """(rows, columns) px that are read together: whole rows, or part of a row of tiles where that would be too much."""
    stored = source.stored
    pixel = stored.samples * np.dtype(stored.dtype).itemsize * (WEIGHED if source.header.raster.alpha else 1)
    rows, cols = stored.piece
    if rows * stored.width * pixel <= BLOCK_BYTES:
        return rows * (BLOCK_BYTES // (rows * stored.width * pixel)), stored.width
    return rows, max(cols, BLOCK_BYTES // (rows * pixel) // cols * cols)


def _block(source: Source, run: Cells, span: Cells) -> Pixels:
    return reduce_strip(*_colors(source, run.start, run.stop, span), run, span)


def _tall_block(source: Source, run: Cells, span: Cells) -> Pixels:
    """A row of cells too tall to be read at once, or for the fast averaging."""
    step = _block_size(source)[0]
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
