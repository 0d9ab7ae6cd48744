"""I am a rectangle of pixels and the arithmetic of blocks and halos.

In: whole numbers of pixels, half-open. Out: boxes.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass


@dataclass(frozen=True, order=True)
class Box:
    """Half-open rectangle of pixels: rows `row .. row+height-1`, columns `col .. col+width-1`."""

    row: int
    col: int
    height: int
    width: int

    @property
    def bottom(self) -> int:
        """First row below the box, px."""
        return self.row + self.height

    @property
    def right(self) -> int:
        """First column right of the box, px."""
        return self.col + self.width

    @property
    def empty(self) -> bool:
        """True when the box holds no pixel."""
        return self.height <= 0 or self.width <= 0

    @property
    def slices(self) -> tuple[slice, slice]:
        """Row and column slices into an array whose first pixel is (0, 0)."""
        return slice(self.row, self.bottom), slice(self.col, self.right)


def spanning(row0: int, col0: int, row1: int, col1: int) -> Box:
    """Box from its first row and column to (not including) row1, col1; empty when they cross."""
    return Box(row0, col0, max(0, row1 - row0), max(0, col1 - col0))


def grown(box: Box, margin: int) -> Box:
    """`box` with `margin` px more on each side (may leave the picture; see `clipped`)."""
    return Box(box.row - margin, box.col - margin, box.height + 2 * margin, box.width + 2 * margin)


def clipped(box: Box, bounds: Box) -> Box:
    """The part of `box` inside `bounds`; empty when they do not meet."""
    return spanning(
        max(box.row, bounds.row),
        max(box.col, bounds.col),
        min(box.bottom, bounds.bottom),
        min(box.right, bounds.right),
    )


def meets(a: Box, b: Box) -> bool:
    """True when the boxes share at least one pixel."""
    return not clipped(a, b).empty


def shifted(box: Box, rows: int, cols: int) -> Box:
    """`box` moved by whole pixels."""
    return Box(box.row + rows, box.col + cols, box.height, box.width)


def block_count(height: int, width: int, edge: int) -> int:
    """How many boxes `blocks` makes."""
    return -(-height // edge) * -(-width // edge)


def blocks(height: int, width: int, edge: int) -> Iterator[Box]:
    """Cover a height x width px picture with edge x edge blocks in file order; each pixel exactly once.

    Raises
    ------
    ValueError : when `edge` is not positive.
    """
    if edge <= 0:
        raise ValueError(f"block edge must be positive, got {edge}")
    for row in range(0, height, edge):
        for col in range(0, width, edge):
            yield Box(row, col, min(edge, height - row), min(edge, width - col))
