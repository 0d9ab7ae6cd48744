"""I see by a sheet's own two sides that it turned or slipped while it was scanned.

In: a small gray view of a scan in which both sides that run along the head's way are seen against the lid. Out: where
they bend or step, both alike.

A sheet that turns between two overlaps of a piece turns all that lies beyond it, and no overlap tells: both of its
neighbors fit. But the sheet's sides are straight, and bend then in that one scan. One side alone may be torn, or cut
askew; that both are so, at the same height and by the same angle, is the sheet's motion.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array, Floats
from stitchbed.matching.robust import robust_sigma, tukey_weights
from stitchbed.page.sheet.edges import crossing, lines_along

BAND_MM = 2.0  # of a side that is looked at as one
HALF_MM = 1.5  # how far to both sides of a first guess the edge is looked for
LEAST_BANDS = 20  # that both sides must be seen in
ENDS = 0.2  # of the bands: nearer to an end nothing tells a bend from a ragged corner
SLOW = (0.0, 0.15, 0.3)  # shares of the length over which a sheet turns: at once, or while the head goes on
PLACES = 19  # at which a bend is tried
# Where an edge goes through a pixel draws what is found of it aside: a saw of one px along a side that lies askew,
# and of both sides at once where they are a whole number of px apart. One sd of it, px; waves it is made of.
SAW, WAVES = 0.2, 2
STRAIGHT_MM = 0.12  # one sd of a side about its line; what is rougher is torn, and tells nothing


@dataclass(frozen=True)
class Bend:
    """What both sides do at once.

    at : px of the full scan along the head's way. turn : radians from before it to after it. step : px across the way,
    of the full scan. turn_sd, step_sd : one sd of each, from how far both sides differ, too.
    """

    at: float
    turn: float
    step: float
    turn_sd: float
    step_sd: float


@dataclass(frozen=True)
class Sides:
    """Where the two sides that run along the head's way are: (K,) along, (2, K) across, px of the view; NaN where not
    seen."""

    along: Array
    across: Array


def sides_of(gray: NDArray[np.uint8], px_per_mm: float) -> Sides | None:
    """Both sides on a view (h, w) 0..255 whose rows follow the head; None where one of them is not seen."""
    light = ((gray / np.float32(255)) ** np.float32(2.2)).astype(np.float32)
    found = [_side(turned, px_per_mm) for turned in (light.T, light.T[::-1])]
    if found[0] is None or found[1] is None:
        return None
    along, left = found[0]
    return Sides(along, np.stack([left, light.shape[1] - 1 - found[1][1]]))


def bend_of(sides: Sides, px_per_mm: float) -> Bend | None:
    """The bend both sides fit best with, however small, px of the view; None of sides too short or too rough."""
    seen = np.isfinite(sides.across).all(axis=0)
    if seen.sum() < LEAST_BANDS:
        return None
    along, across = sides.along[seen], sides.across[:, seen]
    length = float(along[-1] - along[0])
    places = np.linspace(along[0] + ENDS * length, along[-1] - ENDS * length, PLACES)
    tried = [(at, slow * length) for at in places for slow in SLOW]
    bends = [_best(along, across, tried, STRAIGHT_MM * px_per_mm, waves) for waves in (0, WAVES)]
    plain, sawn = bends
    # a bend that a saw explains is none
    return _lesser(plain, sawn) if plain and sawn else None


def _best(
    along: Array, across: Array, tried: Sequence[tuple[float, float]], straight: float, waves: int
) -> Bend | None:
    """The bend of those tried (place, px it takes) that fits best; None of sides rougher than `straight` px."""
    fits = [(_fit(along, across, at, slow, waves), at) for at, slow in tried]
    (left, values, sds), at = min(fits, key=lambda fit: fit[0][0])
    if not np.isfinite(left) or left > straight**2:
        return None
    turn, step = (_both(values[:, k], sds[:, k]) for k in (2, 3))
    return Bend(float(at), turn[0], step[0], turn[1], step[1])


def _lesser(one: Bend, other: Bend) -> Bend:
    """What both say at least, as doubtful as the more doubtful of them."""
    turn, step = (min(values, key=abs) for values in ((one.turn, other.turn), (one.step, other.step)))
    return Bend(one.at, turn, step, max(one.turn_sd, other.turn_sd), max(one.step_sd, other.step_sd))


def _side(inward: Floats, px_per_mm: float) -> tuple[Array, Array] | None:
    """(K,) places along the side in row 0 of `inward` (h, w) light, and depths px there; None of no side."""
    lines = lines_along(inward[..., None], px_per_mm)
    if not lines:
        return None
    band, half = max(2, round(BAND_MM * px_per_mm)), max(4, round(HALF_MM * px_per_mm))
    starts = np.arange(0, inward.shape[1] - band + 1, band)
    along = starts + (band - 1) / 2
    middles = np.rint(lines[0].at(along)).astype(int)
    depths = np.full(len(starts), np.nan)
    for n, (start, middle) in enumerate(zip(starts, middles, strict=True)):
        top = max(0, middle - half)
        profile = np.median(inward[top : max(0, middle + half + 1), start : start + band], axis=1)
        if len(profile) > half:
            depths[n] = top + crossing(profile[:, None].astype(np.float32))
    return along, depths


def _fit(along: Array, across: Array, at: float, slow: float, waves: int) -> tuple[float, Array, Array]:
    """(misfit, (2, 4) place, slope, turn and step of each side, (2, 4) one sd of each) of a bend at a place that takes
    `slow` px; misfit in px squared, the larger of both sides. waves : of a saw of one px that lies over each side."""
    done = (along > at).astype(float) if slow == 0 else np.clip((along - at) / slow + 0.5, 0, 1)
    design = np.stack([np.ones_like(along), along - at, -done * (along - at), done], axis=1)
    values, sds, misfits = [], [], []
    for side in across:
        weight, spread, line = np.ones(len(along)), SAW, np.polyval(np.polyfit(along, side, 1), along)
        for _ in range(5):
            saw = 2 * np.pi * line[:, None] * np.arange(1, waves + 1)
            every = np.concatenate([design, np.sin(saw), np.cos(saw)], axis=1)
            normal = every.T @ (weight[:, None] * every)
            normal[range(4, every.shape[1]), range(4, every.shape[1])] += (spread / SAW) ** 2
            found = np.linalg.solve(normal + 1e-9 * np.eye(len(normal)), every.T @ (weight * side))
            line, rest = design @ found[:4], side - every @ found
            spread = max(robust_sigma(rest), 0.02)
            weight = tukey_weights(rest / spread)
        values.append(found[:4])
        sds.append(spread * np.sqrt(np.diag(np.linalg.pinv(normal)))[:4])
        misfits.append(float(np.minimum(rest**2, (3 * spread) ** 2).mean()))
    return max(misfits), np.array(values), np.array(sds)


def _both(values: Array, sds: Array) -> tuple[float, float]:
    """What both sides say alike, and one sd of it, from how far they differ, too."""
    sd = float(np.hypot(np.hypot(*sds) / 2, abs(values[1] - values[0]) / 2))
    return float(values.mean()), sd
