"""I make a picture of another size, block by block, without aliases and without blur.

In: a reader of linear light, the two sizes. Out: linear light of any box of the new picture.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np

from stitchbed.core.arrays import Floats, Ints
from stitchbed.imaging.box import Box
from stitchbed.imaging.compiled import compiled
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
    light = np.ascontiguousarray(light, np.float32)
    tall = np.zeros((box.height, light.shape[1] * light.shape[2]), np.float32)
    _down(light.reshape(len(light), -1), rows - top, row_weights, tall)
    wide = np.empty((box.height, box.width, light.shape[2]), np.float32)
    _across(tall.reshape(box.height, *light.shape[1:]), cols - left, col_weights, wide)
    return wide


@compiled
def _down(light: Floats, rows: Ints, weights: Floats, tall: Floats) -> None:
    """Add to each row of `tall` (h, n) its rows (h, taps) of `light`, weighted."""
    for y in range(tall.shape[0]):
        for k in range(rows.shape[1]):
            weight, row = weights[y, k], rows[y, k]
            for i in range(tall.shape[1]):
                tall[y, i] += weight * light[row, i]


@compiled
def _across(tall: Floats, cols: Ints, weights: Floats, wide: Floats) -> None:
    """Fill each column of `wide` (h, w, c) with its columns (w, taps) of `tall`, weighted and kept within 0..1."""
    for y in range(wide.shape[0]):
        for x in range(wide.shape[1]):
            for c in range(wide.shape[2]):
                total = np.float32(0)
                for k in range(cols.shape[1]):
                    total += weights[x, k] * tall[y, cols[x, k], c]
                wide[y, x, c] = min(max(total, np.float32(0)), np.float32(1))


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
