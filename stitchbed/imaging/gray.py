"""I make one channel of several: gray from stored pixels, the mean, the least, the most; and even contrast.

In: pictures (h, w, c). Out: pictures (h, w). Means and extremes take channels one after the other: numpy's own way
along so short an axis takes ten times as long.
"""

from __future__ import annotations

from functools import reduce
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Floats


def gray_of(view: NDArray[Any]) -> Floats:
    """Stored pixels (h, w, c) to float32 gray 0..255, in encoded values (contrast as the eye weighs it)."""
    scale = 255.0 / np.iinfo(view.dtype).max
    if view.shape[2] == 3:
        flat: Floats = cv2.cvtColor(view, cv2.COLOR_RGB2GRAY).astype(np.float32)
    else:
        flat = view[..., 0].astype(np.float32)
    return flat * np.float32(scale)


def unrounded_gray_of(view: NDArray[Any]) -> Floats:
    """The same without rounding to whole codes, which adds 1/12 of a code squared to the noise of 8-bit pixels."""
    if view.shape[2] != 3:
        return gray_of(view)
    flat = cv2.cvtColor(view.astype(np.float32), cv2.COLOR_RGB2GRAY)
    return np.asarray(flat * np.float32(255.0 / np.iinfo(view.dtype).max), np.float32)


def mean_of(picture: NDArray[Any]) -> Floats:
    """(h, w) float32 mean of the channels."""
    total = picture[..., 0].astype(np.float32)
    for channel in range(1, picture.shape[2]):
        total += picture[..., channel]
    total /= np.float32(picture.shape[2])
    return total


def least_of(picture: NDArray[Any]) -> NDArray[Any]:
    """(h, w) least of the channels; of a single one that itself."""
    return np.asarray(reduce(np.minimum, np.moveaxis(picture, 2, 0)))


def most_of(picture: NDArray[Any]) -> NDArray[Any]:
    """(h, w) most of the channels; of a single one that itself."""
    return np.asarray(reduce(np.maximum, np.moveaxis(picture, 2, 0)))


def evened(gray: Floats, sigma: float, floor: float) -> Floats:
    """Local mean removed, local contrast brought to one (never amplifying what is under `floor`)."""
    rest: Floats = gray - blurred(gray, sigma)
    power = np.maximum(blurred(rest * rest, sigma), np.float32(0))
    return np.asarray(rest / (np.sqrt(power) + np.float32(floor)), np.float32)


def blurred(gray: Floats, sigma: float) -> Floats:
    """Gaussian blur of a picture (h, w); a wide one is made on one a quarter as large, which shows no less of it."""
    if sigma < 10 or min(gray.shape) < 16:
        return np.asarray(cv2.GaussianBlur(gray, (0, 0), sigma), np.float32)
    size = gray.shape[::-1]
    small = cv2.resize(gray, (size[0] // 4, size[1] // 4), interpolation=cv2.INTER_AREA)
    wide = cv2.resize(cv2.GaussianBlur(small, (0, 0), sigma / 4), size, interpolation=cv2.INTER_LINEAR)
    return np.asarray(wide, np.float32)
