"""I make a picture of another size, block by block, without aliases and without blur.

In: a reader of linear light, the two sizes. Out: linear light of any box of the new picture.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np

from stitchbed.core.arrays import Floats, Ints
from stitchbed.imaging.box import Box
from stitchbed.imaging.gray import mean_of

LOBES = 3  # of the Lanczos kernel. Reference: Duchon, Lanczos filtering, J. Appl. Meteorol. 18:1016-1022, 1979


def resized(read: Callable[[Box], Floats], old: tuple[int, int], new: tuple[int, int], box: Box) -> Floats:
    """(h, w, c) light 0..1 of a box of the picture resized from `old` to `new` (height, width) px.

    read : box of the old picture -> (h, w, c) linear light. Each output pixel depends on the two sizes alone.
    """
    rows, row_weights = _taps(old[0], new[0], box.row, box.bottom)
    cols, col_weights = _taps(old[1], new[1], box.col, box.right)
    top, left = int(rows.min()), int(cols.min())
    light = read(Box(top, left, int(rows.max()) - top + 1, int(cols.max()) - left + 1))
    tall = np.zeros((box.height, *light.shape[1:]), np.float32)
    for k in range(rows.shape[1]):
        tall += row_weights[:, k, None, None] * light[rows[:, k] - top]
    wide = np.zeros((box.height, box.width, light.shape[2]), np.float32)
    for k in range(cols.shape[1]):
        wide += col_weights[None, :, k, None] * tall[:, cols[:, k] - left]
    return np.clip(wide, 0, 1)


def sharpened(codes: Floats, amount: float, radius: float) -> Floats:
    """(h, w, 3) encoded values 0..1 with edges of about `radius` px raised by `amount`, the same in all channels.

    What is added is made from the mean of the channels, so that no color is shifted.
    """
    if amount <= 0:
        return codes
    gray = mean_of(codes)
    detail = gray - cv2.GaussianBlur(gray, (0, 0), radius)
    return np.asarray(np.clip(codes + np.float32(amount) * detail[..., None], 0, 1), np.float32)


def _taps(old: int, new: int, first: int, last: int) -> tuple[Ints, Floats]:
    """Places (n, taps) in the old picture and weights (n, taps) of pixels first .. last - 1 of the new one."""
    scale = old / new
    reach = LOBES * max(1.0, scale)
    center = (np.arange(first, last) + 0.5) * scale - 0.5
    start = np.floor(center - reach).astype(np.int64) + 1
    places = start[:, None] + np.arange(int(np.ceil(2 * reach)))
    x = (places - center[:, None]) / max(1.0, scale)
    weight = np.where(np.abs(x) < LOBES, np.sinc(x) * np.sinc(x / LOBES), 0)
    weight /= weight.sum(axis=1, keepdims=True)
    return np.clip(places, 0, old - 1), weight.astype(np.float32)
