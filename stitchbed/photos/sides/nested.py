"""I find the rectangle round or within another one, as a margin or a mount has, with one tone between them.

In: a small flat view, the four sides of a rectangle. Out: four other sides, or none.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array, Mask
from stitchbed.photos.compositing.illumination import polynomial
from stitchbed.photos.sides.lines import SIDES, Line, corners_of, cover_of, crossings, edges_of, settled, thickened

MARGIN_PX = (5, 90)  # of a picture in its margin, in the view: 4 to 40 mm or more
WIDEST_PX = 180  # of what lies round a picture that has sides of its own: a mount, or a pad under it
LEAST_MARGIN_COVER, MEAN_MARGIN_COVER = 0.6, 0.78  # share of each, and of all of a margin's sides that shows an edge
LEANS = np.array([0.0, -0.01, 0.01, -0.02, 0.02, -0.03, 0.03])  # rad, of a margin's sides against each other
SETTLES_PX = 3  # beyond the first line that shows an edge, where a better one may be the same edge
ONE_TONE = 0.08  # how far tones of a margin differ (logarithm), nine of ten


def margin_round(picture: NDArray[np.uint8], keep_out: Mask, sides: Mapping[str, Line]) -> dict[str, Line] | None:
    """Sides of the rectangle round four sides that a margin of one tone ends at; None without. As in `find_outline`."""
    return nested(sides, edges_of(picture, keep_out), picture, ~keep_out, outward=True)


def sides_beyond(
    picture: NDArray[np.uint8], keep_out: Mask, sides: Mapping[str, Line], names: Collection[str]
) -> dict[str, Line]:
    """Of the named ones of four sides the lines that an edge runs along next beyond them, as where a margin ends."""
    if not names:
        return {}
    near = thickened(edges_of(picture, keep_out))
    seen = {name: edge_beside(name, sides, near[SIDES.index(name) % 2], ~keep_out, outward=True) for name in names}
    return {name: line for name, (cover, line) in seen.items() if cover > 0}


def nested(
    sides: Mapping[str, Line], edges: tuple[Array, Array], picture: NDArray[np.uint8], visible: Mask, *, outward: bool
) -> dict[str, Line] | None:
    """Sides of a rectangle round or within another one, a margin of one tone between them; None without."""
    near = thickened(edges)
    corners = corners_of(sides)
    seen = [edge_beside(name, sides, near[k % 2], visible, outward=outward) for k, name in enumerate(SIDES)]
    if min(cover for cover, _ in seen) == 0 or np.mean([cover for cover, _ in seen]) < MEAN_MARGIN_COVER:
        return None
    found = {name: line for name, (_, line) in zip(SIDES, seen, strict=True)}
    if not _one_tone(picture, visible, *((corners_of(found), corners) if outward else (corners, corners_of(found)))):
        return None
    return {name: settled(name, found, edges[SIDES.index(name) % 2]) for name in SIDES}


def edge_beside(
    name: str, sides: Mapping[str, Line], near: Mask, visible: Mask, *, outward: bool
) -> tuple[float, Line]:
    """The line nearest to a side, at a margin's distance, that shows an edge all along, and the share that does; the
    side itself and 0 without. It may lean a little against the side, as in a view that no card has flattened."""
    index, side = SIDES.index(name), sides[name]
    sign = (1 if name in ("bottom", "right") else -1) * (1 if outward else -1)
    away = np.arange(MARGIN_PX[0], MARGIN_PX[1] if outward else WIDEST_PX)
    middle = corners_of(sides)[[index, (index + 1) % 4]].mean(0)
    at = middle + sign * away[:, None] * (np.cos(side.angle), np.sin(side.angle))
    angle = side.angle + LEANS
    offset = at @ np.array([np.cos(angle), np.sin(angle)])  # of each distance, each angle
    before_and_after = [sides[SIDES[(index + step) % 4]] for step in (-1, 1)]
    ends = [crossings(angle, offset, np.asarray(one.angle), np.asarray(one.offset)) for one in before_and_after]
    whole = np.all([(end >= 0) & (end <= np.array(visible.shape)[::-1] - 1) for end in ends], axis=(0, -1))
    cover = np.where(whole, cover_of(near, visible, *ends), 0.0)
    shown = (cover > LEAST_MARGIN_COVER).any(axis=1)
    if not shown.any():
        return 0.0, side
    cover[away > away[shown.argmax()] + SETTLES_PX] = 0
    row, col = np.unravel_index(int(cover.argmax()), cover.shape)
    return float(cover[row, col]), Line(float(angle[col]), float(offset[row, col]))


def _one_tone(picture: NDArray[np.uint8], visible: Mask, outer: Array, inner: Array) -> bool:
    """Whether what lies between two rectangles is of one tone, but for a smooth light."""
    between = np.zeros(visible.shape, np.uint8)
    cv2.fillConvexPoly(between, np.rint(outer).astype(np.int32), 1)
    cv2.fillConvexPoly(between, np.rint(inner).astype(np.int32), 0)
    band = (cv2.erode(between, np.ones((5, 5), np.uint8)) > 0) & visible
    y, x = np.nonzero(band)
    if len(x) < 200:
        return False
    tones = np.log(picture.reshape(*picture.shape[:2], -1)[y, x].astype(np.float64) / 255 + 0.04)
    half = np.array(visible.shape)[::-1] / 2
    design = polynomial(np.stack([x, y], 1) / half - 1, 2)
    away = np.abs(tones - design @ np.linalg.lstsq(design, tones, rcond=None)[0]).max(axis=1)
    return bool(np.quantile(away, 0.9) < ONE_TONE)
