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

from stitchbed.ground.box import Box, spanning
from stitchbed.ground.motion import moved
from stitchbed.placing.placement import Placement, from_sheet, local_affine, outline, to_sheet

Array = NDArray[np.float64]
Floats = NDArray[np.float32]
ReadGray = Callable[[str, Box], Floats]
SETTLED = 0.02  # px; a step this small is good to its square, and 1/64 px of it may come from looking in steps of 1/32


@dataclass(frozen=True)
class TieSettings:
    """window_mm: side of a window; 4 mm holds a few strokes and is short against the bed's errors.
    per_pair, total: most ties per overlap and per set; the first round, which only has to come
    near, takes first_share of them. widest_px: a window is no wider, whatever the dpi. least_correlation: windows
    less alike are not ties.
    noise: gray levels (0..255) of noise assumed at least. floor_px: no tie is believed better than this.
    """

    window_mm: float = 4.0
    per_pair: int = 140
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
    xy = np.column_stack([col, row])[strongest].astype(float)
    return (xy + 0.5) * texture.reduction - 0.5


def measure(
    places: Sequence[Placement],
    jobs: Mapping[tuple[int, int], Array],
    read: ReadGray,
    *,
    window_px: int,
    reach_px: int,
    settings: TieSettings,
    workers: int = 1,
) -> Ties:
    """Measure every place of `jobs` ({(a, b): (N, 2) px of tile a}) in tile b, within `reach_px` of where it should
    be."""

    def one_pair(pair: tuple[int, int]) -> list[tuple[int, int, Array, Array, Array, float]]:
        a, b = pair
        rows = []
        for xy in jobs[pair][np.argsort(jobs[pair][:, 1], kind="stable")]:
            got = _one_tie(places[a], places[b], np.round(xy), read, (window_px, reach_px), settings)
            if got is not None:
                rows.append((a, b, *got))
        return rows

    with ThreadPoolExecutor(workers) as pool:
        rows = [row for part in pool.map(one_pair, sorted(jobs)) for row in part]
    return gathered(rows)


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


def _one_tie(
    one: Placement, two: Placement, xy: Array, read: ReadGray, shape: tuple[int, int], settings: TieSettings
) -> tuple[Array, Array, Array, float] | None:
    window, reach = shape
    half = window // 2
    box = Box(int(xy[1]) - half, int(xy[0]) - half, window, window)
    if box.row < 0 or box.col < 0 or box.bottom > one.size[0] or box.right > one.size[1]:
        return None
    center = np.array([box.col + (window - 1) / 2, box.row + (window - 1) / 2])
    two_from_one = local_affine(two, one, center)
    source = _source_box(two_from_one, box, reach + 4)
    if source.row < 0 or source.col < 0 or source.bottom > two.size[0] or source.right > two.size[1]:
        return None
    template = read(one.tile, box)
    picture = read(two.tile, source)
    found = _located(template, picture, two_from_one, (box, source), reach, settings)
    if found is None:
        return None
    shift, info, correlation = found
    return center, moved(two_from_one, (center + shift)[None])[0], info, correlation


def _source_box(two_from_one: Array, box: Box, reach: int) -> Box:
    low_x, low_y = box.col - reach, box.row - reach
    high_x, high_y = box.right + reach, box.bottom + reach
    there = moved(two_from_one, np.array([[low_x, low_y], [high_x, low_y], [high_x, high_y], [low_x, high_y]], float))
    low, high = np.floor(there.min(0)).astype(int) - 2, np.ceil(there.max(0)).astype(int) + 3
    return spanning(int(low[1]), int(low[0]), int(high[1]), int(high[0]))


def _located(
    template: Floats, picture: Floats, two_from_one: Array, boxes: tuple[Box, Box], reach: int, settings: TieSettings
) -> tuple[Array, Array, float] | None:
    """Shift (2,) px in the first tile's frame, its information matrix and the correlation; None when not found.

    Coarse by normalized correlation, fine by Gauss-Newton on gray values with free gain and offset; the gradient is the
    mean of both windows', taken once (Baker & Matthews, IJCV 56:221-255, 2004, on the choice of gradient).
    """
    box, source = boxes
    window, corner = box.width, np.array([box.col, box.row], float)
    wide = _resampled(picture, _aimed(two_from_one, corner - reach, source)[0], window + 2 * reach)
    if template.std() < 0.3 or wide.std() < 0.3:
        return None
    _, score, _, peak = cv2.minMaxLoc(cv2.matchTemplate(wide, template, cv2.TM_CCOEFF_NORMED))
    if score < settings.least_correlation or min(peak) < 1 or max(peak) > 2 * reach - 1:
        return None
    shift = np.array([peak[0] - reach, peak[1] - reach], float)
    start, variance = shift, 0.0
    slopes = _slopes(template, _resampled(picture, _aimed(two_from_one, corner + shift, source)[0], window))
    for _ in range(6):
        matrix, at = _aimed(two_from_one, corner + shift, source)
        step, variance, score = _newton(template, _resampled(picture, matrix, window), slopes)
        shift = at - corner + np.clip(step, -1, 1)
        if np.abs(shift - start).max() > 2 or score < settings.least_correlation:
            return None
        if np.abs(step).max() < SETTLED:
            break
    covariance: Array = max(variance, settings.noise**2) * slopes.inverse + settings.floor_px**2 * np.eye(2)
    return shift, np.asarray(np.linalg.inv(covariance), np.float64), score


def _aimed(two_from_one: Array, origin: Array, source: Box) -> tuple[Array, Array]:
    """2x3 matrix from a window at `origin` (x, y) of the first tile into `source`, and the origin it truly stands for.

    OpenCV looks between pixels in steps of 1/32 px: the shift is set on such a step, so that it is known exactly.
    """
    linear = two_from_one[:2, :2]
    shift = linear @ origin + two_from_one[:2, 2] - (source.col, source.row)
    snapped = np.rint(32 * shift) / 32
    return np.column_stack([linear, snapped]), origin + np.linalg.solve(linear, snapped - shift)


@dataclass(frozen=True)
class _Slopes:
    """Mean gradient of both windows, (2, n), and the inverse of its 2 x 2 normal matrix."""

    both: Array
    inverse: Array


def _resampled(picture: Floats, source_from_window: Array, side: int) -> Floats:
    """A side x side window of the first tile's frame, read from the second tile's pixels.

    Lanczos, because OpenCV's cubic kernel (a = -.75) moves smooth content by up to .047 px between pixels.
    """
    flags = cv2.INTER_LANCZOS4 | cv2.WARP_INVERSE_MAP
    return cv2.warpAffine(picture, source_from_window, (side, side), flags=flags, borderMode=cv2.BORDER_REPLICATE)


INNER = (slice(2, -2), slice(2, -2))


def _slopes(template: Floats, here: Floats) -> _Slopes:
    """Taken once, at the coarse shift: it is within half a pixel, where gradients hardly change any more."""
    a, b = template[INNER], here[INNER]
    gain = float(a.std()) / max(float(b.std()), 1e-6)
    mean = (template + gain * here) * np.float32(0.5)
    x = cv2.Sobel(mean, cv2.CV_32F, 1, 0, scale=0.125)[INNER].ravel().astype(float)
    y = cv2.Sobel(mean, cv2.CV_32F, 0, 1, scale=0.125)[INNER].ravel().astype(float)
    both = np.stack([x, y])
    return _Slopes(both, np.linalg.inv(both @ both.T + 1e-6 * np.eye(2)))


def _newton(template: Floats, here: Floats, slopes: _Slopes) -> tuple[Array, float, float]:
    """One step: shift still to go (2,), variance of what is left (gray levels squared), correlation."""
    a, b = template[INNER] - template[INNER].mean(), here[INNER] - here[INNER].mean()
    power, common = max(float(np.vdot(b, b)), 1e-6), float(np.vdot(a, b))
    score = common / np.sqrt(max(float(np.vdot(a, a)) * power, 1e-12))
    rest = (a - np.float32(common / power) * b).ravel().astype(float)
    step: Array = slopes.inverse @ (slopes.both @ rest)
    return step, float(rest @ rest) / len(rest), score


def misfits(places: Sequence[Placement], ties: Ties) -> Array:
    """(N, 2) sheet px: where tile b puts each tie minus where tile a puts it."""
    result = np.zeros((len(ties.a), 2))
    for index, place in enumerate(places):
        mine_a, mine_b = ties.a == index, ties.b == index
        result[mine_a] -= to_sheet(place, ties.xy_a[mine_a])
        result[mine_b] += to_sheet(place, ties.xy_b[mine_b])
    return result
