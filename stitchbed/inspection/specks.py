"""I count specks that one of two scans shows alone.

In: two views laid on each other, where they lie flat. Out: numbers of each view.
"""

from __future__ import annotations

import cv2
import numpy as np

from stitchbed.core.arrays import Mask
from stitchbed.inspection.glass import LEAST_DEPTH, SPECK_PX, speck_depth
from stitchbed.inspection.patches import Overlay

CALM = 0.8  # view px, sigma
SURE_DEPTH = 1.6 * LEAST_DEPTH  # of a speck; grain of the paper reaches a little over LEAST_DEPTH
OTHER_HALF = 0.15  # of a speck's depth: so much the other view shows of a drawn dot, be it ever so soft
LEAST_DUST = 5  # specks shown alone, from which a scan is dusty: 128 good scans showed one where neighbors showed none


def lone_specks(laid: Overlay, lying: tuple[Mask, Mask]) -> tuple[tuple[int, int, float], tuple[int, int, float]]:
    """(specks shown alone, all specks, px on which a speck would stand alone) of each view, where the other one lies
    flat: a side that lifts shows the finest dots of a drawing no more."""
    found = []
    wide = np.ones((4 * SPECK_PX,) * 2, np.uint8)
    # what is finest is lost where a view is laid on the other one, and noise must not pass for a speck's other half
    calm = [np.asarray(cv2.GaussianBlur(view, (0, 0), CALM), np.float32) for view in (laid.a, laid.b)]
    for own, other, flat in ((calm[0], calm[1], lying[1]), (calm[1], calm[0], lying[0])):
        both = laid.both & flat
        depth = np.where(both, speck_depth(own), 0)
        peaks = (depth > SURE_DEPTH) & (depth >= cv2.dilate(depth, np.ones((5, 5), np.uint8)))
        kernel = np.ones((2 * SPECK_PX, 2 * SPECK_PX), np.uint8)
        dark = cv2.dilate(cv2.morphologyEx(other, cv2.MORPH_CLOSE, kernel) - other, np.ones((5, 5), np.uint8))
        near = dark > np.maximum(LEAST_DEPTH / 2, OTHER_HALF * depth)
        drawn = cv2.dilate(cv2.morphologyEx(other, cv2.MORPH_CLOSE, wide) - other, np.ones((5, 5), np.uint8))
        bare = both & (drawn < LEAST_DEPTH)
        found.append((_count(peaks & ~near), _count(peaks), float(bare.sum())))
    return found[0], found[1]


def _count(peaks: Mask) -> int:
    """Peaks of a mask, one that is flat on top counted once."""
    return int(cv2.connectedComponents(peaks.astype(np.uint8))[0]) - 1
