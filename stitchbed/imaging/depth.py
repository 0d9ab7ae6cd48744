"""I change the depth of stored codes, by one rule: 255 and 65535 are both white, what lies between goes to the nearest.

In: codes of 8 or 16 bits. Out: the same codes at another depth.
"""

from __future__ import annotations

import cv2
import numpy as np

from stitchbed.core.arrays import Bytes, Pixels


def at_depth(codes: Pixels, dtype: str) -> Pixels:
    """Codes as "uint8" or "uint16"; 8 bits to 16 and back is exact."""
    if codes.dtype == dtype:
        return codes
    if dtype == "uint16":
        return codes.astype(np.uint16) * np.uint16(257)
    return eight_bit(codes)


def eight_bit(codes: Pixels) -> Bytes:
    """Codes of 8 or 16 bits as 8 bits, to the nearest; 257 is odd, so none lies between two."""
    if codes.dtype == np.uint8:
        return codes
    flat = cv2.convertScaleAbs(np.ascontiguousarray(codes).reshape(-1, 1), alpha=1 / 257)
    return np.asarray(flat, np.uint8).reshape(codes.shape)
