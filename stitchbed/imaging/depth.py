"""I change the depth of stored codes.

In: whole-number codes. Out: the same codes at another depth.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Bytes, Pixels


def deepened(codes: Pixels, dtype: str) -> Pixels:
    """Codes at another depth, exactly: 255 and 65535 are both white."""
    if codes.dtype == dtype:
        return codes
    if dtype == "uint16":
        return codes.astype(np.uint16) * np.uint16(257)
    return np.asarray((codes.astype(np.uint32) + 128) // 257, np.uint8)


def eight_bit(pixels: NDArray[Any]) -> Bytes:
    """Stored codes of 8 or 16 bits as 8 bits."""
    if pixels.dtype == np.uint8:
        return pixels
    return np.asarray(cv2.convertScaleAbs(np.ascontiguousarray(pixels), alpha=1 / 257), np.uint8)
