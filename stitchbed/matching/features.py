"""I find and describe points.

In: a reduced view of a tile. Out: `Keypoints` in full-resolution pixels of that tile.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Floats
from stitchbed.imaging.box import Box
from stitchbed.imaging.gray import evened, gray_of

BAND_PX = 5e5  # px of a view in which points are sought at a time
BAND_ROOM = 48  # px of its neighbors seen with it: more than a point of the usual size looks at


@dataclass(frozen=True)
class FeatureSettings:
    """view_side: px of a reduced view's long side; 1000 keeps a 0.3 mm line of an A4 piece a pixel wide.
    most: points kept per tile, the strongest per place; more adds time, not links.
    contrast_floor: gray levels (of 255) under which structure counts as noise; 3 is twice a scanner's usual noise.
    """

    view_side: int = 1000
    most: int = 1600
    contrast_floor: float = 3.0


@dataclass(frozen=True)
class Keypoints:
    """Points of one tile.

    xy : (N, 2) px, tile frame. scale : (N,) px. angle : (N,) rad. descriptors : (N, 128) float32, unit length.
    reduction : the view's integer reduction.
    """

    tile: str
    xy: NDArray[np.float64]
    scale: Floats
    angle: Floats
    descriptors: Floats
    reduction: int


def detect(
    name: str, view: NDArray[Any], reduction: int, settings: FeatureSettings, within: Box | None = None
) -> Keypoints:
    """SIFT points of a view (h, w, c), evenly strong over the picture.

    within : part of the view to look at (view px); None for all of it.
    Reference: Lowe (2004), doi 10.1023/B:VISI.0000029664.99615.94. `enable_precise_upscale` removes the quarter-pixel
    bias of OpenCV's default, which turned pieces would show as a half-pixel step.
    """
    area = within or Box(0, 0, *view.shape[:2])
    even = evened(gray_of(view[area.slices]), 25.0, settings.contrast_floor)
    picture = np.clip(128 + 40 * even, 0, 255).astype(np.uint8)
    table, descriptors = _in_bands(picture, settings.most)
    if not len(table):
        return Keypoints(
            name, np.zeros((0, 2)), *(np.zeros(0, np.float32),) * 2, np.zeros((0, 128), np.float32), reduction
        )
    order = _evenly_placed(table, even.shape, settings.most)
    table, kept = table[order], descriptors[order]
    root = np.sqrt(kept / np.maximum(kept.sum(1, keepdims=True), 1e-9))  # Arandjelovic & Zisserman (2012)
    xy = (table[:, :2] + (area.col, area.row) + 0.5) * reduction - 0.5
    return Keypoints(
        name, xy, (table[:, 2] * reduction).astype(np.float32), table[:, 3].astype(np.float32), root, reduction
    )


def _in_bands(picture: NDArray[np.uint8], most: int) -> tuple[NDArray[np.float64], Floats]:
    """(n, 5) x, y, size, angle, response, and (n, 128) descriptors, sought band by band.

    The method keeps eleven pictures of twice the side, some 230 bytes for each pixel of the view.
    """
    h, w = picture.shape
    count = max(1, round(h * w / BAND_PX))
    sift = cv2.SIFT_create(  # type: ignore[attr-defined,unused-ignore]
        nfeatures=2 * most // count, contrastThreshold=0.02, enable_precise_upscale=True
    )
    tables, kept = [np.zeros((0, 5))], [np.zeros((0, 128), np.float32)]
    edges = np.linspace(0, h, count + 1).astype(int)
    for top, foot in pairwise(edges):
        first = max(0, top - BAND_ROOM)
        points, descriptors = sift.detectAndCompute(picture[first : min(h, foot + BAND_ROOM)], None)
        if descriptors is None or not len(points):
            continue
        table = np.array([(p.pt[0], p.pt[1] + first, p.size, np.deg2rad(p.angle), p.response) for p in points])
        mine = (table[:, 1] >= top - 0.5) & (table[:, 1] < foot - 0.5)
        tables.append(table[mine])
        kept.append(descriptors[mine])
    return np.concatenate(tables), np.concatenate(kept)


def _evenly_placed(table: NDArray[np.float64], shape: tuple[int, ...], most: int) -> NDArray[np.intp]:
    """Indices of the strongest points per cell of a 10 x 10 grid, then the strongest of all up to `most`."""
    cells = (table[:, 1] * 10 // shape[0]).astype(int) * 10 + (table[:, 0] * 10 // shape[1]).astype(int)
    order = np.lexsort((table[:, 0], table[:, 1], -table[:, 4], cells))
    first = np.searchsorted(cells[order], cells[order], side="left")
    rank = np.empty(len(order), int)
    rank[order] = np.arange(len(order)) - first
    chosen = np.lexsort((table[:, 0], table[:, 1], -table[:, 4], rank))
    return chosen[:most]
