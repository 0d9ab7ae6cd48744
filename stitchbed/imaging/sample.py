"""I look a picture up between its pixels.

In: a picture, points (x, y) px. Out: values there, bilinear; the rim is repeated outside.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

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
