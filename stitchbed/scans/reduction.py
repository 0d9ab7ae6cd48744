"""I average cells of r x r pixels, with narrower cells where the picture ends.

In: strips of pixels and where their cells begin. Out: one pixel per cell.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Pixels = NDArray[Any]


@dataclass(frozen=True)
class Cells:
    """A run of cells along one axis: `count` cells from number `first`, covering stored pixels start .. stop-1.

    size : px of a whole cell. lead, tail : px of the first and last cell where those are narrower, else 0.
    """

    first: int
    count: int
    start: int
    stop: int
    size: int
    lead: int
    tail: int

    def runs(self, most: int) -> Iterator[Cells]:
        """This run cut into runs of at most `most` cells."""
        edge = self.start
        for first in range(self.first, self.first + self.count, most):
            last = min(first + most, self.first + self.count)
            lead = self.lead if first == self.first else 0
            whole = last - first - bool(lead)
            tail = self.tail if last == self.first + self.count else 0
            stop = edge + lead + (whole - bool(tail)) * self.size + tail
            yield Cells(first, last - first, edge, stop, self.size, lead, tail)
            edge = stop


def cells_along(length: int, size: int, backward: bool) -> Cells:
    """Cells of an axis; backward when cells are counted from its far end, so that the narrow cell comes first."""
    count = -(-length // size)
    rest = length % size
    return Cells(0, count, 0, length, size, rest if backward else 0, 0 if backward else rest)


def reduce_strip(color: Pixels, alpha: Pixels | None, down: Cells, across: Cells) -> Pixels:
    """(down.count, across.count, c) means of a strip (rows, columns, c), weighted by alpha (rows, columns, 1)."""
    if down.size == 1:
        return color
    if alpha is None or alpha.min() == np.iinfo(alpha.dtype).max:
        return _means(color, down, across)
    weight = alpha.astype(np.float32)
    weighted = _means(color.astype(np.float32) * weight, down, across)
    cover = _means(weight, down, across)
    plain = _means(color, down, across)
    mean = np.divide(weighted, cover, out=plain.astype(np.float32), where=cover > 0)
    return np.rint(mean).astype(color.dtype)


def _means(pixels: Pixels, down: Cells, across: Cells) -> Pixels:
    out = np.empty((down.count, across.count, pixels.shape[2]), pixels.dtype)
    for row_from, row_to, out_row in _parts(down):
        for col_from, col_to, out_col in _parts(across):
            part = pixels[row_from:row_to, col_from:col_to]
            size = (out_col.stop - out_col.start, out_row.stop - out_row.start)
            mean = cv2.resize(np.ascontiguousarray(part), size, interpolation=cv2.INTER_AREA)
            out[out_row, out_col] = mean.reshape(size[1], size[0], -1)
    return out


def _parts(cells: Cells) -> Iterator[tuple[int, int, slice]]:
    """(from, to, cells) of the narrow first cell, the whole cells, and the narrow last cell, where there are any."""
    length = cells.stop - cells.start
    head, back = cells.lead, length - cells.tail
    first, last = bool(cells.lead), cells.count - bool(cells.tail)
    if head:
        yield 0, head, slice(0, 1)
    if back > head:
        yield head, back, slice(int(first), last)
    if cells.tail:
        yield back, length, slice(last, cells.count)
