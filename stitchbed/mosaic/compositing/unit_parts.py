"""I divide a unit of the canvas into parts: those one tile fills alone, and those where tiles pass into each other.

In: whose each cell is, and a unit. Out: boxes side by side. Blending costs several times what one tile alone does, and
looks at room round it: it is done only where a seam is near.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from stitchbed.blending.multiband import HALO
from stitchbed.core.arrays import Mask
from stitchbed.imaging.box import Box, grown
from stitchbed.mosaic.compositing.seams import SeamMap

STEP = 64  # px of the grid that parts lie on: whole nodes, and whole pixels of the coarsest band
PART = 30_000.0  # what one more part costs, as pixels of a tile alone; half or twice as much changes little
BLENDED = 5.0  # what a pixel costs where tiles are blended, against one of a tile alone; the same


def unit_parts(seams: SeamMap, unit: Box) -> list[Box]:
    """Boxes that make up `unit` (sides multiples of STEP); each pixel's surroundings of HALO px are one tile's own, or
    it lies in a box where tiles meet."""
    return [
        Box(unit.row + STEP * box.row, unit.col + STEP * box.col, STEP * box.height, STEP * box.width)
        for box in _divided(_meeting(seams, unit), Box(0, 0, unit.height // STEP, unit.width // STEP))
    ]


def cells_near(seams: SeamMap, box: Box) -> NDArray[np.uint16]:
    """Owners of the cells in or next to a box."""
    cell, labels = seams.cell, seams.labels
    rows = slice(max(0, box.row // cell - 1), max(0, -(-box.bottom // cell) + 1))
    cols = slice(max(0, box.col // cell - 1), max(0, -(-box.right // cell) + 1))
    return labels[rows, cols]


def _meeting(seams: SeamMap, unit: Box) -> Mask:
    """(rows, cols) of STEP px: True where cells near are not all one tile's."""
    found = np.ones((unit.height // STEP, unit.width // STEP), bool)
    for row, col in np.ndindex(*found.shape):
        near = cells_near(seams, grown(Box(unit.row + STEP * row, unit.col + STEP * col, STEP, STEP), HALO))
        found[row, col] = near.size == 0 or near.min() != near.max()
    return found


def _divided(meeting: Mask, box: Box) -> list[Box]:
    """The box, or what the cut that saves most leaves of it, divided further."""
    best, cut = _cost(meeting, box), None
    for one, two in _cuts(box):
        cost = _cost(meeting, one) + _cost(meeting, two)
        if cost < best:
            best, cut = cost, (one, two)
    return [box] if cut is None else [part for half in cut for part in _divided(meeting, half)]


def _cuts(box: Box) -> list[tuple[Box, Box]]:
    across = [(n, box.height - n) for n in range(1, box.height)]
    down = [(n, box.width - n) for n in range(1, box.width)]
    return [
        *((Box(box.row, box.col, n, box.width), Box(box.row + n, box.col, rest, box.width)) for n, rest in across),
        *((Box(box.row, box.col, box.height, n), Box(box.row, box.col + n, box.height, rest)) for n, rest in down),
    ]


def _cost(meeting: Mask, box: Box) -> float:
    """Of a box, as pixels of a tile alone."""
    height, width = STEP * box.height, STEP * box.width
    if meeting[box.slices].any():
        return PART + BLENDED * (height + 2 * HALO) * (width + 2 * HALO)
    return PART + height * width
