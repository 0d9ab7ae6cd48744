"""I find the artwork's own four sides in a flat view: the largest rectangle of straight edges that holds no card.

In: a small picture with straight lines straight, and what to keep out of. Out: four lines, or none.

All here is px of that small picture. The four sides are named as they lie in it: top, right, bottom, left.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import product

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from stitchbed.core.arrays import Array, Mask
from stitchbed.photos.sides.lines import (
    SIDES,
    Line,
    beside,
    corners_of,
    cover_of,
    edges_of,
    goes_on,
    lines_along,
    settled,
    thickened,
)

LEAST_SIDE_COVER = 0.45  # share of each side that must show an edge
LEAST_COVER = 0.65  # share on average over the four sides; half-hidden rectangles are guesses (common practice)
NEARLY_BEST = 0.8  # rectangles covered this well relative to the best count as equals, then the largest wins
NEARLY_LARGEST = 0.95  # of that area: within, the side with the clearer step of tones is the work's
LEAST_AREA = 0.04  # share of the picture; smaller rectangles are drawings within the work
BUSY_PX, LEAST_CALM = 11, 0.2  # where the drawing's strokes count as busy, and what an edge among them still counts
BESIDE_PX, LEAST_STEP = (4.0, 9.0), 4.0  # where tones within and beyond a side are compared; gray levels that differ
LEAST_PARTED = 0.6  # share of a side at which they must
EDGE_PX = 1.5  # an edge pixel belongs to a line when it is this near

Rectangle = tuple[Line, Line, Line, Line]  # top, right, bottom, left
Found = tuple[float, float, Rectangle]  # cover, area px^2


def find_sides(picture: NDArray[np.uint8], keep_out: Mask, *, tilt: float) -> Mapping[str, Line] | None:
    """The four sides of the artwork, or None when no rectangle is seen well enough.

    picture : (h, w, channels). keep_out : (h, w), True where cards lie or nothing is seen.
    tilt : rad, how far sides may lean from the picture's axes.
    """
    across, down = edges_of(picture, keep_out)
    strokes = ((across > 0) | (down > 0)).astype(np.float32)
    busy = np.asarray(cv2.blur(strokes, (BUSY_PX, BUSY_PX)), dtype=np.float64)
    outward = {"top": (0, -1), "right": (1, 0), "bottom": (0, 1), "left": (-1, 0)}
    lines = []
    for name in SIDES:
        edges, middle = (across, np.pi / 2) if name in ("top", "bottom") else (down, 0.0)
        lines.append(lines_along(edges * _calm(busy, outward[name]), middle, tilt))
    soft = np.asarray(cv2.GaussianBlur(picture, (0, 0), 1.5)).reshape(*picture.shape[:2], -1).astype(np.float64)
    best = _best_rectangle(lines, (across, down), soft, keep_out)
    if best is None:
        return None
    sides = dict(zip(SIDES, best, strict=True))
    return {name: settled(name, sides, across if name in ("top", "bottom") else down) for name in SIDES}


def _calm(busy: Array, outward: tuple[int, int]) -> Array:
    """1 where nothing goes on just outside of a pixel, down to LEAST_CALM in the midst of strokes.

    A side has the table beyond it, a line of the drawing has more drawing.
    """
    step = BUSY_PX // 2 + 4
    beyond = np.roll(busy, (-outward[1] * step, -outward[0] * step), axis=(0, 1))
    return np.asarray(np.clip(1 - 6 * beyond, LEAST_CALM, 1), dtype=np.float64)


def _best_rectangle(
    lines: Sequence[Sequence[Line]], edges: tuple[Array, Array], soft: Array, keep_out: Mask
) -> Rectangle | None:
    """The largest of the best covered rectangles, as (top, right, bottom, left)."""
    near = thickened(edges, round(EDGE_PX))
    found: list[Found] = []
    for top, right, bottom, left in product(*lines):
        area = (bottom.offset - top.offset) * (right.offset - left.offset)
        if top.offset >= bottom.offset or left.offset >= right.offset or area < LEAST_AREA * keep_out.size:
            continue
        rectangle = (top, right, bottom, left)
        judged = _judged(rectangle, near, keep_out)
        if judged is not None:
            found.append((*judged, rectangle))
    while found:
        alike = _preferred(found)
        for _, _, rectangle in sorted(alike, key=lambda one: -_contrast(_corners(one[2]), soft) * one[0]):
            corners = _corners(rectangle)
            if not holds_cards(corners, keep_out) and parts_tones(corners, soft, ~keep_out):
                return rectangle
        found = [one for one in found if one not in alike]
    return None


def _preferred(found: Sequence[Found]) -> list[Found]:
    """Those covered nearly best that are nearly as large as the largest of them."""
    best = max(cover for cover, _, _ in found)
    equals = [one for one in found if one[0] >= NEARLY_BEST * best]
    largest = max(area for _, area, _ in equals)
    return [one for one in equals if one[1] >= NEARLY_LARGEST * largest]


def _corners(rectangle: Rectangle) -> Array:
    return corners_of(dict(zip(SIDES, rectangle, strict=True)))


def _contrast(corners: Array, soft: Array) -> float:
    """Mean over the sides of how far tones just within and just beyond differ, gray levels."""
    steps = []
    for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        tones = beside(a, b, corners.mean(0), BESIDE_PX[0], soft.shape)
        steps.append(np.median(np.abs(soft[tones[0][1], tones[0][0]] - soft[tones[1][1], tones[1][0]]).max(axis=1)))
    return float(np.mean(steps))


def _judged(rectangle: Rectangle, near: Sequence[Mask], keep_out: Mask) -> tuple[float, float] | None:
    """(mean cover 0..1, area px^2), or None when a side is not seen or goes on beyond its corners."""
    corners = _corners(rectangle)
    covers = covers_of(corners, near, keep_out)
    return None if covers is None else (float(np.mean(covers)), float(cv2.contourArea(corners.astype(np.float32))))


def covers_of(corners: Array, near: Sequence[Mask], keep_out: Mask) -> list[float] | None:
    """How well each side of a rectangle is covered (0..1), or None when one is not seen or goes on beyond its corners.

    corners : (4, 2) px. near : where edges run across and down, as of `thickened`.
    """
    h, w = keep_out.shape
    if np.any(corners < 0) or np.any(corners > [w - 1, h - 1]):
        return None
    covers = []
    for index, (a, b) in enumerate(((0, 1), (1, 2), (2, 3), (3, 0))):
        cover = float(cover_of(near[index % 2], ~keep_out, corners[a], corners[b]))
        if cover < LEAST_SIDE_COVER or goes_on(near[index % 2], ~keep_out, corners[a], corners[b]):
            return None
        covers.append(cover)
    return covers if np.mean(covers) >= LEAST_COVER else None


def parts_tones(corners: Array, soft: Array, visible: Mask) -> bool:
    """True when each side has another tone within than beyond it: a drawn line has the same paper at both sides.

    Tones are medians along a quarter of the side, so that strokes and grain do not count.
    """
    for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        for away in BESIDE_PX:
            outer, inner = beside(a, b, corners.mean(0), away, visible.shape)
            seen = visible[outer[1], outer[0]] & visible[inner[1], inner[0]]
            tones = [median_filter(soft[at[1], at[0]], size=(31, 1), mode="nearest") for at in (outer, inner)]
            step = np.abs(tones[1] - tones[0]).max(axis=1)
            if seen.any() and np.mean(step[seen] > LEAST_STEP) < LEAST_PARTED:
                return False
    return True


def holds_cards(corners: Array, keep_out: Mask) -> bool:
    """True when more than 2 % of the rectangle is to be kept out of."""
    small = cv2.resize(keep_out.astype(np.uint8), None, fx=0.25, fy=0.25, interpolation=cv2.INTER_NEAREST)
    inside = np.zeros(small.shape, np.uint8)
    cv2.fillConvexPoly(inside, np.rint(corners / 4).astype(np.int32), 1)
    return bool(np.count_nonzero((small > 0) & (inside > 0)) > 0.02 * max(1, int(inside.sum())))
