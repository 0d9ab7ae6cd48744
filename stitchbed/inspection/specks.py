"""I count specks that one of two scans shows alone.

In: two views laid on each other, where they lie flat. Out: numbers of each view.

What is drawn is in both and so not in their difference, where a speck stands alone, on bare paper as on paint.
"""

from __future__ import annotations

import cv2
import numpy as np

from stitchbed.core.arrays import Floats, Mask
from stitchbed.inspection.glass import LEAST_DEPTH, SPECK_PX, speck_depth
from stitchbed.inspection.patches import Overlay

CALM, AROUND, WIDE = 0.8, 3.0, 8.0  # view px, sigma: below noise; the surround of a speck; what is broader is light
SURE_DEPTH = 1.6 * LEAST_DEPTH  # of a speck; grain of the paper reaches a little over LEAST_DEPTH
OWN_HALF, OTHER_HALF = 0.5, 0.15  # of a speck's depth: what its view shows; what the other one shows of a drawn dot
# Of a speck's depth, the other way, and view px about: what does not quite meet differs both ways, side by side.
BOTH_WAYS, BESIDE_PX = 0.3, 9
ASIDE = np.ones((3, 3), np.uint8)  # view px that what both show may lie off
LEAST_DUST = 5  # specks shown alone, from which a scan is dusty: 128 good scans showed one where neighbors showed none


def lone_specks(laid: Overlay, lying: tuple[Mask, Mask]) -> tuple[tuple[int, int, float], tuple[int, int, float]]:
    """(specks shown alone, all that differ, px on which a speck would stand alone) of each view, where the other one
    lies flat: a side that lifts shows the finest dots of a drawing no more.
    """
    # what is finest is lost where a view is laid on the other one, and noise must not pass for a speck's other half
    soft = [np.asarray(cv2.GaussianBlur(view, (0, 0), CALM), np.float32) for view in (laid.a, laid.b)]
    own = [view - cv2.GaussianBlur(view, (0, 0), AROUND) for view in soft]
    apart = np.where(laid.both, soft[0] - soft[1], 0).astype(np.float32)
    apart -= cv2.GaussianBlur(apart, (0, 0), WIDE)
    alone, every = [0, 0], [0, 0]
    for sign in (1, -1):  # dust is darker than paper, and lighter than much paint
        depth, peaks = _peaks(np.asarray(sign * apart, np.float32))
        for side, way in ((0, sign), (1, -sign)):
            flat = peaks & laid.both & lying[1 - side]
            shown = -way * own[side] > OWN_HALF * depth
            # the other one may show it a little aside, as the foot of a letter
            drawn = cv2.dilate(-way * own[1 - side], ASIDE) > OTHER_HALF * depth
            alone[side] += _count(flat & shown & ~drawn)
            every[side] += _count(flat)
    calm = laid.both & _calm(apart)
    areas = [float((calm & flat).sum()) for flat in (lying[1], lying[0])]
    return (alone[0], every[0], areas[0]), (alone[1], every[1], areas[1])


def _calm(apart: Floats) -> Mask:
    """Where two views hardly differ all round: where lines do not quite meet, no speck would stand alone."""
    wide = np.ones((4 * SPECK_PX,) * 2, np.uint8)
    dark = cv2.morphologyEx(apart, cv2.MORPH_CLOSE, wide) - apart
    light = apart - cv2.morphologyEx(apart, cv2.MORPH_OPEN, wide)
    return np.asarray(cv2.dilate(np.maximum(dark, light), np.ones((5, 5), np.uint8)) < SURE_DEPTH)


def _peaks(apart: Floats) -> tuple[Floats, Mask]:
    """Depth of lone dark specks, and their deepest px, of a difference (h, w) of two views."""
    depth = speck_depth(apart)
    peaks = (depth > SURE_DEPTH) & (depth >= cv2.dilate(depth, np.ones((5, 5), np.uint8)))
    beside = cv2.dilate(apart, np.ones((BESIDE_PX, BESIDE_PX), np.uint8))
    return depth, np.asarray(peaks & (beside < BOTH_WAYS * depth))


def _count(peaks: Mask) -> int:
    """Peaks of a mask, one that is flat on top counted once."""
    return int(cv2.connectedComponents(peaks.astype(np.uint8))[0]) - 1
