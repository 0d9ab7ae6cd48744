"""I average cells of r x r pixels, with narrower cells where the picture ends.

In: strips of pixels and where their cells begin. Out: one pixel per cell.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Pixels

# px of a cell's side up to which the fast averaging is exact: it sums uint8 in 32-bit integers (255 * 2900^2 fill them)
# and uint16 in 32-bit floats, which lose a tenth of a code at 64
FAST_SIZES = {"uint8": 1024, "uint16": 64}


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

    def part(self, first: int, count: int) -> Cells:
        """`count` cells from number `first` on."""
        rest = self
        if first > self.first:
            before = next(self.runs(first - self.first))
            rest = Cells(first, self.count - before.count, before.stop, self.stop, self.size, 0, self.tail)
        return next(rest.runs(count))

    def last(self) -> Cells:
        """The last cell alone."""
        return list(self.runs(1))[-1]


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
    mean = np.divide(weighted, cover, out=np.zeros_like(weighted), where=cover > 0)
    opaque = _means((alpha == np.iinfo(alpha.dtype).max).astype(np.float32), down, across)
    plain = (cover == 0) | (opaque > 1 - 0.5 / down.size**2)  # the same pixels give the same mean, whatever lies around
    return np.where(plain, _means(color, down, across), np.rint(mean)).astype(color.dtype)


def reduce_tall(parts: Iterable[tuple[Pixels, Pixels | None]], across: Cells) -> Pixels:
    """(1, across.count, c) means of one row of cells that comes as (color, alpha) parts from top to bottom."""
    starts = [int(start) for start, _, cells in _parts(across) for start in _starts(start, cells, across.size)]
    plain, weighted, cover = (np.zeros((across.count, 1)) for _ in range(3))
    rows, dtype = 0, np.dtype(np.uint8)
    for color, alpha in parts:
        weight = np.ones((*color.shape[:2], 1), np.uint8) if alpha is None else alpha
        plain = plain + _column_sums(color, starts)
        weighted = weighted + _column_sums(color if alpha is None else color * weight.astype(np.float64), starts)
        cover = cover + _column_sums(weight, starts)
        rows, dtype = rows + color.shape[0], color.dtype
    widths = np.diff([*starts, across.stop - across.start])[:, np.newaxis]
    mean = np.divide(weighted, cover, out=plain / (widths * rows), where=cover > 0)
    row: Pixels = np.rint(mean).astype(dtype)[np.newaxis]
    return row


def _starts(first: int, cells: slice, size: int) -> Iterator[int]:
    return (first + index * size for index in range(cells.stop - cells.start))


def _column_sums(pixels: Pixels, starts: list[int]) -> NDArray[np.float64]:
    """(cells, c) sums over all rows and the columns of each cell."""
    columns = pixels.sum(axis=0, dtype=np.float64 if pixels.dtype.kind == "f" else np.uint64)
    sums: NDArray[np.float64] = np.add.reduceat(columns, starts, axis=0).astype(np.float64)
    return sums


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
