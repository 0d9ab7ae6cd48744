"""I undo the multiplication of color by alpha.

In: premultiplied samples. Out: straight color.
"""

from __future__ import annotations

import numpy as np

from stitchbed.core.arrays import Pixels


def straightened(color: Pixels, alpha: Pixels) -> Pixels:
    """Color of premultiplied samples, rounded and clipped; 0 where alpha is 0. Reference: Porter & Duff 1984.

    color : (h, w, c). alpha : (h, w, 1), same dtype.
    """
    top = np.iinfo(color.dtype).max
    wide = color.astype(np.uint64)
    cover = np.maximum(alpha, 1).astype(np.uint64)
    straight = np.minimum((wide * top + cover // 2) // cover, top)
    return np.where(alpha > 0, straight, 0).astype(color.dtype)
