"""I carry region numbers from the small map to every pixel of the page, under each line to its middle.

In: numbers of the small map and where lines are, block by block. Out: (h, w) region of each pixel; none is left out.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np

from stitchbed.core.arrays import Bytes, Floats, Ints, Labels, Mask
from stitchbed.imaging.box import Box, clipped, grown, shifted
from stitchbed.imaging.compiled import compiled
from stitchbed.imaging.reduce import repeated
from stitchbed.page.line_art.regions import flood

HALF_LINE_MM = 1.5  # half of the widest line whose middle is found exactly; in wider ink the small map's middle serves


@dataclass(frozen=True)
class RegionMap:
    """labels : (h, w) region of each cell of factor x factor px, also under lines. free : (h, w) 1 where a cell shows
    no line at all. height, width : px of the page.
    """

    labels: Labels
    free: Bytes
    factor: int
    height: int
    width: int


def cells_free(line: Mask, factor: int) -> Bytes:
    """(h, w) 1 where a cell of factor x factor px shows no line; cells at the end may be smaller."""
    high, wide = (-(-n // factor) for n in line.shape)
    padded = np.zeros((high * factor, wide * factor), bool)
    padded[: line.shape[0], : line.shape[1]] = line
    return np.asarray(~padded.reshape(high, factor, wide, factor).any(axis=(1, 3)), np.uint8)


def spread_under(labels: Labels) -> None:
    """Give every cell under lines the number of the region whose free cells are nearest, in place."""
    waiting = labels == 0
    if not waiting.all():
        flood(labels, waiting)


def regions_at(regions: RegionMap, line_at: Callable[[Box], Mask], box: Box, reach: int) -> Labels:
    """(h, w) region of each pixel of a box. line_at : box of the page -> (h, w) line. reach : px, half a wide line.

    Pixels whose cell is free keep its number. Free pixels beside a line take the number that reaches them without
    crossing it; pixels of the line the nearest one's, so that two colors meet under its middle.
    """
    f = regions.factor
    wide = clipped(grown(box, reach + 3 * f), Box(0, 0, regions.height, regions.width))
    line = line_at(wide)
    number, free = (repeated(small, wide, f) for small in (regions.labels, regions.free))
    if line.any() or not free.all():
        known = np.where((free > 0) & ~line, number, 0)
        _creep(known, np.flatnonzero(~line & (known == 0)), 2 * f)
        number = _under_lines(known, number, reach)
    return np.ascontiguousarray(number[shifted(box, -wide.row, -wide.col).slices])


@compiled
def _creep(known: Labels, waiting: Ints, steps: int) -> None:
    """Let numbers grow into the flat places that wait, one pixel a step; where two meet the larger wins."""
    height, width = known.shape
    fresh = np.zeros(waiting.size, np.int32)
    count = waiting.size
    for _ in range(steps):
        for i in range(count):
            row, col = waiting[i] // width, waiting[i] % width
            best = known[row - 1, col] if row > 0 else 0
            if row < height - 1:
                best = max(best, known[row + 1, col])
            if col > 0:
                best = max(best, known[row, col - 1])
            if col < width - 1:
                best = max(best, known[row, col + 1])
            fresh[i] = best
        left = 0
        for i in range(count):
            if fresh[i] > 0:
                known[waiting[i] // width, waiting[i] % width] = fresh[i]
            else:
                waiting[left] = waiting[i]
                left += 1
        if left == count:
            break
        count = left


def _under_lines(known: Labels, number: Labels, reach: int) -> Labels:
    """(h, w) the known numbers; elsewhere that of the nearest known pixel within `reach` px, or else the map's own."""
    if not known.any():
        return number
    distance, index = cv2.distanceTransformWithLabels(
        (known == 0).astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    label = number.copy()
    _settle(known, distance, index, reach, label)
    return label


@compiled
def _settle(known: Labels, distance: Floats, index: Labels, reach: int, label: Labels) -> None:
    """Fill `label` where a known pixel is near. index : (h, w) the number of the nearest one."""
    table = np.zeros(known.size + 1, np.int32)
    for row in range(known.shape[0]):
        for col in range(known.shape[1]):
            if known[row, col] > 0:
                table[index[row, col]] = known[row, col]
    for row in range(known.shape[0]):
        for col in range(known.shape[1]):
            if known[row, col] > 0 or distance[row, col] <= reach:
                label[row, col] = table[index[row, col]]
