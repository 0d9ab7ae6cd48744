"""I hand out windows and reduced views of one picture the way it is meant to be looked at.

In: a header and stored pixels. Out: arrays in the shown orientation, color apart from straight alpha.
"""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from types import TracebackType
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from stitchbed.ground.box import Box
from stitchbed.scans.header import Header, Stored
from stitchbed.scans.reduction import FAST_SIZES, Cells, cells_along, reduce_strip, reduce_tall
from stitchbed.scans.tile import Raster
from stitchbed.scans.turning import COLS_BACKWARD, ROWS_BACKWARD, stored_box, turned

Pixels = NDArray[Any]

VIEW_STRIP_BYTES = 8 * 2**20  # a strip of a view: large enough for the codec, small beside any budget
VIEW_THREADS = 2  # decoders release the lock of the interpreter; more would hold more strips at once


class Windows:
    """Pixels of one open picture; close it (or use `with`)."""

    def __init__(self, header: Header, stored: Stored) -> None:
        self._header = header
        self._stored = stored
        self.raster: Raster = header.raster

    def window(self, box: Box) -> Pixels:
        """(h, w, channels) color of a box that lies in the picture, dtype of the raster.

        Raises
        ------
        ValueError : the box is empty or leaves the picture. UnreadableTile : the file is damaged there.
        """
        pixels = self._read(box)
        color = pixels[..., : self.raster.shape[2]]
        if self._header.associated:
            color = straightened(color, pixels[..., -1:])
        return np.ascontiguousarray(color)

    def alpha(self, box: Box) -> Pixels | None:
        """(h, w) straight alpha of a box, 0 transparent; None when the file has none."""
        if not self.raster.alpha:
            self._check(box)
            return None
        return np.ascontiguousarray(self._read(box)[..., -1])

    def view(self, reduction: int) -> Pixels:
        """(ceil(h/r), ceil(w/r), channels): the whole picture, each cell the mean of its r x r px (or what is there).

        Colors are weighted by alpha, so that hidden pixels do not show; a cell hidden altogether keeps its plain mean.
        """
        if reduction < 1:
            raise ValueError(f"reduction must be at least 1, got {reduction}")
        stored = self._stored
        down = cells_along(stored.height, reduction, self._header.orientation in ROWS_BACKWARD)
        across = cells_along(stored.width, reduction, self._header.orientation in COLS_BACKWARD)
        out = np.empty((down.count, across.count, self.raster.shape[2]), self.raster.dtype)
        with ThreadPoolExecutor(VIEW_THREADS) as pool:
            jobs = [pool.submit(self._strip, out, strip, across) for strip in self._strips(down, reduction)]
            for job in jobs:
                job.result()
        return np.ascontiguousarray(turned(out, self._header.orientation))

    def close(self) -> None:
        """Close the file and drop what was decoded of it."""
        self._stored.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _read(self, box: Box) -> Pixels:
        self._check(box)
        turn = self._header.orientation
        return turned(self._stored.read(stored_box(box, self._stored.height, self._stored.width, turn)), turn)

    def _check(self, box: Box) -> None:
        rows, cols, _ = self.raster.shape
        if box.empty or box.row < 0 or box.col < 0 or box.bottom > rows or box.right > cols:
            raise ValueError(f"{box} does not lie in a picture of {rows} rows and {cols} columns")

    def _strips(self, down: Cells, reduction: int) -> Iterator[Cells]:
        """Runs of cell rows whose stored rows are cheap to read together."""
        fast = reduction <= FAST_SIZES[self.raster.dtype]
        return down.runs(max(1, self._rows_at_once() // reduction) if fast else 1)

    def _rows_at_once(self) -> int:
        row_bytes = self._stored.width * self._stored.samples * np.dtype(self._stored.dtype).itemsize
        cheap = self._stored.rows if self._stored.rows * row_bytes <= VIEW_STRIP_BYTES else 1
        return max(cheap, VIEW_STRIP_BYTES // row_bytes)

    def _strip(self, out: Pixels, strip: Cells, across: Cells) -> None:
        """Fill the rows of `out` that a run of cell rows gives."""
        fast = strip.size <= FAST_SIZES[self.raster.dtype] and strip.size <= self._rows_at_once()
        if fast:
            reduced = reduce_strip(*self._colors(strip.start, strip.stop), strip, across)
        else:
            step = self._rows_at_once()
            edges = range(strip.start, strip.stop, step)
            parts = (self._colors(row, min(row + step, strip.stop)) for row in edges)
            reduced = reduce_tall(parts, across)
        out[strip.first : strip.first + strip.count] = reduced

    def _colors(self, start: int, stop: int) -> tuple[Pixels, Pixels | None]:
        """(color, alpha or None) of whole stored rows."""
        pixels = self._stored.read(Box(start, 0, stop - start, self._stored.width))
        color = pixels[..., : self.raster.shape[2]]
        if not self.raster.alpha:
            return color, None
        alpha = pixels[..., -1:]
        return (straightened(color, alpha) if self._header.associated else color), alpha


def straightened(color: Pixels, alpha: Pixels) -> Pixels:
    """Color of premultiplied samples, rounded and clipped; 0 where alpha is 0. Reference: Porter & Duff 1984.

    color : (h, w, c). alpha : (h, w, 1), same dtype.
    """
    top = np.iinfo(color.dtype).max
    wide = color.astype(np.uint64)
    cover = np.maximum(alpha, 1).astype(np.uint64)
    straight = np.minimum((wide * top + cover // 2) // cover, top)
    return np.where(alpha > 0, straight, 0).astype(color.dtype)
