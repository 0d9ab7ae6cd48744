"""I look a picture up between its pixels.

In: a picture, points (x, y) px. Out: values there, bilinear; the rim is repeated outside.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array

ROWS_AT_ONCE = 16000  # cv2.remap wants every side below 32,767


def look_up(picture: NDArray[Any], xy: NDArray[np.float64]) -> NDArray[np.float64]:
    """Values (..., channels) or (...) of a picture (h, w[, channels]) at points (..., 2) px."""
    flat = np.asarray(xy, np.float32).reshape(-1, 2)
    parts = []
    for start in range(0, max(1, len(flat)), ROWS_AT_ONCE):
        x, y = (np.ascontiguousarray(flat[start : start + ROWS_AT_ONCE, axis : axis + 1]) for axis in (0, 1))
        parts.append(cv2.remap(picture, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))
    values = np.concatenate([np.asarray(part, np.float64) for part in parts])
    return values.reshape(*xy.shape[:-1], *picture.shape[2:])


def sample(picture: NDArray[np.floating], xy: Array, cell: float) -> Array:
    """Bilinear values (N, c) of a cell picture (h, w, c) at full-resolution points (N, 2) px."""
    h, w = picture.shape[:2]
    col = np.clip((xy[:, 0] + 0.5) / cell - 0.5, 0, w - 1)
    row = np.clip((xy[:, 1] + 0.5) / cell - 0.5, 0, h - 1)
    c, r = np.minimum(col.astype(int), max(w - 2, 0)), np.minimum(row.astype(int), max(h - 2, 0))
    fx, fy = (col - c)[:, None], (row - r)[:, None]
    c1, r1 = np.minimum(c + 1, w - 1), np.minimum(r + 1, h - 1)
    top = picture[r, c] * (1 - fx) + picture[r, c1] * fx
    bottom = picture[r1, c] * (1 - fx) + picture[r1, c1] * fx
    result: Array = top * (1 - fy) + bottom * fy
    return result
