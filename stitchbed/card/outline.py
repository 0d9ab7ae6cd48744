"""I find the artwork's own four sides in a flat view: the largest rectangle of straight edges that holds no card.

In: a small picture with straight lines straight, and what to keep out of. Out: four lines, or none.

All here is px of that small picture. The four sides are named as they lie in it: top, right, bottom, left.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

SIDES = ("top", "right", "bottom", "left")
ANGLE_STEP = np.deg2rad(0.25)  # rad; at 1000 px length half a step moves a line's end by 1 px
BEST_LINES = 14  # candidates in each direction; more only adds lines within the picture
LEAST_SIDE_COVER = 0.45  # share of each side that must show an edge
LEAST_COVER = 0.65  # share on average over the four sides; half-hidden rectangles are guesses (common practice)
NEARLY_BEST = 0.8  # rectangles covered this well relative to the best count as equals, then the largest wins
LEAST_AREA = 0.04  # share of the picture; smaller rectangles are drawings within the work
EDGE_PX = 1.5  # an edge pixel belongs to a line when it is this near


@dataclass(frozen=True)
class Line:
    """x cos(angle) + y sin(angle) = offset, px."""

    angle: float
    offset: float


def find_sides(picture: NDArray[np.uint8], keep_out: Mask, *, tilt: float) -> Mapping[str, Line] | None:
    """The four sides of the artwork, or None when no rectangle is seen well enough.

    picture : (h, w, channels). keep_out : (h, w), True where cards lie or nothing is seen.
    tilt : rad, how far sides may lean from the picture's axes.
    """
    across, down = _edges(picture, keep_out)
    rows = _lines(across, keep_out, np.pi / 2, tilt)
    columns = _lines(down, keep_out, 0.0, tilt)
    best = _best_rectangle(rows, columns, (across, down), keep_out)
    return None if best is None else dict(zip(SIDES, best, strict=True))


def meeting(a: Line, b: Line) -> Array:
    """(2,) px where two lines cross."""
    normals = np.array([[np.cos(a.angle), np.sin(a.angle)], [np.cos(b.angle), np.sin(b.angle)]])
    return np.asarray(np.linalg.solve(normals, [a.offset, b.offset]), dtype=np.float64)


def corners_of(sides: Mapping[str, Line]) -> Array:
    """(4, 2) px: top left, top right, bottom right, bottom left."""
    pairs = (("top", "left"), ("top", "right"), ("bottom", "right"), ("bottom", "left"))
    return np.stack([meeting(sides[a], sides[b]) for a, b in pairs])


def sides_through(corners: Array) -> dict[str, Line]:
    """Lines through (4, 2) corners: top left, top right, bottom right, bottom left."""
    pairs = ((0, 1), (1, 2), (3, 2), (0, 3))
    return {name: _through(corners[a], corners[b]) for name, (a, b) in zip(SIDES, pairs, strict=True)}


def _through(a: Array, b: Array) -> Line:
    normal = np.array([-(b - a)[1], (b - a)[0]])
    angle = float(np.arctan2(normal[1], normal[0]))
    angle = angle % np.pi if abs(angle % np.pi - np.pi) > 0.8 else angle % np.pi - np.pi
    return Line(angle, float(a @ np.array([np.cos(angle), np.sin(angle)])))


def _edges(picture: NDArray[np.uint8], keep_out: Mask) -> tuple[Mask, Mask]:
    """Edge pixels of lines that run across, and of lines that run down, in any channel."""
    smooth = cv2.GaussianBlur(picture.reshape(*picture.shape[:2], -1), (0, 0), 1.0).astype(np.float32)
    smooth = smooth.reshape(*picture.shape[:2], -1)
    found = []
    for dx, dy in ((0, 1), (1, 0)):
        slope = np.abs(cv2.Sobel(smooth, cv2.CV_32F, dx, dy, ksize=3, scale=0.25)).reshape(smooth.shape)
        other = np.abs(cv2.Sobel(smooth, cv2.CV_32F, dy, dx, ksize=3, scale=0.25)).reshape(smooth.shape)
        steep = np.where(slope > other, slope, 0).max(axis=2)
        kernel = np.ones((3, 1) if dy else (1, 3), np.uint8)
        crest = (steep >= cv2.dilate(steep, kernel)) & (steep > 1.5)  # gray levels per px, above sensor noise
        found.append(crest & ~keep_out)
    return found[0], found[1]


def _lines(edges: Mask, keep_out: Mask, middle: float, tilt: float) -> list[Line]:
    """The lines near an angle that most edge pixels lie on, no two alike."""
    y, x = np.nonzero(edges)
    angles = middle + np.arange(-round(tilt / ANGLE_STEP), round(tilt / ANGLE_STEP) + 1) * ANGLE_STEP
    reach = int(np.hypot(*edges.shape)) + 2
    votes = np.zeros((len(angles), 2 * reach))
    for index, angle in enumerate(angles):
        offset = np.rint(x * np.cos(angle) + y * np.sin(angle)).astype(int) + reach
        count = np.bincount(offset, minlength=2 * reach).astype(float)
        votes[index] = count + np.roll(count, 1) + np.roll(count, -1)
    lines: list[Line] = []
    apart = max(4, round(0.006 * reach))
    turned = max(2, round(np.deg2rad(1.5) / ANGLE_STEP))
    while len(lines) < BEST_LINES and votes.max() > 0.1 * min(edges.shape):
        row, column = np.unravel_index(int(votes.argmax()), votes.shape)
        lines.append(Line(float(angles[row]), float(column - reach)))
        votes[max(0, row - turned) : row + turned + 1, max(0, column - apart) : column + apart + 1] = 0
    return lines


def _best_rectangle(
    rows: Sequence[Line], columns: Sequence[Line], edges: tuple[Mask, Mask], keep_out: Mask
) -> tuple[Line, Line, Line, Line] | None:
    """The largest of the best covered rectangles, as (top, right, bottom, left)."""
    near = [_thick(edges[0], (2 * round(EDGE_PX) + 1, 1)), _thick(edges[1], (1, 2 * round(EDGE_PX) + 1))]
    found: list[tuple[float, float, tuple[Line, Line, Line, Line]]] = []
    for a, b in combinations(rows, 2):
        for c, d in combinations(columns, 2):
            rectangle = _ordered(a, b, c, d, keep_out.shape)
            judged = None if rectangle is None else _judged(rectangle, near, keep_out)
            if rectangle is not None and judged is not None:
                found.append((*judged, rectangle))
    if not found:
        return None
    best = max(cover for cover, _, _ in found)
    equals = [(area, cover, rectangle) for cover, area, rectangle in found if cover >= NEARLY_BEST * best]
    largest = max(area for area, _, _ in equals)
    alike = [entry for entry in equals if entry[0] >= 0.97 * largest]
    return max(alike, key=lambda entry: (entry[1], entry[0]))[2]


def _ordered(a: Line, b: Line, c: Line, d: Line, shape: tuple[int, ...]) -> tuple[Line, Line, Line, Line] | None:
    """(top, right, bottom, left), or None when the four do not bound a fair part of the picture."""
    top, bottom = sorted((a, b), key=lambda line: line.offset)
    left, right = sorted((c, d), key=lambda line: line.offset)
    if (bottom.offset - top.offset) * (right.offset - left.offset) < LEAST_AREA * shape[0] * shape[1]:
        return None
    return top, right, bottom, left


def _judged(
    rectangle: tuple[Line, Line, Line, Line], near: Sequence[Mask], keep_out: Mask
) -> tuple[float, float] | None:
    """(mean cover 0..1, area px^2), or None when a side is not seen or a card lies inside."""
    corners = corners_of(dict(zip(SIDES, rectangle, strict=True)))
    h, w = keep_out.shape
    if np.any(corners < 0) or np.any(corners > [w - 1, h - 1]):
        return None
    covers = []
    for index, (a, b) in enumerate(((0, 1), (1, 2), (2, 3), (3, 0))):
        cover = _cover(near[index % 2], corners[a], corners[b])
        if cover < LEAST_SIDE_COVER:
            return None
        covers.append(cover)
    if np.mean(covers) < LEAST_COVER or _holds_cards(corners, keep_out):
        return None
    return float(np.mean(covers)), float(cv2.contourArea(corners.astype(np.float32)))


def _cover(near: Mask, a: Array, b: Array) -> float:
    steps = np.linspace(0.02, 0.98, 120)[:, None]
    points = np.rint(a + steps * (b - a)).astype(int)
    return float(near[points[:, 1], points[:, 0]].mean())


def _holds_cards(corners: Array, keep_out: Mask) -> bool:
    """True when more than 2 % of the rectangle is to be kept out of."""
    small = cv2.resize(keep_out.astype(np.uint8), None, fx=0.25, fy=0.25, interpolation=cv2.INTER_NEAREST)
    inside = np.zeros(small.shape, np.uint8)
    cv2.fillConvexPoly(inside, np.rint(corners / 4).astype(np.int32), 1)
    return bool(np.count_nonzero((small > 0) & (inside > 0)) > 0.02 * max(1, int(inside.sum())))


def _thick(edges: Mask, kernel: tuple[int, int]) -> Mask:
    return np.asarray(cv2.dilate(edges.astype(np.uint8), np.ones(kernel, np.uint8)) > 0)
