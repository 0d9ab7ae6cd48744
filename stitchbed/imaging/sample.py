"""I look a picture up between its pixels.

In: a picture, points (x, y) px. Out: values there, bilinear; the rim is repeated outside.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array
from stitchbed.core.memory import late

ndimage = late("scipy.ndimage")


def look_up(picture: NDArray[Any], xy: NDArray[np.float64]) -> Array:
    """Values (..., channels) or (...) of a picture (h, w[, channels]) at points (..., 2) px."""
    planes = picture if picture.ndim == 3 else picture[..., None]
    at = np.stack([xy[..., 1], xy[..., 0]]).reshape(2, -1)
    values = [
        ndimage.map_coordinates(planes[..., channel], at, output=np.float64, order=1, mode="nearest")
        for channel in range(planes.shape[2])
    ]
    return np.stack(values, axis=-1).reshape(*xy.shape[:-1], *picture.shape[2:])


def sample(picture: NDArray[np.floating], xy: Array, cell: float) -> Array:
    """Values (N, c) of a picture (h, w, c) whose pixels are cells of `cell` px, at full-resolution points (N, 2) px."""
    return look_up(picture, (xy + 0.5) / cell - 0.5)
