"""I tell how much of a mark another scan holds where other ink lies so near that it alone would seem to be the mark.

In: ink of both scans as it lies one over the other, a mark's pixels. Out: its share there, where the other ink tells.

What lies round the mark says how the scans are shifted just there. Of all shifts that explain it about as well as the
best, the one that finds most of the mark is believed: what is drawn must not be missed.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Floats

AROUND = 6  # times the farthest shift: how much round a mark is looked at
SOFT = 0.5  # of the farthest shift: one sd both are blurred by, for scans differ in sharpness and by parts of a pixel
NEAR = 0.15  # of the mark's own strength, squared and summed: less ink beside it tells no shift
STRONG = 0.35  # of the mark's darkest: paler ink so near would not seem to be the mark
JOINED = 0.6  # of the mark's darkest: ink that touches it and is darker may go on into it, and it is a stroke's end
EXPLAINED = 0.25  # of the squares of the ink beside a mark that may be left: more, and the scans do not fit there
AS_WELL = 1.5  # times what the best shift leaves


def held_there(
    here: Floats, there: Floats, own: tuple[NDArray[np.int32], NDArray[np.int32]], reach: int
) -> float | None:
    """Share of a mark's ink, 0..1 and more, that `there` shows; None where what lies round it does not tell.

    here, there : (h, w) ink, `there` off by at most `reach` px. own : rows and columns of the mark.
    """
    rows, cols = own
    margin = AROUND * reach
    top, left = int(rows.min()) - margin, int(cols.min()) - margin
    high, wide = int(np.ptp(rows)) + 2 * margin + 1, int(np.ptp(cols)) + 2 * margin + 1
    if min(top, left) < reach or top + high + reach > here.shape[0] or left + wide + reach > here.shape[1]:
        return None
    patch = here[top : top + high, left : left + wide].astype(np.float64)
    mine = np.zeros(patch.shape, np.uint8)
    mine[rows - top, cols - left] = 1
    mark, rest = np.where(mine > 0, patch, 0), np.where(mine > 0, 0, patch)
    close = cv2.dilate(mine, np.ones((4 * reach + 1,) * 2, np.uint8)) > 0
    touching = cv2.dilate(mine, np.ones((3, 3), np.uint8)) > 0
    if rest[close].max(initial=0) < STRONG * mark.max() or rest[touching].max(initial=0) >= JOINED * mark.max():
        return None  # nothing near, or the mark may be the end of a stroke
    mark, rest = (cv2.GaussianBlur(one, (0, 0), SOFT * reach) for one in (mark, rest))
    around = there[top - reach : top + high + reach, left - reach : left + wide + reach]
    lying = cv2.GaussianBlur(around.astype(np.float64), (0, 0), SOFT * reach)
    outside = cv2.dilate(mine, np.ones((2 * reach + 1,) * 2, np.uint8)) == 0
    energy, beside = float((mark**2).sum()), float((rest[outside] ** 2).sum())
    if beside < NEAR * energy or energy <= 0:
        return None
    left_over, share = [], []
    for dy in range(-reach, reach + 1):
        for dx in range(-reach, reach + 1):
            theirs = lying[reach + dy : reach + dy + high, reach + dx : reach + dx + wide]
            more = theirs - rest
            left_over.append(float((more[outside] ** 2).sum()))
            share.append(float((more * mark).sum()) / energy)
    least = min(left_over)
    if least > EXPLAINED * beside:
        return None
    return max(one for one, rest_of in zip(share, left_over, strict=True) if rest_of <= AS_WELL * least)
