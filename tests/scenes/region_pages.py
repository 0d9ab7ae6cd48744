"""I draw pages of closed regions that are known, with lines by hand and gaps in them.

In: a size, dpi, a seed, gaps. Out: a line layer and the region of every pixel.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

MM = 25.4


@dataclass(frozen=True)
class RegionPage:
    """alpha : (h, w) uint8 of black lines. truth : (h, w) region of each pixel, from 1. holes : (h, w) 1 in gaps."""

    dpi: float
    alpha: NDArray[np.uint8]
    truth: NDArray[np.int32]
    holes: NDArray[np.uint8]
    count: int


def region_page(
    dpi: float,
    number: int,
    *,
    size: tuple[float, float] = (60.0, 45.0),
    apart: float = 7.0,
    pen: float = 0.3,
    gap: float = 0.5,
) -> RegionPage:
    """Cells about `apart` mm wide, edges wobbling, lines of `pen` mm, every second with a hole up to `gap` mm wide."""
    rng = np.random.default_rng(number)
    k = dpi / MM
    wide, high = (round(side * k) for side in size)
    y, x = np.mgrid[0:high, 0:wide].astype(np.float32) / k
    for _ in range(3):
        fx, fy = rng.uniform(0.1, 0.5, 2)
        x = x + 0.5 * np.sin(fy * y + rng.uniform(0, 6)).astype(np.float32)
        y = y + 0.5 * np.sin(fx * x + rng.uniform(0, 6)).astype(np.float32)
    middles = _scattered(rng, size, apart)
    near, which = cKDTree(middles).query(np.stack([x, y], axis=2).reshape(-1, 2), k=2)
    truth = which[:, 0].reshape(high, wide)
    used, truth = np.unique(truth, return_inverse=True)
    truth = truth.reshape(high, wide).astype(np.int32) + 1
    distance = _to_border(truth)
    cover = np.clip(pen * k / 2 + 0.5 - distance, 0, 1)
    holes = _holes(rng, truth, distance, k, gap, pen)
    cover[holes > 0] = 0
    alpha = np.rint(cv2.GaussianBlur(cover.astype(np.float32), (0, 0), 0.6) * 255).astype(np.uint8)
    del near
    return RegionPage(dpi, alpha, truth, holes, len(used))


def _scattered(rng: np.random.Generator, size: tuple[float, float], apart: float) -> NDArray[np.float64]:
    points: list[NDArray[np.float64]] = []
    for _ in range(4000):
        point = rng.uniform((-2, -2), (size[0] + 2, size[1] + 2))
        if not points or np.hypot(*(np.array(points) - point).T).min() > apart:
            points.append(point)
    return np.array(points)


def _to_border(truth: NDArray[np.int32]) -> NDArray[np.float32]:
    """(h, w) px to the border between two regions, which runs between pixels."""
    edge = np.zeros(truth.shape, bool)
    edge[:, 1:] |= truth[:, 1:] != truth[:, :-1]
    edge[1:] |= truth[1:] != truth[:-1]
    return np.asarray(cv2.distanceTransform((~edge).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE))


def _holes(
    rng: np.random.Generator, truth: NDArray[np.int32], distance: NDArray[np.float32], k: float, gap: float, pen: float
) -> NDArray[np.uint8]:
    """Discs cut out of every second border, well away from where three regions meet."""
    holes = np.zeros(truth.shape, np.uint8)
    rows, cols = np.nonzero(distance == 0)
    far = round((2 * gap + pen) * k)
    kernel = np.ones((2 * far + 1, 2 * far + 1), np.uint8)
    crowd = np.zeros(truth.shape, np.int8)
    low, high = cv2.erode(truth.astype(np.float32), kernel), cv2.dilate(truth.astype(np.float32), kernel)
    other = (truth != low) & (truth != high)
    crowd[cv2.dilate(other.astype(np.uint8), kernel) > 0] = 1
    cut: set[tuple[int, int]] = set()
    for n in rng.permutation(len(rows)):
        r, c = int(rows[n]), int(cols[n])
        inside = far < r < truth.shape[0] - far and far < c < truth.shape[1] - far
        pair = (int(low[r, c]), int(high[r, c]))
        if not inside or crowd[r, c] or pair in cut or sum(pair) % 2:
            continue
        cut.add(pair)
        # a disc that leaves the line's two sides `width` apart; the blur of the ends may widen that by a pixel
        width = (rng.uniform(0.5, 1.0) * gap) * k - 1
        cv2.circle(holes, (c, r), round(float(np.hypot(width, pen * k + 1)) / 2), 1, -1)
    holes[distance > pen * k] = 0
    return holes
