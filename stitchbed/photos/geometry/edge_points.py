"""I measure the artwork's sides in the photo itself, to a fraction of a pixel, along lines that are roughly known.

In: lines on a flat plane, a way from there to the photo, a way to read the photo. Out: points along each side.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array
from stitchbed.matching.robust import robust_sigma

STATIONS = 90  # places along a side where it is looked for
INSET = 0.03  # share of the side left out at both ends, where the corner is
FEWEST_STEPS, MOST_STEPS = 16, 4000  # looks across a side; fewer hold no edge, more mean a plane seen from its rim
LEAST_STEP = 0.015  # of full scale: a weaker change of light is no edge
TIGHT = 1 / 6  # a side's places scatter by less than this part of the reach; strokes scatter over all of it
AGREE_PX = 0.7  # points this near a curve agree with it
BOWS_PX = (0, -1, 1, -2, 2, -4, 4, -8, 8)  # how far a lens may bend a side
BENT = 0.04  # share of points by which a curve must do better for each px it is bent
MOST_CURVES = 400  # tried of each
LEAST_FOUND = 0.25  # share of stations that must show it


@dataclass(frozen=True)
class Side:
    """One side found. photo_xy : (N, 2) px. step : median change of light across it, share of full scale.

    share : of the places that nothing hides, those that lie on one line, within a TIGHT part of the reach.
    """

    name: str
    photo_xy: Array
    step: float
    share: float


def measure_side(
    name: str,
    ends: Array,
    to_photo: Callable[[Array], Array],
    read: Callable[[Array], Array],
    *,
    reach: float,
    hidden: Callable[[Array], NDArray[np.bool_]] | None = None,
) -> Side | None:
    """Points of the edge near the segment between `ends` (2, 2), looked for up to `reach` at both sides of it.

    to_photo : (N, 2) of the segment's frame -> (N, 2) photo px.
    read : (rows, n, 2) photo px -> (rows, n, channels), 0..1.
    hidden : True for points (N, 2) of the segment's frame where something else lies; places near such are passed over.
    Returns None when too little of it is seen.
    """
    along = ends[1] - ends[0]
    normal = np.array([-along[1], along[0]]) / np.linalg.norm(along)
    share = np.linspace(INSET, 1 - INSET, STATIONS)[:, None]
    middles = ends[0] + share * along
    span = to_photo(np.concatenate([middles - reach * normal, middles + reach * normal]))
    px = float(np.median(np.linalg.norm(span[STATIONS:] - span[:STATIONS], axis=1))) / (2 * reach)
    offsets = np.arange(-reach, reach, 0.5 / max(px, 1e-9))
    if not FEWEST_STEPS <= len(offsets) <= MOST_STEPS:
        return None
    frame = middles[:, None] + offsets[:, None] * normal
    photo = to_photo(frame.reshape(-1, 2)).reshape(frame.shape)
    found, steps = _crossings(read(photo))
    free: NDArray[np.bool_] = np.ones(STATIONS, dtype=np.bool_)
    if hidden is not None:
        free = np.asarray(~hidden(frame.reshape(-1, 2)).reshape(frame.shape[:2]).any(axis=1), dtype=np.bool_)
        found[~free] = np.nan
    good = np.isfinite(found)
    if good.mean() < LEAST_FOUND:
        return None
    at = np.interp(found[good], np.arange(len(offsets)), offsets)
    keep, away = _along_one_line(share[good, 0], at, 1.0 / px)
    near = np.count_nonzero(away <= np.maximum(1.0 / px, reach * TIGHT))
    tight = near / max(1, int(np.count_nonzero(free)))
    if keep.sum() < LEAST_FOUND * STATIONS:
        return None
    points = middles[good][keep] + at[keep, None] * normal
    return Side(name, to_photo(points), float(np.median(steps[good][keep])), tight)


def _crossings(lines: Array) -> tuple[Array, Array]:
    """Position (index, NaN where none) of the strongest edge in each line (rows, n, channels), and its step."""
    smooth = cv2.GaussianBlur(lines.reshape(len(lines), lines.shape[1], -1), (0, 0), sigmaX=2.0, sigmaY=1e-6)
    smooth = smooth.reshape(lines.shape[0], lines.shape[1], -1).astype(np.float64)
    slope = np.gradient(smooth, axis=1)
    channel = np.abs(slope).max(axis=1).argmax(axis=1)
    steep = np.abs(slope[np.arange(len(lines)), :, channel])
    # the edge looked for is the one nearest the middle among those nearly as steep as the steepest
    ahead = np.linspace(-1, 1, steep.shape[1]) ** 2
    peak = (steep * (1 - 0.5 * ahead)).argmax(axis=1)
    positions, steps = np.full(len(lines), np.nan), np.zeros(len(lines))
    for row, at in enumerate(peak):
        low, high = max(0, at - 6), min(steep.shape[1], at + 7)
        part = steep[row, low:high] - min(steep[row, low], steep[row, high - 1])
        part = np.maximum(part, 0)
        steps[row] = float(part.sum())
        if 3 < at < steep.shape[1] - 4 and steps[row] > LEAST_STEP:
            positions[row] = float((np.arange(low, high) * part).sum() / part.sum())
    return positions, steps


def _along_one_line(share: Array, at: Array, px: float) -> tuple[NDArray[np.bool_], Array]:
    """Points near one smooth curve and all points' distances from it.

    The curve is a parabola, since the lens may bend a side; it begins where most points agree, since a shadow or a
    stroke beside the side may draw many of them away, and is fitted again and again without the farthest.
    """
    away = _most_agreed(share, at, px)
    keep = away <= 2 * AGREE_PX * px
    if keep.sum() < 10:
        return keep, away
    for _ in range(8):
        fit = np.polynomial.Polynomial.fit(share[keep], at[keep], 2)
        away = np.abs(at - fit(share))
        limit = float(np.clip(3.0 * robust_sigma(away[keep]), 1.0 * px, 3 * AGREE_PX * px))
        again = away <= limit
        if again.sum() < 10 or np.array_equal(again, keep):
            break
        keep = again
    return keep, away


def _most_agreed(share: Array, at: Array, px: float) -> Array:
    """Distances from the curve through two of the points, bent by some px, that most points lie near."""
    first, last = np.triu_indices(len(at), max(2, len(at) // 4))
    some = slice(None, None, max(1, len(first) // MOST_CURVES))
    a, b = first[some], last[some]
    best: tuple[float, Array] = (-1.0, np.zeros(len(at)))
    for bow in BOWS_PX:
        bent = at - bow * px * (1 - (2 * share - 1) ** 2)
        lean = (bent[b] - bent[a]) / (share[b] - share[a])
        away = np.abs(bent - (bent[a] - lean * share[a])[:, None] - lean[:, None] * share)
        count = np.count_nonzero(away <= AGREE_PX * px, axis=1)
        top = int(count.argmax())
        score = count[top] / len(at) - BENT * abs(bow)  # a straight one first: shadows draw sides into curves
        if score > best[0]:
            best = (score, away[top])
    return best[1]
