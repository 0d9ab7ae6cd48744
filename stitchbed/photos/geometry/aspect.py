"""I tell how wide a rectangle in a photo is for its height, as far as its perspective tells.

In: its four corners, the photo's size. Out: the widths to heights that it may have.
"""

from __future__ import annotations

import cv2
import numpy as np

from stitchbed.core.arrays import Array

FOCAL_LENGTHS = np.geomspace(0.45, 3.0, 20)  # of the photo's diagonal; hand cameras have .5 to 2, from memory
SQUARE = 0.05  # cosine by which corners may be off square more than they must, for a focal length to count
UNIT_SQUARE = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], np.float32)


def aspects_seen(corners: Array, size: tuple[int, int]) -> Array:
    """(N,) widths divided by heights, one for each focal length with which the corners are those of a rectangle.

    corners : (4, 2) px, from the top left clockwise. size : (height, width) px of the photo, whose middle counts as the
    lens's. A tilt makes what lies along it shorter, and how much, only the focal length tells.
    Reference: Hartley & Zisserman (2004), "Multiple View Geometry", sec. 8.8, a plane's metric from the camera.
    """
    h, w = size
    middle = np.array([(w - 1) / 2, (h - 1) / 2])
    centered = ((corners - middle) / np.hypot(h, w)).astype(np.float32)
    across, down, _ = np.asarray(cv2.getPerspectiveTransform(UNIT_SQUARE, centered), dtype=np.float64).T
    lens = np.stack([1 / FOCAL_LENGTHS, 1 / FOCAL_LENGTHS, np.ones_like(FOCAL_LENGTHS)])
    rays = np.stack([across, down])[..., None] * lens
    long = np.linalg.norm(rays, axis=1)
    off_square = np.abs((rays[0] * rays[1]).sum(axis=0)) / (long[0] * long[1])
    return np.asarray((long[0] / long[1])[off_square <= off_square.min() + SQUARE], dtype=np.float64)
