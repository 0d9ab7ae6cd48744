"""I know the eight ways a stored picture can be turned to be looked at.

In: boxes and arrays in one orientation. Out: the same in the other.

Reference: TIFF 6.0 (1992), tag 274; EXIF uses the same numbers. 1 as stored, 2 mirrored, 3 half turn, 4 upside down,
5 transposed, 6 quarter turn clockwise, 7 transposed and half turned, 8 quarter turn counterclockwise.
"""

from __future__ import annotations

from typing import TypeVar

from stitchbed.core.arrays import Pixels
from stitchbed.imaging.box import Box

Pair = TypeVar("Pair")

SWAPPED = (5, 6, 7, 8)  # rows become columns
ROWS_BACKWARD = (3, 4, 6, 7)  # stored rows run against the shown direction they lie along
COLS_BACKWARD = (2, 3, 7, 8)
MIRRORED = {1: 2, 2: 1, 3: 4, 4: 3, 5: 6, 6: 5, 7: 8, 8: 7}  # the same picture, shown flipped left to right


def turned(pixels: Pixels, orientation: int) -> Pixels:
    """A view of stored pixels (rows, columns, ...) as shown."""
    if orientation in ROWS_BACKWARD:
        pixels = pixels[::-1]
    if orientation in COLS_BACKWARD:
        pixels = pixels[:, ::-1]
    return pixels.swapaxes(0, 1) if orientation in SWAPPED else pixels


def swapped(pair: tuple[Pair, Pair], orientation: int) -> tuple[Pair, Pair]:
    """(rows, columns) or (x, y) of the stored picture as shown."""
    return (pair[1], pair[0]) if orientation in SWAPPED else pair


def stored_box(box: Box, height: int, width: int, orientation: int) -> Box:
    """The stored box that a shown box is; height, width : px as stored."""
    if orientation in SWAPPED:
        box = Box(box.col, box.row, box.width, box.height)
    row = height - box.bottom if orientation in ROWS_BACKWARD else box.row
    col = width - box.right if orientation in COLS_BACKWARD else box.col
    return Box(row, col, box.height, box.width)
