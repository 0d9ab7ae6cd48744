"""I find a rectangle of a known size in a small flat view: where four sides of that size are all borne out by edges.

In: a small picture with straight lines straight, what to keep out of, the size. Out: four lines, or none. All is px.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import product

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array, Floats, Mask
from stitchbed.photos.sides.lines import (
    BEYOND,
    LEAST_VISIBLE,
    MOST_BEYOND,
    SETTLE_PX,
    SIDES,
    Line,
    corners_of,
    edges_of,
    lines_along,
    settled,
    side_lengths,
    sides_through,
    thickened,
)
from stitchbed.photos.sides.rectangle import EDGE_PX, LEAST_SIDE_COVER, covers_of, holds_cards, parts_tones

MORE_LINES = 30  # candidates for each side; a finely checked cloth has more lines than those, and all of them longer
OFF_SQUARE = float(np.deg2rad(1.5))  # of the sides, as straight as a small view tells them
SAME_PX, OUTDOES = 8.0, 0.9  # corners farther apart are another rectangle, to be covered clearly worse
LEAST_WORST = 0.75  # share of its worst side; wrong sizes find .65 among a picture's and a cloth's lines, right ones .9
# How far width and height may differ from one scale of the size: a print's size is known hardly, its shape is.
UNLIKE, UNLIKE_PX = 0.003, 2.5
SHRINK = 2  # places are tried in a view this much smaller
TURN = float(np.deg2rad(0.5))  # between the ways a rectangle is laid; half a step moves the ends of a side by 2 px
MOST_PLACES, EACH_TURN = 12, 6  # places looked at closely, of all and of one turn


def sides_of_size(
    picture: NDArray[np.uint8], keep_out: Mask, size_px: tuple[float, float], *, tilt: float, sure: float
) -> Mapping[str, Line] | None:
    """The four sides of the rectangle of a size whose worst side is covered best, or None when none or more than one is
    seen well enough. By its worst side, as among the lines of a pattern a wrong one mostly has three good sides.

    picture : (h, w, channels). keep_out : (h, w), True where cards lie or nothing is seen. size_px : (width, height).
    tilt : rad, how far sides may lean from the picture's axes. sure : share of the size that it may be off.
    """
    edges = edges_of(picture, keep_out)
    near = thickened(edges, round(EDGE_PX))
    soft = np.asarray(cv2.GaussianBlur(picture, (0, 0), 1.5)).reshape(*picture.shape[:2], -1).astype(np.float64)
    found: list[tuple[float, Array, Mapping[str, Line]]] = []
    for sides in _likely(edges, keep_out, size_px, tilt, sure):
        corners = corners_of(sides)
        lengths = side_lengths(corners).reshape(2, 2).mean(0)
        if np.any(np.abs(lengths - size_px) > sure * np.array(size_px) + SETTLE_PX):
            continue
        if _other_shape(lengths, size_px):
            continue
        covers = covers_of(corners, near, keep_out)
        if covers is None or min(covers) < LEAST_WORST:
            continue
        if not holds_cards(corners, keep_out) and parts_tones(corners, soft, ~keep_out):
            found.append((min(covers), corners, sides))
    if not found:
        return None
    worst, corners, sides = max(found, key=lambda one: one[0])
    others = [cover for cover, other, _ in found if np.abs(other - corners).max() > SAME_PX]
    return None if max(others, default=0.0) > OUTDOES * worst else _settled(sides, edges)


def _other_shape(lengths: Array, size_px: tuple[float, float]) -> bool:
    """Whether a width and height (2,) px are too unlike those of the size to be them at any one scale.

    A picture's side and its sheet's other one make rectangles about as large as the sheet, but not of its shape.
    """
    shares = lengths / size_px
    return bool(abs(shares[0] - shares[1]) * min(size_px) > UNLIKE * min(size_px) + UNLIKE_PX)


def _likely(
    edges: tuple[Array, Array], keep_out: Mask, size_px: tuple[float, float], tilt: float, sure: float
) -> Iterator[Mapping[str, Line]]:
    """Rectangles of about that size: of lines that stand out, and where edges lie round a place as such sides would."""
    pairs = [_apart(edges[k], (np.pi / 2, 0.0)[k], tilt, size_px[1 - k], sure) for k in (0, 1)]
    for (top, bottom), (left, right) in product(*pairs):
        if abs((top.angle + bottom.angle - left.angle - right.angle) / 2 - np.pi / 2) <= OFF_SQUARE:
            yield dict(zip(SIDES, (top, right, bottom, left), strict=True))
    for corners in _places(thickened(edges, round(EDGE_PX)), keep_out, size_px, tilt, sure):
        yield _settled(_settled(sides_through(corners), edges), edges)


def _settled(sides: Mapping[str, Line], edges: tuple[Array, Array]) -> dict[str, Line]:
    return {name: settled(name, sides, edges[SIDES.index(name) % 2]) for name in SIDES}


def _apart(edges: Array, middle: float, tilt: float, px: float, sure: float) -> list[tuple[Line, Line]]:
    """Pairs of lines that run alike at a distance."""
    lines = lines_along(edges, middle, tilt, MORE_LINES)
    room = px * (sure + OFF_SQUARE) + SETTLE_PX  # lines that lean lie nearer to each other on one side
    return [
        (a, b)
        for a, b in product(lines, lines)
        if abs(b.offset - a.offset - px) < room and abs(a.angle - b.angle) < OFF_SQUARE
    ]


def _places(
    near: tuple[Mask, Mask], keep_out: Mask, size_px: tuple[float, float], tilt: float, sure: float
) -> list[Array]:
    """Corners (4, 2) of rectangles of that size, laid anywhere, turned by up to `tilt`: the best by their worst side.

    Once the size is known a place and a turn say all: the four covers are sums along rows and columns of turned maps.
    """
    size = (keep_out.shape[1] // SHRINK, keep_out.shape[0] // SHRINK)
    small = [cv2.resize(m.astype(np.float32), size, interpolation=cv2.INTER_AREA) for m in (*near, ~keep_out)]
    width, height = (round(px / SHRINK) for px in size_px)
    whole = int(np.hypot(*size)) + 2 * (int(BEYOND * max(width, height)) + 2)
    slack = np.ones((2 * (round(sure * max(width, height)) + 2) + 1,) * 2, np.uint8)
    box = np.array([[0, 0], [width, 0], [width, height], [0, height]], dtype=np.float64)
    found: list[tuple[float, Array]] = []
    for angle in np.arange(-round(tilt / TURN), round(tilt / TURN) + 1) * TURN:
        turn = cv2.getRotationMatrix2D((size[0] / 2, size[1] / 2), np.rad2deg(angle), 1)
        turn[:, 2] += whole / 2 - np.array(size) / 2
        level, upright, seen = (np.asarray(cv2.warpAffine(m, turn, (whole, whole)), np.float32) for m in small)
        across, down = _runs(level, seen, width), _runs(upright.T, seen.T, height).T
        across_near, down_near = (np.asarray(cv2.dilate(m, slack)) for m in (across, np.ascontiguousarray(down)))
        worst = np.minimum(across[:-height, :-width], across_near[height:, :-width])
        worst = np.minimum(worst, np.minimum(down_near[:-height, :-width], down_near[:-height, width:]))
        back = cv2.invertAffineTransform(turn)
        for cover, x, y in _highest(worst):
            found.append((cover, ((box + np.array([x, y])) @ back[:, :2].T + back[:, 2] + 0.5) * SHRINK - 0.5))
    places: list[Array] = []
    for _, corners in sorted(found, key=lambda one: -one[0]):
        if len(places) < MOST_PLACES and all(np.abs(corners - one).max() > SAME_PX / 2 for one in places):
            places.append(corners)
    return places


def _highest(worst: Floats) -> Iterator[tuple[float, int, int]]:
    """The highest of a map, and their columns and rows, no two beside each other."""
    left = worst.copy()
    for _ in range(EACH_TURN):
        y, x = np.unravel_index(int(left.argmax()), left.shape)
        if left[y, x] < LEAST_SIDE_COVER:
            return
        yield float(left[y, x]), int(x), int(y)
        left[max(0, y - 4) : y + 5, max(0, x - 4) : x + 5] = 0


def _runs(edge: Floats, seen: Floats, length: int) -> Floats:
    """Share of what is seen of so many px along a row, from each pixel on, that shows an edge; 0 where too little is
    seen of them, and where the edge goes on beyond both ends, as lines of a table do."""
    ends = max(1, round(BEYOND * length))
    cover, beyond = _shares(edge, seen, length), _shares(edge, seen, ends)
    before, after = np.roll(beyond, ends, axis=1), np.roll(beyond, -length, axis=1)
    return np.asarray(np.where(np.minimum(before, after) > MOST_BEYOND, 0, cover), dtype=np.float32)


def _shares(edge: Floats, seen: Floats, length: int) -> Floats:
    shown, visible = (_sums(m, length) for m in (edge * seen, seen))
    return np.asarray(np.where(visible >= LEAST_VISIBLE * length, shown / np.maximum(visible, 1), 0), np.float32)


def _sums(values: Floats, length: int) -> Array:
    """Of so many values along a row from each on."""
    total = np.pad(np.cumsum(values, axis=1, dtype=np.float64), ((0, 0), (1, length)), mode="edge")
    total[:, 0] = 0
    return np.asarray(total[:, length:-1] - total[:, : -length - 1], dtype=np.float64)
