"""I find one side of a sheet on a picture in which that side is on top.

In: light of a small view, later profiles across the edge in full. Out: a straight line, depth px over places along it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Floats
from stitchbed.matching.robust import robust_sigma

Array = NDArray[np.floating[Any]]

PIECE_MM = 4.0  # of a side that is looked at as one
ZONE = 0.3  # of the picture's depth in which a side is sought
STEEPEST = 0.1  # slope; a sheet laid more askew is laid again, common practice, no source
STEP = 0.03  # share by which light must change within half a mm
GRAY = 0.12  # share by which channels of a lid, a frame or a shadow may differ; the sheet's own colors differ more
UNIFORM = 0.08  # share by which what lies outside may vary along a side
SHADOW = (0.3, 0.93)  # of the paper's light; a drawn line is darker, nothing at all is lighter
SLOW = 0.35  # of a shadow's depth, the most that is lost from one pixel of the view to the next
LIGHTER_ALONG = 0.8  # of a side; drawing may reach the sheet's edge here and there
SHADOW_MM = 6.0  # the widest shadow a sheet throws on a lid as white as itself, common practice, no source


@dataclass(frozen=True)
class Line:
    """depth = offset + slope * along, px."""

    offset: float
    slope: float

    def at(self, along: Array) -> Array:
        """Depth px at places along the side."""
        return self.offset + self.slope * along


def edge_of(view: Floats, is_paper: Callable[[Floats], bool], px_per_mm: float) -> tuple[Line | None, str]:
    """The sheet's upper edge on a (h, w, c) view (0 where nothing was scanned), and what tells it.

    That is "step", "faint" (a step from a lid that is nearly as light as the sheet), "shadow", "end" (of what was
    scanned: the sheet's own edge may lie further out), or "" for no edge.
    is_paper : says of a color (c,) whether the sheet shows it as bare paper. From outside in, everything up to the edge
    is uniform, gray and no paper.
    """
    lines = lines_along(view, px_per_mm)
    previous, best, found = Line(-1.0, 0.0), None, ""
    for number, line in enumerate(lines):
        level, uniform = _between(view, previous, line, px_per_mm)
        if level is None:
            continue
        if is_paper(level) and not (uniform and _lighter_within(view, line, level, px_per_mm)):
            beyond = lines[number + 1] if number + 1 < len(lines) else None
            if best is None and beyond is not None and _is_shadow(view, line, beyond, level, px_per_mm):
                return beyond, "shadow"
            break
        if not (uniform and np.ptp(level) < GRAY * level.max() + 0.02):
            break
        previous, best, found = line, line, ("faint" if is_paper(level) else "step") if level.any() else "end"
    return best, found


def measured(along: Array, guess: Array, profiles: Sequence[Floats], half: float) -> tuple[Line | None, float, float]:
    """The line in full: through the steps of profiles (2 half + 1 px, middle at round(guess)) at places along the side.

    Returns also one sd px of the steps about it and the share of places that agree.
    """
    depths = np.array([crossing(p) for p in profiles]) + np.rint(guess) - round(half)
    known = np.isfinite(depths)
    if known.sum() < 8:
        return None, 0.0, 0.0
    # the guess is good to about a pixel of the view: start from the median offset, then close in
    slope, offset = np.polyfit(along, guess, 1)
    offset += float(np.median((depths - guess)[known]))
    for limit in (half, half / 2, half / 4, half / 4):
        near = known & (np.abs(depths - offset - slope * along) < max(limit, 2.0))
        if near.sum() < 8:
            return None, 0.0, 0.0
        slope, offset = np.polyfit(along[near], depths[near], 1)
    rest = (depths - offset - slope * along)[near]
    sd = robust_sigma(rest)
    return Line(float(offset), float(slope)), sd, float(near.mean())


def lines_along(view: Floats, px_per_mm: float) -> list[Line]:
    """Straight lines along the upper edge of a (h, w, c) view on which light steps, from outside in."""
    return _lines(_steps(view, px_per_mm), view.shape[1], px_per_mm)


def crossing(profile: Floats) -> float:
    """Depth px where (n, c) light is half way from outside to inside, next to the steepest place; NaN where none is."""
    smooth = cv2.GaussianBlur(profile[:, None], (1, 5), 0).reshape(profile.shape)
    step = np.abs(np.diff(smooth, axis=0)).sum(axis=1)
    at = int(step.argmax())
    reach = max(3, len(profile) // 6)
    outside = np.median(profile[max(0, at - reach) : max(1, at)], axis=0)
    inside = np.median(profile[min(at + 2, len(profile) - 1) :][:reach], axis=0)
    way = inside - outside
    if np.abs(way).max() < STEP * max(float(outside.max()), float(inside.max()), 0.05):
        return float("nan")
    share = (profile - outside) @ way / float(way @ way)
    for n in sorted(range(len(profile) - 1), key=lambda k: abs(k - at)):
        if (share[n] - 0.5) * (share[n + 1] - 0.5) <= 0 and share[n] != share[n + 1]:
            return float(n + (0.5 - share[n]) / (share[n + 1] - share[n]))
    return float("nan")


def _steps(view: Floats, px_per_mm: float) -> list[tuple[float, Array]]:
    """For each piece of the side: its middle px and the depths px at which light steps."""
    piece = max(2, round(PIECE_MM * px_per_mm))
    depth = max(4, int(view.shape[0] * ZONE))
    reach = max(1, round(0.5 * px_per_mm))
    found = []
    for col in range(0, view.shape[1] - piece + 1, piece):
        profile = np.median(view[:depth, col : col + piece], axis=1)
        larger = np.maximum(np.maximum(profile[reach:], profile[:-reach]), 0.05)
        rise = np.asarray((np.abs(profile[reach:] - profile[:-reach]) / larger).max(axis=1))
        highest = cv2.dilate(rise[:, None], np.ones((2 * reach + 1, 1), np.uint8)).ravel()
        peaks = np.flatnonzero((rise > STEP) & (rise >= highest))
        found.append((col + (piece - 1) / 2, peaks + reach / 2))
    return found


def _lines(steps: Sequence[tuple[float, Array]], width: int, px_per_mm: float) -> list[Line]:
    """Straight lines that steps of at least half the pieces lie on, from outside in."""
    x = np.concatenate([np.full(len(s), c) for c, s in steps]) if steps else np.zeros(0)
    y = np.concatenate([s for _, s in steps]) if steps else np.zeros(0)
    tolerance = max(1.0, 0.4 * px_per_mm)
    found, free = [], np.ones(len(x), bool)
    while free.any():
        votes, line = _most_voted(x[free], y[free], width, tolerance)
        if votes < 0.5 * len(steps):
            break
        on = np.abs(y - line.at(x)) < 1.5 * tolerance
        if np.ptp(x[on & free]) > 0:  # places of one piece alone say nothing of the slope
            slope, offset = np.polyfit(x[on & free], y[on & free], 1)
            line = Line(float(offset), float(slope))
        found.append(line)
        free &= ~on
    return sorted(found, key=lambda line: line.offset + line.slope * width / 2)


def _most_voted(x: Array, y: Array, width: int, tolerance: float) -> tuple[int, Line]:
    """The line most places (one vote each) lie on, among all slopes up to STEEPEST.

    Reference: Duda & Hart, Use of the Hough transformation, Comm. ACM 15(1):11-15, 1972.
    """
    best, line = 0, Line(0.0, 0.0)
    _, piece = np.unique(x, return_inverse=True)
    for slope in np.arange(-STEEPEST, STEEPEST + 1e-9, 2 * tolerance / max(width, 1)):
        bins = np.rint((y - slope * (x - width / 2)) / tolerance).astype(int)
        low = int(bins.min())
        seen = np.zeros((int(bins.max()) - low + 2, int(piece.max()) + 1), bool)
        seen[bins - low, piece] = True
        votes = (seen[:-1] | seen[1:]).sum(axis=1)
        if votes.max() > best:
            best = int(votes.max())
            middle = (int(votes.argmax()) + low + 0.5) * tolerance
            line = Line(middle - slope * width / 2, float(slope))
    return best, line


def _between(view: Floats, outer: Line, inner: Line, px_per_mm: float) -> tuple[Floats | None, bool]:
    """(c,) light of the last mm before `inner` and whether it is the same all along; None when too little is there."""
    every = max(1, round(px_per_mm))
    cols = np.arange(0, view.shape[1], every)
    gap = 0.3 * px_per_mm
    tops = np.maximum(
        np.ceil(outer.at(cols.astype(float)) + gap), np.floor(inner.at(cols.astype(float)) - 5 * px_per_mm)
    ).astype(int)
    bottoms = np.floor(inner.at(cols.astype(float)) - gap).astype(int)
    spans = [(c, max(0, t), b) for c, t, b in zip(cols, tops, bottoms, strict=True) if b >= max(0, t)]
    if len(spans) < 0.4 * len(cols):
        return None, False
    levels = np.array([np.median(view[t : b + 1, c], axis=0) for c, t, b in spans])
    seen = levels[levels.max(axis=1) > 0]
    if len(seen) < 0.5 * len(levels):
        return np.zeros(view.shape[2], np.float32), True  # nothing was scanned there
    levels = seen
    level = np.median(levels, axis=0)
    spread = float(np.median(np.abs(levels - level).max(axis=1)))
    return level.astype(np.float32), spread < max(UNIFORM * float(level.max()), 0.01)


def _lighter_within(view: Floats, line: Line, outside: Floats, px_per_mm: float) -> bool:
    """Whether the first mm beyond a line is lighter than what lies before it, nearly all along: no wash and no frame
    drawn on a sheet makes it lighter there."""
    within = Line(line.offset + 1.3 * px_per_mm, line.slope)
    cols = np.arange(0, view.shape[1], max(1, round(px_per_mm)))
    starts = np.ceil(line.at(cols.astype(float)) + 0.3 * px_per_mm).astype(int)
    ends = np.minimum(np.floor(within.at(cols.astype(float))).astype(int), len(view))
    bands = [view[max(0, a) : b, c] for c, a, b in zip(cols, starts, ends, strict=True) if b > max(0, a)]
    lighter = [float(np.median(band, axis=0).mean() / max(float(outside.mean()), 1e-3)) > 1 + STEP for band in bands]
    return bool(len(lighter) > 0.5 * len(cols) and np.mean(lighter) > LIGHTER_ALONG)


def _is_shadow(view: Floats, outer: Line, inner: Line, lid: Floats, px_per_mm: float) -> bool:
    """True when light falls slowly and then comes back at once, as a sheet throws a shadow on a lid as white as itself.

    A drawn line falls at once on both sides.
    """
    width = float(inner.at(np.array(view.shape[1] / 2)) - outer.at(np.array(view.shape[1] / 2)))
    level, uniform = _between(view, outer, inner, px_per_mm)
    paper = float(lid.mean())
    if (
        level is None
        or not uniform
        or width > SHADOW_MM * px_per_mm
        or not SHADOW[0] < level.mean() / paper < SHADOW[1]
    ):
        return False
    cols = np.arange(view.shape[1])
    depths = np.arange(-round(SHADOW_MM * px_per_mm), 1)[:, None] + np.rint(inner.at(cols.astype(float))).astype(int)
    fall = np.median(view[np.clip(depths, 0, view.shape[0] - 1), cols].mean(axis=2), axis=1)
    fall = fall[: int(fall.argmin()) + 1]
    drops = -np.diff(fall)
    slow = len(drops) > 1 and drops.min() > -0.03 * paper and drops.max() < SLOW * drops.sum()
    return bool(slow and fall.min() > SHADOW[0] * paper)
