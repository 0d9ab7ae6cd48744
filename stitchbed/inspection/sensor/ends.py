"""I find what a driver or a broken transfer did to all tones of a scan: too few of them, a black end.

In: a gray view, or windows of stored pixels. Out: numbers, None where all is well.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Floats
from stitchbed.imaging.depth import eight_bit
from stitchbed.matching.laid_over import from_ends

BLACK = 12.0  # gray levels: what no lid and no paper comes down to over a whole row
BLACK_SHARE = 0.005  # of the length
BROKEN_ROWS, BROKEN = 4, 0.75  # rows after a black end; share of what they show lit that the first of them does
TONES_RANGE = 24  # of 8-bit codes that must be spanned for their number to say something
TONES_SHARE = 0.45  # of the spanned codes in use; noise of half a level uses all, a steep tone curve some 60 %
TONES_SEEN = 1e-5  # of the pixels a code in use holds
TONES_BESIDE = 0.5  # of the codes in use have one beside them: paper and ink alone have nearly all, steps have none


def few_tones(windows: Sequence[NDArray[Any]]) -> int | None:
    """Number of 8-bit codes in use when these are too few for the range they span, in the fullest channel."""
    counts = np.zeros((windows[0].shape[2], 256), np.int64)
    for window in windows:
        codes = eight_bit(window)
        for channel in range(codes.shape[2]):
            counts[channel] += np.bincount(codes[..., channel].ravel(), minlength=256)
    best = None
    for held in counts:
        used = np.flatnonzero(held > TONES_SEEN * held.sum())
        if used[-1] - used[0] < TONES_RANGE or len(used) >= TONES_SHARE * (used[-1] - used[0] + 1):
            return None
        if (np.diff(used) == 1).mean() > TONES_BESIDE:
            return None
        best = max(best or 0, len(used))
    return best


def black_end(view: Floats) -> tuple[str, float] | None:
    """The side from which rows are black throughout, and the share of the length they take. A scan breaks off between
    two rows, over its whole width at once; a sheet before a black lid hardly ever ends so straight.
    """
    found = []
    for sides, lines in ((("top", "bottom"), view), (("left", "right"), view.T)):
        lengths = from_ends(lines.max(1) < BLACK)
        for side, length, from_side in zip(sides, lengths, (lines, lines[::-1]), strict=True):
            if length and breaks_off(from_side[length:]):
                found.append((length / len(lines), side))
    share, side = max(found, default=(0.0, ""))
    return (side, share) if share > BLACK_SHARE else None


def breaks_off(rows: Floats) -> bool:
    """True where the first row is lit wherever the first few are: drawing may be black too, and goes on."""
    lit = rows[:BROKEN_ROWS] >= BLACK
    return not len(lit) or bool(lit[0].sum() > BROKEN * lit.any(0).sum())
