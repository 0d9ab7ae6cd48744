"""I make pictures smaller by whole factors, by the mean of each area.

In: arrays (h, w[, c]). Out: smaller arrays of the same kind.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray


def shrunk(picture: NDArray[Any], factor: int) -> NDArray[Any]:
    """(h // factor, w // factor[, c]) means of factor x factor px; what is left over at right and bottom is dropped."""
    if factor == 1:
        return picture
    rows, cols = max(1, picture.shape[0] // factor), max(1, picture.shape[1] // factor)
    whole = np.ascontiguousarray(picture[: rows * factor, : cols * factor])
    small = cv2.resize(whole, (cols, rows), interpolation=cv2.INTER_AREA)
    return np.asarray(small).reshape(rows, cols, *picture.shape[2:])


def shrunk_to(picture: NDArray[Any], side: int) -> tuple[NDArray[Any], int]:
    """Reduced by the whole factor that brings the long side to about `side` px, and that factor."""
    times = reduction_for(picture.shape, side)
    return shrunk(picture, times), times


def reduction_for(shape: tuple[int, ...], side: int) -> int:
    """Integer reduction that brings the long side to about `side` px, at least 1."""
    return max(1, round(max(shape[:2]) / side))


def reduction_to(dpi: float, wanted: float) -> int:
    """The whole number by which a page of `dpi` is reduced so that at least `wanted` dpi is left."""
    return max(1, int(dpi / wanted + 0.01))
