"""I find the rectangle that parts what lies on a table from the table, by what lies on both sides of each side.

In: a small flat view, where it surely shows table. Out: four lines, and which of them the pictures bear out all along.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array, Floats, Mask
from stitchbed.photos.sides.lines import (
    SIDES,
    Line,
    beside,
    corners_of,
    corners_of_all,
    edges_of,
    lines_along,
    settled,
    thickened,
)
from stitchbed.photos.sides.nested import edge_beside, nested
from stitchbed.photos.sides.rectangle import Rectangle
from stitchbed.photos.sides.table import strangeness, unbroken

ACROSS_PX = 6.0  # where strangeness within and beyond an edge is compared, to find lines: a patch's half and some
BESIDE_PX = (6.0, 10.0, 15.0)  # where it is compared along a whole side
LEAST_LINE = 0.1  # weight of an edge that parts nothing
CANDIDATES = 7  # lines for each side
SHRINK = 4  # areas are counted on a view this much smaller
LEAST_AREA = 0.04  # share of the view
LEAST_PARTED = 0.7  # mean strangeness within less that beyond, for a side that is borne out
MOST_TABLE_LIKE, MOST_STRANGE = 0.25, 0.2  # shares of a side that may look like table within, and strange beyond
LEAST_SEEN = 0.1  # share of a side that must be seen
OTHER_PX = 8.0  # of the view: corners farther apart than that are another rectangle's
CLOSED_PX = 15  # gaps up to that between what is strange and what is bare belong to both
LEAST_FILLED = 0.75  # strange area within, less table-like area, over all strange area
CORNER_PX = np.arange(4.0, 14.0, 2.0)  # from a corner inwards along both sides, of the view: some 3 to 8 mm
LIKE_TABLE, UNLIKE_TABLE = 0.5, 0.8  # mean strangeness of a corner that shows table, and of one that does not
LEAST_PLACES = 10  # of a corner that must be seen
MOST_LEFT_OUT = 0.12  # of what is filled, given up for corners that show no table: a ruler along a side


@dataclass(frozen=True)
class Outline:
    """lines : the four sides. doubtful : sides that do not part the table from something else all along.

    filled : how much of what is strange lies within, less what is not strange there; 1 at best.
    inner : sides of another rectangle within, as a picture in its white margin has; None without.
    widened : the lines are those of a one-toned margin round what stands out from the table.
    at_rim : another rectangle is found where what the view's rim shows in one place only counts as no table.
    beside : something that lies against a side was left out, as a ruler: with it the rectangle has table in a corner.
    """

    lines: Mapping[str, Line]
    doubtful: tuple[str, ...]
    filled: float
    inner: Mapping[str, Line] | None = None
    widened: bool = False
    at_rim: bool = False
    beside: bool = False

    @property
    def clear(self) -> bool:
        """True when every side is borne out and nearly all that is no table lies within."""
        return not self.doubtful and self.filled >= LEAST_FILLED


def find_outline(
    picture: NDArray[np.uint8],
    keep_out: Mask,
    table: Mask,
    *,
    tilt: float,
    over: Callable[[Mapping[str, Line]], float] | None = None,
) -> Outline | None:
    """The rectangle of what lies on the table, or None when the table is not known or nothing rectangular lies on it.

    picture : (h, w, channels). keep_out : (h, w) True where cards lie or nothing is seen. table : where it is sure.
    tilt : rad, how far sides may lean. over : how far a rectangle reaches over what lies beside the work, as cards do;
    of two the one that does not is the work's.
    """
    edges = edges_of(picture, keep_out)
    found = _outline_of(strangeness(picture, table), picture, keep_out, edges, tilt)
    other = _outline_of(strangeness(picture, table, seen_once=False), picture, keep_out, edges, tilt)
    if other is None or not other.clear:
        return found
    if found is None or not found.clear:
        return other
    reach = [0.0 if over is None else over(one.lines) for one in (found, other)]
    if min(reach) <= 0 < max(reach):
        return found if reach[0] <= 0 else other
    apart = np.abs(corners_of(other.lines) - corners_of(found.lines)).max()
    return replace(other, at_rim=True) if apart > OTHER_PX else found


def outline_of_unbroken(picture: NDArray[np.uint8], keep_out: Mask, table: Mask, *, tilt: float) -> Outline | None:
    """The same for a work like parts of a patterned table, as pale paper on checked cloth, by what the pattern does not
    break; None where the table has none, or too much of what is no table lies elsewhere. Arguments as above.
    """
    strange, whole = strangeness(picture, table), unbroken(picture, table, keep_out)
    if strange is None or whole is None:
        return None
    between = np.ones((CLOSED_PX, CLOSED_PX), np.uint8)  # strokes part what is bare
    both = np.asarray(cv2.morphologyEx(np.maximum(strange, whole), cv2.MORPH_CLOSE, between), np.float32)
    found = _outline_of(both, picture, keep_out, edges_of(picture, keep_out), tilt)
    return found if found is not None and found.filled >= LEAST_FILLED else None


def outline_at_rim(picture: NDArray[np.uint8], keep_out: Mask, table: Mask, *, tilt: float) -> Outline | None:
    """The same for a work that lies so near an end of the view that it counts as table there: by what the table looks
    like elsewhere. Arguments as above.
    """
    h, w = table.shape
    edges = edges_of(picture, keep_out)
    best: Outline | None = None
    for part in np.s_[: h // 3, :], np.s_[-h // 3 :, :], np.s_[:, : w // 3], np.s_[:, -w // 3 :]:
        elsewhere = table.copy()
        elsewhere[part] = False
        found = _outline_of(strangeness(picture, elsewhere), picture, keep_out, edges, tilt)
        if found is not None and found.clear and (best is None or found.filled > best.filled):
            best = found
    return None if best is None else replace(best, at_rim=True)


def _outline_of(
    strange: Floats | None, picture: NDArray[np.uint8], keep_out: Mask, edges: tuple[Array, Array], tilt: float
) -> Outline | None:
    if strange is None:
        return None
    strange = np.asarray(cv2.medianBlur((255 * strange).astype(np.uint8), 5), np.float32) / np.float32(255)
    lines = _candidates(strange, keep_out, edges, tilt)
    rectangles = _filled(lines, strange, keep_out)
    if not rectangles:
        return None
    filled, rectangle = max(rectangles, key=lambda one: one[0])
    sides = _settled(rectangle, edges)
    doubtful = _doubtful(sides, strange, ~keep_out)
    alone = _without_table(rectangles, strange, keep_out, edges)
    if alone is not None:
        without = _settled(alone[1], edges)
        kept = {name for name, a, b in zip(SIDES, alone[1], rectangle, strict=True) if a == b}
        if kept and not kept.intersection(_doubtful(without, strange, ~keep_out)):
            return Outline(without, (), alone[0], beside=True)
    outer = nested(sides, edges, picture, ~keep_out, outward=True)
    if outer is not None:
        return Outline(outer, doubtful, filled, sides, True)
    return Outline(sides, doubtful, filled, nested(sides, edges, picture, ~keep_out, outward=False))


def _settled(rectangle: Rectangle, edges: tuple[Array, Array]) -> dict[str, Line]:
    sides = dict(zip(SIDES, rectangle, strict=True))
    return {name: settled(name, sides, edges[SIDES.index(name) % 2]) for name in SIDES}


def _candidates(strange: Floats, keep_out: Mask, edges: tuple[Array, Array], tilt: float) -> list[list[Line]]:
    """Lines that edges follow where table turns into something else, for each side."""
    soft = cv2.blur(strange, (5, 5))
    step = round(ACROSS_PX)
    outward = {"top": (0, -1), "right": (1, 0), "bottom": (0, 1), "left": (-1, 0)}
    lines = []
    for index, name in enumerate(SIDES):
        dx, dy = outward[name]
        within = np.roll(soft, (dy * step, dx * step), axis=(0, 1))
        beyond = np.roll(soft, (-dy * step, -dx * step), axis=(0, 1))
        parts = np.clip(within - beyond, 0, 1)
        weight = edges[index % 2] * np.maximum(parts, LEAST_LINE) + _crests(parts, index % 2) * ~keep_out
        lines.append(lines_along(weight, np.pi / 2 if index % 2 == 0 else 0.0, tilt, CANDIDATES))
    return lines


def _crests(parts: Array, axis: int) -> Array:
    """Where table turns into something else most steeply, across (axis 0) or along the rows, without any sharp edge."""
    kernel = np.ones((9, 1) if axis == 0 else (1, 9), np.uint8)
    return np.asarray((parts >= 0.5) & (parts >= cv2.dilate(parts, kernel)), dtype=np.float64)


def _filled(lines: Sequence[Sequence[Line]], strange: Floats, keep_out: Mask) -> list[tuple[float, Rectangle]]:
    """Rectangles, and how much each holds of what is strange, less what it holds of what is not, over all of it."""
    h, w = strange.shape
    size = (w // SHRINK, h // SHRINK)
    seen = cv2.resize((~keep_out).astype(np.float32), size, interpolation=cv2.INTER_AREA)
    worth = (cv2.resize(strange, size, interpolation=cv2.INTER_AREA) - np.float32(0.5)) * seen
    total = float(np.maximum(worth, 0).sum())
    if total <= 0:
        return []
    rectangles = [(top, right, bottom, left) for top, right, bottom, left in product(*lines)]
    corners = _corners_of_each(rectangles)
    x, y = np.moveaxis(corners, -1, 0)
    area = (np.roll(x, 1, 1) * y - x * np.roll(y, 1, 1)).sum(
        axis=1
    ) / 2  # below zero where sides lie the wrong way round
    whole = np.all((corners >= 0) & (corners <= [w - 1, h - 1]), axis=(1, 2))
    found = []
    for number in np.flatnonzero(whole & (area >= LEAST_AREA * strange.size)):
        inside = np.zeros(worth.shape, np.uint8)
        cv2.fillConvexPoly(inside, np.rint((corners[number] + 0.5) / SHRINK - 0.5).astype(np.int32), 1)
        found.append((float(worth[inside > 0].sum()) / total, rectangles[number]))
    return found


def _corners_of_each(rectangles: Sequence[Rectangle]) -> Array:
    """(N, 4, 2) px."""
    lines = [[(side.angle, side.offset) for side in one] for one in rectangles]
    return corners_of_all(np.reshape(lines, (-1, 4, 2)))


def _without_table(
    rectangles: Sequence[tuple[float, Rectangle]], strange: Floats, keep_out: Mask, edges: tuple[Array, Array]
) -> tuple[float, Rectangle] | None:
    """Where the fullest rectangle shows table, or a card, in a corner the fullest that shows neither and leaves out
    little, else None. Sides may also lie at the next edge within.

    What lies against a side, as a ruler, is seldom as long as that side, so that beside its ends there is table.
    """
    most, fullest = max(rectangles, key=lambda one: one[0])
    if np.all(_at_corners(_corners_of_each([fullest]), strange, ~keep_out) >= LIKE_TABLE):
        return None
    sides, near = dict(zip(SIDES, fullest, strict=True)), thickened(edges)
    within = [edge_beside(name, sides, near[k % 2], ~keep_out, outward=False)[1] for k, name in enumerate(SIDES)]
    more = _filled(list(zip(fullest, within, strict=True)), strange, keep_out)
    likely = [one for one in [*rectangles, *more] if one[0] >= most - MOST_LEFT_OUT]
    corners = _at_corners(_corners_of_each([one for _, one in likely]), strange, ~keep_out)
    shown = np.all(corners >= UNLIKE_TABLE, axis=1)
    return max((one for one, own in zip(likely, shown, strict=True) if own), key=lambda one: one[0], default=None)


def _at_corners(corners: Array, strange: Floats, visible: Mask) -> Array:
    """(N, 4) mean strangeness just within the corners (N, 4, 2) of rectangles; NaN where too little is visible."""
    ways = [np.roll(corners, step, axis=1) - corners for step in (1, -1)]
    along = [way / np.linalg.norm(way, axis=-1, keepdims=True) for way in ways]
    a, b = (step.reshape(-1, 1) for step in np.meshgrid(CORNER_PX, CORNER_PX))
    at = corners[..., None, :] + a * along[0][..., None, :] + b * along[1][..., None, :]
    x, y = np.moveaxis(np.clip(np.rint(at), 0, np.array(strange.shape)[::-1] - 1).astype(np.intp), -1, 0)
    seen = visible[y, x]
    total = np.where(seen, strange[y, x], 0).sum(axis=-1)
    return np.asarray(np.where(seen.sum(axis=-1) >= LEAST_PLACES, total / np.maximum(seen.sum(axis=-1), 1), np.nan))


def _doubtful(sides: Mapping[str, Line], strange: Floats, visible: Mask) -> tuple[str, ...]:
    """Sides along which the table does not turn into something else all along."""
    corners = corners_of(sides)
    names = []
    for index, name in enumerate(SIDES):
        a, b = corners[index], corners[(index + 1) % 4]
        within, beyond = [], []
        for away in BESIDE_PX:
            outer, inner = beside(a, b, corners.mean(0), away, visible.shape)
            seen = visible[outer[1], outer[0]] & visible[inner[1], inner[0]]
            within.append(np.where(seen, strange[inner[1], inner[0]], np.nan))
            beyond.append(np.where(seen, strange[outer[1], outer[0]], np.nan))
        if not _borne_out(np.array(within), np.array(beyond)):
            names.append(name)
    return tuple(names)


def _borne_out(within: Array, beyond: Array) -> bool:
    """Whether strangeness (distances, places) along a side speaks for it; NaN where a card hides it."""
    seen = np.isfinite(within)
    if seen.mean() < LEAST_SEEN:
        return False
    inner, outer = within[seen], beyond[seen]
    parted = float(inner.mean() - outer.mean())
    return bool(
        parted >= LEAST_PARTED and np.mean(inner < 0.5) <= MOST_TABLE_LIKE and np.mean(outer > 0.5) <= MOST_STRANGE
    )
