"""I match two photographs of one flat work, taken from different places: any perspective, a bent lens.

In: keypoints of both. Out: a `PhotoLink` with the points one perspective explains, or a `NoLink` that says why not.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array
from stitchbed.imaging.transforms import moved
from stitchbed.matching.features import Keypoints
from stitchbed.matching.hypotheses import LinkSettings, clear, match
from stitchbed.matching.similarity_links import NoLink, believable


@dataclass(frozen=True)
class PhotoLinkSettings:
    """ratio: nearest against second-nearest descriptor distance (Lowe 2004: .8).
    gate: inlier radius as share of the photo's longer side; a lens bends lines by up to 1 %, which a homography does
    not know; the solving of all photos together does, and then drops what it does not explain.
    most: points kept, spread over the overlap; more adds time, not truth.
    """

    ratio: float = 0.8
    gate: float = 0.01
    most: int = 200


@dataclass(frozen=True)
class PhotoLink:
    """a, b : index of the photos. b_from_a : 3x3 px, roughly. xy_a, xy_b : (M, 2) px."""

    a: int
    b: int
    b_from_a: Array
    xy_a: Array
    xy_b: Array


def link_photos(
    points: tuple[Keypoints, Keypoints], pair: tuple[int, int], settings: PhotoLinkSettings
) -> PhotoLink | NoLink:
    """Join two photos, `pair` being their index.

    Reference: Fischler & Bolles (1981), doi 10.1145/358669.358692 (random sampling; OpenCV's starts from a fixed state,
    so that the same photos give the same links).
    """
    a, b = points
    if min(len(a.xy), len(b.xy)) < 2:
        return NoLink(a.tile, b.tile, "too few places look alike", 0)
    index_a, index_b = clear(match(a, b, LinkSettings(ratio=settings.ratio)))
    xy_a, xy_b = a.xy[index_a], b.xy[index_b]
    if len(xy_a) < 8:
        return NoLink(a.tile, b.tile, "too few places look alike", len(xy_a))
    gate = settings.gate * float(np.ptp(b.xy, axis=0).max())
    matrix, inside = cv2.findHomography(xy_a, xy_b, cv2.RANSAC, gate, maxIters=4000, confidence=0.9999)
    if matrix is None:
        return NoLink(a.tile, b.tile, "no perspective explains enough points", len(xy_a))
    b_from_a = np.asarray(matrix, dtype=np.float64)
    kept = inside.ravel() > 0
    low, high = xy_a[kept].min(0), xy_a[kept].max(0)
    near = np.all((xy_a >= low) & (xy_a <= high), axis=1)
    if not believable(int(kept.sum()), int(near.sum())) or not _plain(b_from_a, np.array([low, high])):
        return NoLink(a.tile, b.tile, "no perspective explains enough points", len(xy_a))
    chosen = np.flatnonzero(kept)
    chosen = chosen[_evenly_placed(xy_a[chosen], settings.most)]
    return PhotoLink(*pair, b_from_a, xy_a[chosen], xy_b[chosen])


def _plain(matrix: Array, box: Array) -> bool:
    """True when a homography keeps a box (2, 2) px upright-handed and does not shrink it beyond a third."""
    corners = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * (box[1] - box[0]) + box[0]
    there = moved(matrix, corners)
    steps = np.roll(there, -1, axis=0) - there
    after = np.roll(steps, -1, axis=0)
    turns = steps[:, 0] * after[:, 1] - steps[:, 1] * after[:, 0]
    area = float(np.prod(box[1] - box[0]))
    size = abs(float(cv2.contourArea(there.astype(np.float32))))
    return bool((turns > 0).all()) and 1 / 9 < size / max(area, 1.0) < 9


def _evenly_placed(xy: Array, most: int) -> NDArray[np.intp]:
    """Index of up to `most` points, the first of each cell, then the second, on a 12 x 12 grid."""
    span = np.maximum(np.ptp(xy, axis=0), 1.0)
    cells = np.minimum((xy - xy.min(0)) / span * 12, 11).astype(int) @ np.array([1, 12])
    order = np.argsort(cells, kind="stable")
    rank = np.empty(len(xy), int)
    rank[order] = np.arange(len(xy)) - np.searchsorted(cells[order], cells[order], side="left")
    return np.argsort(rank, kind="stable")[:most]
