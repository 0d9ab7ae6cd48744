"""I say how different two colors look.

In: CIELAB rows. Out: CIEDE2000, one number per row, without unit.
"""

from __future__ import annotations

import numpy as np
from skimage.color import deltaE_ciede2000

from stitchbed.core.arrays import Array


def de00(lab_a: Array, lab_b: Array) -> Array:
    """CIEDE2000 of (..., 3) CIELAB rows, with kL = kC = kH = 1.

    Reference: Sharma, Wu & Dalal (2005), doi 10.1002/col.20070.
    """
    first, second = np.asarray(lab_a, np.float64), np.asarray(lab_b, np.float64)
    return np.asarray(deltaE_ciede2000(first, second), dtype=np.float64)


def chroma_of(lab: Array) -> Array:
    """Distance from the gray axis, a*b* (..., )."""
    return np.asarray(np.hypot(lab[..., 1], lab[..., 2]), dtype=np.float64)
