"""I find the artwork's own four sides in a flat view: the largest rectangle of straight edges that holds no card.

In: a small picture with straight lines straight, and what to keep out of. Out: four lines, or none.

All here is px of that small picture. The four sides are named as they lie in it: top, right, bottom, left.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from stitchbed.core.arrays import Array, Mask

SIDES = ("top", "right", "bottom", "left")
ANGLE_STEP = np.deg2rad(0.25)  # rad; at 1000 px length half a step moves a line's end by 1 px
BEST_LINES = 10  # candidates for each side; more only adds lines within the picture
LEAST_SIDE_COVER = 0.45  # share of each side that must show an edge
LEAST_COVER = 0.65  # share on average over the four sides; half-hidden rectangles are guesses (common practice)
NEARLY_BEST = 0.8  # rectangles covered this well relative to the best count as equals, then the largest wins
NEARLY_LARGEST = 0.95  # of that area: within, the side with the clearer step of tones is the work's
LEAST_AREA = 0.04  # share of the picture; smaller rectangles are drawings within the work
SETTLE_PX = 3.0  # how far a side may move to where it is sharpest: what its angle and whole pixels leave open
LEAST_VOTES = 0.08  # of the shorter picture side, hard edges counting 1
SOFT_STEP, HARD_STEP = 1.0, 8.0  # gray levels per px steeper than around: what begins to count, and what counts fully
BEYOND, MOST_BEYOND = 0.15, 0.6  # of a side's length looked at past its corners, and share that may show an edge
LEAST_VISIBLE = 0.3  # share of a side that no card hides
BUSY_PX, LEAST_CALM = 11, 0.2  # where the drawing's strokes count as busy, and what an edge among them still counts
BESIDE_PX, LEAST_STEP = (4.0, 9.0), 4.0  # where tones within and beyond a side are compared; gray levels that differ
LEAST_PARTED = 0.6  # share of a side at which they must
MORE_LINES = 30  # candidates for each side of a rectangle whose size is known
OFF_SQUARE = float(np.deg2rad(1.5))  # of its sides, as straight as a small view tells them
SAME_PX, OUTDOES = 8.0, 0.9  # corners farther apart are another rectangle, to be covered clearly worse
EDGE_PX = 1.5  # an edge pixel belongs to a line when it is this near


@dataclass(frozen=True)
class Line:
    """x cos(angle) + y sin(angle) = offset, px."""

    angle: float
    offset: float


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


def sides_of_size(
    picture: NDArray[np.uint8], keep_out: Mask, size_px: tuple[float, float], *, tilt: float, sure: float
) -> Mapping[str, Line] | None:
    """The four sides of the best covered rectangle of a size, or None when none or more than one is seen well enough.

    size_px : (width, height) in the picture. sure : share of them that they may be off. Others as of `find_sides`.
    """
    edges = edges_of(picture, keep_out)
    near = thickened(edges, round(EDGE_PX))
    pairs = [_apart(edges[k], (np.pi / 2, 0.0)[k], tilt, size_px[1 - k], sure) for k in (0, 1)]
    soft = np.asarray(cv2.GaussianBlur(picture, (0, 0), 1.5)).reshape(*picture.shape[:2], -1).astype(np.float64)
    found: list[tuple[float, Rectangle]] = []
    for (top, bottom), (left, right) in product(*pairs):
        rectangle = (top, right, bottom, left)
        if abs((top.angle + bottom.angle - left.angle - right.angle) / 2 - np.pi / 2) > OFF_SQUARE:
            continue
        corners = _corners(rectangle)
        lengths = side_lengths(corners).reshape(2, 2).mean(0)
        if np.any(np.abs(lengths - size_px) > sure * np.array(size_px) + SETTLE_PX):
            continue
        judged = _judged(rectangle, near, keep_out)
        if judged is not None and not _holds_cards(corners, keep_out) and _parts_tones(corners, soft, ~keep_out):
            found.append((judged[0], rectangle))
    if not found:
        return None
    best, rectangle = max(found, key=lambda one: one[0])
    others = [cover for cover, one in found if np.abs(_corners(one) - _corners(rectangle)).max() > SAME_PX]
    if max(others, default=0.0) > OUTDOES * best:
        return None
    sides = dict(zip(SIDES, rectangle, strict=True))
    return {name: settled(name, sides, edges[SIDES.index(name) % 2]) for name in SIDES}


def crossings(angle_a: Array, offset_a: Array, angle_b: Array, offset_b: Array) -> Array:
    """(..., 2) px where lines cross, each given by its angle and offset (...); they are not parallel."""
    x = offset_a * np.sin(angle_b) - offset_b * np.sin(angle_a)
    y = offset_b * np.cos(angle_a) - offset_a * np.cos(angle_b)
    return np.stack([x, y], axis=-1) / np.sin(angle_b - angle_a)[..., None]  # Cramer's rule


def side_lengths(corners: Array) -> Array:
    """(4,) lengths of a rectangle's sides, from its corners (4, 2) in turn."""
    return np.asarray(np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1), dtype=np.float64)


def corners_of(sides: Mapping[str, Line]) -> Array:
    """(4, 2) px: top left, top right, bottom right, bottom left."""
    return corners_of_all(np.array([(sides[name].angle, sides[name].offset) for name in SIDES]))


def corners_of_all(lines: Array) -> Array:
    """(..., 4, 2) px of rectangles, each given by the angle and offset of its four sides (..., 4, 2)."""
    angle, offset = lines[..., 0], lines[..., 1]
    return crossings(angle, offset, np.roll(angle, 1, axis=-1), np.roll(offset, 1, axis=-1))


def sides_through(corners: Array) -> dict[str, Line]:
    """Lines through (4, 2) corners: top left, top right, bottom right, bottom left."""
    pairs = ((0, 1), (1, 2), (3, 2), (0, 3))
    return {name: _through(corners[a], corners[b]) for name, (a, b) in zip(SIDES, pairs, strict=True)}


def _through(a: Array, b: Array) -> Line:
    normal = np.array([-(b - a)[1], (b - a)[0]])
    angle = float(np.arctan2(normal[1], normal[0]))
    angle = angle % np.pi if abs(angle % np.pi - np.pi) > 0.8 else angle % np.pi - np.pi
    return Line(angle, float(a @ np.array([np.cos(angle), np.sin(angle)])))


def edges_of(picture: NDArray[np.uint8], keep_out: Mask) -> tuple[Array, Array]:
    """How sharp an edge runs across, and how sharp one runs down, at each pixel, in any channel; 0 where none does.

    A wash that gets darker slowly is no edge: what counts is how much steeper a pixel is than its surroundings.
    """
    smooth = cv2.GaussianBlur(picture.reshape(*picture.shape[:2], -1), (0, 0), 1.0).astype(np.float32)
    smooth = smooth.reshape(*picture.shape[:2], -1)
    found = []
    for dx, dy in ((0, 1), (1, 0)):
        slope = np.abs(cv2.Sobel(smooth, cv2.CV_32F, dx, dy, ksize=3, scale=0.25)).reshape(smooth.shape)
        other = np.abs(cv2.Sobel(smooth, cv2.CV_32F, dy, dx, ksize=3, scale=0.25)).reshape(smooth.shape)
        steep = np.where(slope > other, slope, 0).max(axis=2)
        along = (1, 9) if dx else (9, 1)
        sharp = steep - cv2.blur(steep, (along[1], along[0]))
        crest = steep >= cv2.dilate(steep, np.ones((3, 1) if dy else (1, 3), np.uint8))
        weight = np.where(crest & ~keep_out, np.clip(sharp - SOFT_STEP, 0, HARD_STEP), 0)
        found.append(weight.astype(np.float64))
    return found[0], found[1]


def settled(name: str, sides: Mapping[str, Line], edges: Array) -> Line:
    """The side moved to where the edges along it are sharpest, no farther than candidates were told apart."""
    corners = corners_of(sides)
    a, b = corners[[SIDES.index(name), (SIDES.index(name) + 1) % 4]]
    steps = np.linspace(0.03, 0.97, max(20, int(np.linalg.norm(b - a))))[:, None]
    points = a + steps * (b - a)
    along = (b - a) / np.linalg.norm(b - a)
    normal = np.array([-along[1], along[0]])
    soft = cv2.GaussianBlur(edges.astype(np.float32), (0, 0), 0.8)
    best = (-1.0, 0.0, 0.0)
    for lean in np.arange(-SETTLE_PX, SETTLE_PX + 0.5, 0.5):  # px at the ends
        for shift in np.arange(-SETTLE_PX, SETTLE_PX + 0.5, 0.5):
            offset = shift + lean * (2 * steps - 1)
            x, y = np.clip(np.rint(points + offset * normal), 0, np.array(edges.shape)[::-1] - 1).astype(int).T
            best = max(best, (float(soft[y, x].sum()), float(shift), float(lean)))
    _, shift, lean = best
    ends = (a + (shift - lean) * normal, b + (shift + lean) * normal)
    return _through(*ends) if name in ("top", "right") else _through(ends[1], ends[0])


def _calm(busy: Array, outward: tuple[int, int]) -> Array:
    """1 where nothing goes on just outside of a pixel, down to LEAST_CALM in the midst of strokes.

    A side has the table beyond it, a line of the drawing has more drawing.
    """
    step = BUSY_PX // 2 + 4
    beyond = np.roll(busy, (-outward[1] * step, -outward[0] * step), axis=(0, 1))
    return np.asarray(np.clip(1 - 6 * beyond, LEAST_CALM, 1), dtype=np.float64)


def lines_along(edges: Array, middle: float, tilt: float, most: int = BEST_LINES) -> list[Line]:
    """The lines near an angle that most edge pixels lie on, no two alike."""
    y, x = np.nonzero(edges)
    weight = edges[y, x] / HARD_STEP
    angles = middle + np.arange(-round(tilt / ANGLE_STEP), round(tilt / ANGLE_STEP) + 1) * ANGLE_STEP
    reach = int(np.hypot(*edges.shape)) + 2
    votes = np.zeros((len(angles), 2 * reach))
    for index, angle in enumerate(angles):
        offset = np.rint(x * np.cos(angle) + y * np.sin(angle)).astype(int) + reach
        count = np.bincount(offset, weights=weight, minlength=2 * reach)
        votes[index] = count + np.roll(count, 1) + np.roll(count, -1)
    lines: list[Line] = []
    apart = max(4, round(0.006 * reach))
    turned = max(2, round(np.deg2rad(1.5) / ANGLE_STEP))
    while len(lines) < most and votes.max() > LEAST_VOTES * min(edges.shape):
        row, column = np.unravel_index(int(votes.argmax()), votes.shape)
        lines.append(Line(float(angles[row]), float(column - reach)))
        votes[max(0, row - turned) : row + turned + 1, max(0, column - apart) : column + apart + 1] = 0
    return lines


def _apart(edges: Array, middle: float, tilt: float, px: float, sure: float) -> list[tuple[Line, Line]]:
    """Pairs of lines that run alike at a distance."""
    lines = lines_along(edges, middle, tilt, MORE_LINES)
    room = px * (sure + OFF_SQUARE) + SETTLE_PX  # lines that lean lie nearer to each other on one side
    return [
        (a, b)
        for a, b in product(lines, lines)
        if abs(b.offset - a.offset - px) < room and abs(a.angle - b.angle) < OFF_SQUARE
    ]


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
            if not _holds_cards(corners, keep_out) and _parts_tones(corners, soft, ~keep_out):
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


def beside(
    a: Array, b: Array, middle: Array, away: float, shape: tuple[int, ...]
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """(2, 120) pixels (x, y) along a side, some px beyond it and as many within, `middle` being within."""
    normal = np.array([-(b - a)[1], (b - a)[0]]) / np.linalg.norm(b - a)
    normal = normal * np.sign(normal @ ((a + b) / 2 - middle))
    points = a + np.linspace(0.02, 0.98, 120)[:, None] * (b - a)
    limits = np.array([shape[1], shape[0]]) - 1
    outer, inner = (np.clip(np.rint(points + d * away * normal), 0, limits).astype(np.intp).T for d in (1, -1))
    return outer, inner


def _judged(rectangle: Rectangle, near: Sequence[Mask], keep_out: Mask) -> tuple[float, float] | None:
    """(mean cover 0..1, area px^2), or None when a side is not seen or goes on beyond its corners."""
    corners = _corners(rectangle)
    h, w = keep_out.shape
    if np.any(corners < 0) or np.any(corners > [w - 1, h - 1]):
        return None
    covers = []
    for index, (a, b) in enumerate(((0, 1), (1, 2), (2, 3), (3, 0))):
        cover = float(cover_of(near[index % 2], ~keep_out, corners[a], corners[b]))
        if cover < LEAST_SIDE_COVER or goes_on(near[index % 2], ~keep_out, corners[a], corners[b]):
            return None
        covers.append(cover)
    if np.mean(covers) < LEAST_COVER:
        return None
    return float(np.mean(covers)), float(cv2.contourArea(corners.astype(np.float32)))


def cover_of(near: Mask, visible: Mask, a: Array, b: Array) -> Array:
    """(...) share of the visible part of lines from a to b (..., 2) that shows an edge; 0 when too little of one is
    visible. What leaves the picture is not."""
    limits = np.array(visible.shape)[::-1] - 1
    steps = np.linspace(0.02, 0.98, 120)[:, None]
    points = a[..., None, :] + steps * (b - a)[..., None, :]
    inside = np.all((points >= 0) & (points <= limits), axis=-1)
    x, y = np.moveaxis(np.where(inside[..., None], np.rint(points), 0).astype(np.intp), -1, 0)
    seen = visible[y, x] & inside
    shown = (near[y, x] & seen).sum(axis=-1) / np.maximum(seen.sum(axis=-1), 1)
    return np.asarray(np.where(seen.mean(axis=-1) >= LEAST_VISIBLE, shown, 0.0))


def goes_on(near: Mask, visible: Mask, a: Array, b: Array) -> bool:
    """True when the edge runs on past both ends of a side: a joint of the table or a line of the drawing, no side."""
    limits = np.array(visible.shape)[::-1] - 1
    for corner, outward in ((a, a - b), (b, b - a)):
        points = corner + np.linspace(0.03, BEYOND, 40)[:, None] * outward
        inside = np.all((points >= 0) & (points <= limits), axis=1)
        x, y = np.rint(points[inside]).astype(int).T
        seen = visible[y, x]
        if seen.sum() < 12 or near[y, x][seen].mean() < MOST_BEYOND:
            return False
    return True


def _parts_tones(corners: Array, soft: Array, visible: Mask) -> bool:
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


def _holds_cards(corners: Array, keep_out: Mask) -> bool:
    """True when more than 2 % of the rectangle is to be kept out of."""
    small = cv2.resize(keep_out.astype(np.uint8), None, fx=0.25, fy=0.25, interpolation=cv2.INTER_NEAREST)
    inside = np.zeros(small.shape, np.uint8)
    cv2.fillConvexPoly(inside, np.rint(corners / 4).astype(np.int32), 1)
    return bool(np.count_nonzero((small > 0) & (inside > 0)) > 0.02 * max(1, int(inside.sum())))


def thickened(edges: tuple[Array, Array], px: int = 1) -> tuple[Mask, Mask]:
    """Where edges, as of `edges_of`, lie no more than so many px across from."""
    kernels = np.ones((2 * px + 1, 1), np.uint8), np.ones((1, 2 * px + 1), np.uint8)
    level, upright = (cv2.dilate((own > 0).astype(np.uint8), way) for own, way in zip(edges, kernels, strict=True))
    return np.asarray(level > 0), np.asarray(upright > 0)
