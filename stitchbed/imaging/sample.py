"""I look a picture up between its pixels.

In: a picture, points (x, y) px. Out: values there, bilinear; the rim is repeated outside.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array
from stitchbed.imaging.compiled import compiled


def look_up(picture: NDArray[Any], xy: NDArray[np.float64]) -> Array:
    """Values (..., channels) or (...) of a picture (h, w[, channels]) at points (..., 2) px; NaN where a point is
    none."""
    planes = np.ascontiguousarray(picture if picture.ndim == 3 else picture[..., None])
    at = np.ascontiguousarray(xy, np.float64).reshape(-1, 2)
    values = np.empty((len(at), planes.shape[2]))
    _look_up(planes.view(np.uint8) if planes.dtype == bool else planes, at, values)
    return values.reshape(*xy.shape[:-1], *picture.shape[2:])


def sample(picture: NDArray[np.floating], xy: Array, cell: float) -> Array:
    """Values (N, c) of a picture (h, w, c) whose pixels are cells of `cell` px, at full-resolution points (N, 2) px."""
    return look_up(picture, (xy + 0.5) / cell - 0.5)


@compiled
def _look_up(picture: NDArray[Any], at: Array, values: Array) -> None:
    last_row, last_col = picture.shape[0] - 1, picture.shape[1] - 1
    for n in range(len(at)):
        x, y = at[n, 0], at[n, 1]
        if np.isnan(x) or np.isnan(y):
            values[n] = np.nan
            continue
        x, y = min(max(x, 0.0), float(last_col)), min(max(y, 0.0), float(last_row))
        left, top = min(int(x), max(last_col - 1, 0)), min(int(y), max(last_row - 1, 0))
        right, under, x, y = min(left + 1, last_col), min(top + 1, last_row), x - left, y - top
        for channel in range(picture.shape[2]):
            above = picture[top, left, channel] * (1 - x) + picture[top, right, channel] * x
            below = picture[under, left, channel] * (1 - x) + picture[under, right, channel] * x
            values[n, channel] = above * (1 - y) + below * y
