"""I carry region numbers from the small map to every pixel of the page, under each line to its middle.

In: numbers of the small map and where lines are, block by block. Out: (h, w) region of each pixel; none is left out.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Bytes, Labels, Mask
from stitchbed.imaging.box import Box, clipped, grown, shifted
from stitchbed.page.ink import short
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
    number = _upscaled(regions.labels, wide, f)
    if not line.any() and _upscaled(regions.free, wide, f).all():
        return number[shifted(box, -wide.row, -wide.col).slices]
    known = np.where((_upscaled(regions.free, wide, f) > 0) & ~line, number, 0).astype(np.int32)
    known = _crept(known, ~line, 2 * f)
    far, nearest = _nearest(known)
    label = np.where(known > 0, known, np.where(far <= reach, nearest, number))
    return np.ascontiguousarray(label[shifted(box, -wide.row, -wide.col).slices])


def _upscaled(small: NDArray[np.int32] | Bytes, box: Box, factor: int) -> NDArray[np.int32]:
    """A box of the page read from a small map, each cell repeated."""
    rows = np.arange(box.row, box.bottom) // factor
    cols = np.arange(box.col, box.right) // factor
    return np.asarray(small[rows][:, cols], np.int32)


def _crept(known: Labels, free: Mask, steps: int) -> Labels:
    """Numbers grown over free pixels, one pixel a step; where two meet the larger wins."""
    wide, cross = short(known), cv2.getStructuringElement(cv2.MORPH_CROSS, (3, 3))
    for _ in range(steps):
        spread = cv2.dilate(wide, cross)
        fresh = free & (wide == 0) & (spread > 0)
        if not fresh.any():
            break
        np.copyto(wide, spread, where=fresh)
    return wide.astype(np.int32)


def _nearest(known: Labels) -> tuple[NDArray[np.float32], Labels]:
    """(h, w) distance px to the nearest numbered pixel, and its number."""
    if not known.any():
        return np.full(known.shape, np.inf, np.float32), known
    distance, index = cv2.distanceTransformWithLabels(
        (known == 0).astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    table = np.zeros(int(index.max()) + 1, np.int32)
    at = known > 0
    table[index[at]] = known[at]
    return np.asarray(distance, np.float32), table[index]
