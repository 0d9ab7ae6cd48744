"""I measure tie points again on full-resolution windows, to a few hundredths of a pixel.

In: placements good to some pixels, and a way to read windows. Out: `Ties`, with how sure each is in which direction.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array, Floats
from stitchbed.imaging.box import Box
from stitchbed.matching.subpixel import ROOM, Sought, information, locate
from stitchbed.mosaic.registration.placement import Placement, from_sheet, is_barred, local_affines, outline, to_sheet

ReadGray = Callable[[str, Box], Floats]

SPARE, TOGETHER = 1.5, 2**20  # windows are read together where that takes little more px than they have, and few in all


@dataclass(frozen=True)
class TieSettings:
    """window_mm: side of a window; 4 mm holds a few strokes and is short against the bed's errors.
    per_pair, total: most ties per overlap and per set, where few pieces share little the bed needs them all; windows
    of one overlap do not cover each other. The first round, which only has to come
    near, takes first_share of them. widest_px: a window is no wider, whatever the dpi. least_correlation: windows
    less alike are not ties.
    noise: gray levels (0..255) of noise assumed at least. floor_px: no tie is believed better than this.
    """

    window_mm: float = 4.0
    per_pair: int = 320
    total: int = 5000
    first_share: float = 0.35
    widest_px: int = 64
    least_correlation: float = 0.5
    noise: float = 1.0
    floor_px: float = 0.03


@dataclass(frozen=True)
class Ties:
    """Measured correspondences.

    a, b : (N,) index of the tiles. xy_a, xy_b : (N, 2) px, tile frames.
    info : (N, 2, 2) px^-2, inverse covariance in the frame of tile a. correlation : (N,).
    """

    a: NDArray[np.intp]
    b: NDArray[np.intp]
    xy_a: Array
    xy_b: Array
    info: Array
    correlation: Array


@dataclass(frozen=True)
class Texture:
    """How good each place of a tile is for measuring: smaller eigenvalue of the structure tensor on a reduced view."""

    strength: Floats
    reduction: int


def texture_of(view_gray: Floats, reduction: int, window_px: int) -> Texture:
    """Texture of a reduced gray view (0..255)."""
    block = max(3, round(window_px / reduction))
    return Texture(cv2.cornerMinEigenVal(view_gray, block, ksize=3), reduction)


def overlaps(places: Sequence[Placement], least_px: float) -> list[tuple[int, int, float]]:
    """(i, j, area px^2) of every two tiles whose outlines share more than least_px squared."""
    shapes = [outline(place).astype(np.float32) for place in places]
    low = np.array([shape.min(0) for shape in shapes])
    high = np.array([shape.max(0) for shape in shapes])
    found = []
    for i in range(len(places)):
        near = np.flatnonzero((low[i + 1 :] < high[i]).all(1) & (high[i + 1 :] > low[i]).all(1)) + i + 1
        for j in near:
            area, _ = cv2.intersectConvexConvex(shapes[i], shapes[j])
            if area > least_px**2:
                found.append((i, int(j), float(area)))
    return found


def width_shared(one: Placement, two: Placement) -> float:
    """Sheet px across what two tiles share, the shorter way; 0 where they share nothing."""
    _, shared = cv2.intersectConvexConvex(outline(one).astype(np.float32), outline(two).astype(np.float32))
    return float(min(cv2.minAreaRect(shared)[1])) if shared is not None else 0.0


def spots(
    places: tuple[Placement, Placement], texture: Texture, count: int, *, margin_px: float, shy_px: float
) -> Array:
    """Up to `count` places (N, 2) px of the first tile, spread over the overlap, at the best texture of each cell.

    margin_px : kept from both tiles' edges. shy_px : within this of an edge a place counts less (sheets lift there).
    """
    one, two = places
    weight = _edge_weight(texture, one, two, margin_px, shy_px)
    if not weight.any():
        return np.zeros((0, 2))
    score = texture.strength * weight
    step = max(2, int(np.sqrt((weight > 0).sum() / count)))
    h, w = (score.shape[0] // step) * step, (score.shape[1] // step) * step
    cells = score[:h, :w].reshape(h // step, step, w // step, step).swapaxes(1, 2).reshape(-1, step * step)
    best = cells.argmax(1)
    keep = np.flatnonzero(cells.max(1) > 0)
    row = keep // (w // step) * step + best[keep] // step
    col = keep % (w // step) * step + best[keep] % step
    strongest = np.argsort(-score[row, col], kind="stable")[: int(1.5 * count)]
    xy = (np.column_stack([col, row])[strongest].astype(float) + 0.5) * texture.reduction - 0.5
    return xy[~is_barred(one, xy) & ~is_barred(two, from_sheet(two, to_sheet(one, xy)))]


def measure(
    places: Sequence[Placement],
    jobs: Mapping[tuple[int, int], Array],
    read: ReadGray,
    *,
    window_px: int,
    reach_px: int,
    settings: TieSettings,
    workers: int = 1,
    near: bool = False,
) -> Ties:
    """Measure every place of `jobs` ({(a, b): (N, 2) px of tile a}) in tile b, within `reach_px` of where it should
    be. near : the placements are good to half a pixel already."""

    def one_pair(pair: tuple[int, int]) -> Ties:
        return _measured(places, pair, jobs[pair], read, (window_px, reach_px, near), settings)

    with ThreadPoolExecutor(workers) as pool:
        return together(list(pool.map(one_pair, sorted(jobs))))


def gathered(rows: Sequence[tuple[int, int, Array, Array, Array, float]]) -> Ties:
    """Ties from rows (a, b, xy_a, xy_b, info, correlation)."""
    n = len(rows)
    return Ties(
        np.array([r[0] for r in rows], np.intp),
        np.array([r[1] for r in rows], np.intp),
        np.array([r[2] for r in rows]).reshape(n, 2),
        np.array([r[3] for r in rows]).reshape(n, 2),
        np.array([r[4] for r in rows]).reshape(n, 2, 2),
        np.array([r[5] for r in rows]),
    )


def chosen(ties: Ties, keep: NDArray[np.bool_] | NDArray[np.intp]) -> Ties:
    """The ties at `keep`."""
    return Ties(ties.a[keep], ties.b[keep], ties.xy_a[keep], ties.xy_b[keep], ties.info[keep], ties.correlation[keep])


def together(parts: Sequence[Ties]) -> Ties:
    """All ties of several tables, in order."""
    if not parts:
        return gathered([])
    names = ("a", "b", "xy_a", "xy_b", "info", "correlation")
    return Ties(*(np.concatenate([getattr(part, name) for part in parts]) for name in names))


def _edge_weight(texture: Texture, one: Placement, two: Placement, margin: float, shy: float) -> Floats:
    """0 outside the overlap, rising to 1 at shy px from the nearest edge of either tile; on the first tile's view."""
    r = texture.reduction
    h, w = texture.strength.shape
    small = np.zeros((h, w), np.uint8)
    there = from_sheet(one, outline(two, margin))
    cv2.fillConvexPoly(small, np.round((there + 0.5) / r - 0.5).astype(np.int32), 1)
    rim = max(1, int(np.ceil(margin / r)))
    small[:rim], small[h - rim :], small[:, :rim], small[:, w - rim :] = 0, 0, 0, 0
    if not small.any():
        return small.astype(np.float32)
    depth = cv2.distanceTransform(np.pad(small, 1), cv2.DIST_L2, 3)[1:-1, 1:-1]
    # squared: strong texture right at an edge must not beat fair texture further in
    return np.clip((depth * r + 1) / max(shy, 1.0), 0, 1) ** 2 * small


def _measured(
    places: Sequence[Placement],
    pair: tuple[int, int],
    xy: Array,
    read: ReadGray,
    shape: tuple[int, int, bool],
    settings: TieSettings,
) -> Ties:
    """The ties of one overlap, those found. shape : px of a window, reach px and near, as in `measure`."""
    one, two = places[pair[0]], places[pair[1]]
    window, reach, near = shape
    xy = np.round(xy[np.argsort(xy[:, 1], kind="stable")])
    corner = xy - window // 2
    inside = np.all((corner >= 0) & (corner + window <= one.size[::-1]), axis=1)
    center = corner[inside] + (window - 1) / 2
    two_from_one = local_affines(two, one, center)
    boxes = _source_boxes(two_from_one, center, window / 2 + reach + ROOM)
    inside = np.all((boxes[:, 0] >= 0) & (boxes[:, 1] <= two.size[::-1]), axis=1)
    center, two_from_one = center[inside], two_from_one[inside]
    corner = center - (window - 1) / 2
    templates = _read_all(one.tile, np.stack([corner, corner + window], axis=1).astype(np.intp), read)
    pictures = _read_all(two.tile, boxes[inside], read)
    to_picture = two_from_one[:, :2].copy()
    to_picture[:, :, 2] -= boxes[inside, 0]
    least = settings.least_correlation
    found = locate(templates, pictures, Sought(corner, to_picture), reach=reach, least=least, near=near)
    kept = found.kept
    there = center[kept] + found.shift[kept]
    xy_b = np.einsum("nij,nj->ni", two_from_one[kept, :2, :2], there) + two_from_one[kept, :2, 2]
    info = information(found, window, noise=settings.noise, floor_px=settings.floor_px)[kept]
    count = int(kept.sum())
    return Ties(np.full(count, pair[0]), np.full(count, pair[1]), center[kept], xy_b, info, found.score[kept])


def _read_all(tile: str, boxes: NDArray[np.intp], read: ReadGray) -> list[Floats]:
    """Gray windows of (n, 2, 2) first and past-the-last (x, y) px, neighbors in the list read together: a call costs
    as much as hundreds of px do."""
    found: list[Floats] = []
    while len(found) < len(boxes):
        left = boxes[len(found) :]
        low, high = np.minimum.accumulate(left[:, 0]), np.maximum.accumulate(left[:, 1])
        area, own = (high - low).prod(1), (left[:, 1] - left[:, 0]).prod(1).cumsum()
        fits = (area <= SPARE * own) & (area <= TOGETHER)
        count = int(np.flatnonzero(fits)[-1]) + 1 if fits.any() else 1
        (x, y), (r, b) = low[count - 1].tolist(), high[count - 1].tolist()
        band = read(tile, Box(y, x, b - y, r - x))
        found += [band[y0 - y : y1 - y, x0 - x : x1 - x] for (x0, y0), (x1, y1) in left[:count].tolist()]
    return found


def _source_boxes(two_from_one: Array, center: Array, half: float) -> NDArray[np.intp]:
    """(n, 2, 2): first and past-the-last (x, y) px of the second tile under squares of the first."""
    square = np.array([[-half, -half], [half, -half], [half, half], [-half, half]])
    corners = center[:, None] + square
    there = np.einsum("nij,nkj->nki", two_from_one[:, :2, :2], corners) + two_from_one[:, None, :2, 2]
    return np.stack([np.floor(there.min(1)).astype(int) - 2, np.ceil(there.max(1)).astype(int) + 3], axis=1)


def residuals_of(places: Sequence[Placement], ties: Ties) -> Array:
    """(N, 2) sheet px: where tile b puts each tie minus where tile a puts it."""
    result = np.zeros((len(ties.a), 2))
    for index, place in enumerate(places):
        mine_a, mine_b = ties.a == index, ties.b == index
        result[mine_a] -= to_sheet(place, ties.xy_a[mine_a])
        result[mine_b] += to_sheet(place, ties.xy_b[mine_b])
    return result
