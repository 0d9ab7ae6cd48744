"""I make pictures smaller, by the mean of each area, and read maps that are smaller than their picture.

In: arrays (h, w[, c]), or bands of one from the top. Out: smaller arrays of the same kind; boxes of the picture.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Floats
from stitchbed.imaging.box import Box


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


def repeated(small: NDArray[Any], box: Box, factor: int) -> NDArray[Any]:
    """(box.height, box.width) of a picture whose map `small` (h, w) has a cell for factor x factor px; past its end the
    last cells go on.
    """
    rows = np.minimum(np.arange(box.row, box.bottom) // factor, small.shape[0] - 1)
    cols = np.minimum(np.arange(box.col, box.right) // factor, small.shape[1] - 1)
    part = np.take(small[rows[0] : rows[-1] + 1], cols, axis=1)  # in this order what comes out lies row by row
    return np.take(part, rows - rows[0], axis=0)


def area_size(shape: tuple[int, ...], times: float) -> tuple[int, int]:
    """(width, height) px of a picture (h, w, ...) made `times` smaller, at least 1."""
    return max(1, round(shape[1] / times)), max(1, round(shape[0] / times))


def add_area(small: Floats, band: Floats, first: int, height: int) -> None:
    """Add to `small` (h, w) what a band of rows, number `first` on of `height`, has part in: the mean of each area.

    Once all bands were added it is what OpenCV's INTER_AREA makes of the whole picture, up to rounding.
    """
    thin = cv2.resize(band, (small.shape[1], band.shape[0]), interpolation=cv2.INTER_AREA)
    cuts = np.arange(first, first + len(band) + 1) * (len(small) / height)  # where each row begins and ends, in rows
    upper = np.minimum(cuts[:-1].astype(int), len(small) - 1)
    above = np.minimum(cuts[1:], upper + 1) - cuts[:-1]
    below = cuts[1:] - cuts[:-1] - above
    for share, to in ((above, upper), (below, np.minimum(upper + 1, len(small) - 1))):
        starts = np.flatnonzero(np.diff(to, prepend=-1))
        small[to[starts]] += np.add.reduceat(thin * share[:, None].astype(np.float32), starts, axis=0)
