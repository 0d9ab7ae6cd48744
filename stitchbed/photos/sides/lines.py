"""I know straight lines in a small flat view: where edges run, which lines they lie on, and how well one is covered.

In: a small picture, lines. Out: edges, lines, corners, shares of a line that shows an edge. All here is px.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array, Mask

SIDES = ("top", "right", "bottom", "left")
ANGLE_STEP = np.deg2rad(0.25)  # rad; at 1000 px length half a step moves a line's end by 1 px
BEST_LINES = 10  # candidates for each side; more only adds lines within the picture
SETTLE_PX = 3.0  # how far a side may move to where it is sharpest: what its angle and whole pixels leave open
LEAST_VOTES = 0.08  # of the shorter picture side, hard edges counting 1
SOFT_STEP, HARD_STEP = 1.0, 8.0  # gray levels per px steeper than around: what begins to count, and what counts fully
BEYOND, MOST_BEYOND = 0.15, 0.6  # of a side's length looked at past its corners, and share that may show an edge
LEAST_VISIBLE = 0.3  # share of a side that no card hides


@dataclass(frozen=True)
class Line:
    """x cos(angle) + y sin(angle) = offset, px."""

    angle: float
    offset: float


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


def thickened(edges: tuple[Array, Array], px: int = 1) -> tuple[Mask, Mask]:
    """Where edges, as of `edges_of`, lie no more than so many px across from."""
    kernels = np.ones((2 * px + 1, 1), np.uint8), np.ones((1, 2 * px + 1), np.uint8)
    level, upright = (cv2.dilate((own > 0).astype(np.uint8), way) for own, way in zip(edges, kernels, strict=True))
    return np.asarray(level > 0), np.asarray(upright > 0)
