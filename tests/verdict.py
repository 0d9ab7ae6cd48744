"""I compare a joined canvas with the sheet it was made from, free of the gauge: of its place, size and brightness.

In: a canvas file, its record, the true sheet and tiles. Out: displacements in px after one affine motion is taken out,
ratios of light after one gain per channel is taken out.

Displacements are measured over windows of about 40 px by one least-squares step on blurred pictures (Lucas & Kanade,
1981), which needs no search because both are within a pixel of each other. Nothing here is shared with the package but
the tone curve: how the canvas came about is not asked.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import tifffile
import truth
from numpy.typing import NDArray
from scipy import ndimage

from stitchbed.imaging.transfer import to_linear, transfer_of

Array = NDArray[np.float64]
WINDOW = 12.0  # px, standard deviation of the window: about 40 px across


@dataclass(frozen=True)
class Verdict:
    """covered : share of the true sheet's middle (8 px from its rim) that the canvas shows.

    off : (N, 2) px, displacement left after the affine gauge; at : (N, 2) canvas px. rms, p99, worst : of its length.
    tone : (h, w, c) light over truth after the gauge, NaN where not covered. tone_p95, tone_worst : |ratio - 1| of it.
    canvas_from_sheet : 3x3, the gauge.
    """

    covered: float
    at: Array
    off: Array
    rms: float
    p99: float
    worst: float
    tone: Array
    tone_p95: float
    tone_worst: float
    canvas_from_sheet: Array


def judge(canvas: Path, record: Mapping[str, Any], sheet: truth.Floats, tiles: Sequence[truth.TrueTile]) -> Verdict:
    """All of it (see `Verdict`)."""
    light, seen = read_light(canvas)
    gauge = gauge_of(record, tiles)
    true, inside = _warped(sheet, gauge, light.shape[:2])
    both = ndimage.binary_erosion(seen & inside, iterations=3)
    gray, true_gray = light.mean(2), true.mean(2)
    field, sure = _displacements(gray, true_gray, both)
    at = _places(sure)
    off = field[at[:, 1].astype(int), at[:, 0].astype(int)]
    off = off - _affine_part(at, off)
    length = np.hypot(*off.T)
    tone = _tone(light, true, both)
    rest = np.abs(tone[np.isfinite(tone).all(2)] - 1)
    middle = ndimage.binary_erosion(inside, iterations=8)
    return Verdict(
        float(seen[middle].mean()), at, off, float(np.sqrt((length**2).mean())), float(np.percentile(length, 99)),
        float(length.max()), tone, float(np.percentile(rest, 95)), float(rest.max()), gauge,
    )  # fmt: skip


def read_light(path: Path) -> tuple[Array, NDArray[np.bool_]]:
    """(h, w, c) linear light of a canvas and where it shows something."""
    stored = tifffile.imread(path) if path.suffix == ".tif" else cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    if path.suffix != ".tif" and stored.ndim == 3:
        stored = np.concatenate([stored[..., 2::-1], stored[..., 3:]], axis=2)
    stored = stored if stored.ndim == 3 else stored[..., None]
    seen = stored[..., -1] > 0 if stored.shape[2] in (2, 4) else np.ones(stored.shape[:2], bool)
    color = np.ascontiguousarray(stored[..., : stored.shape[2] - stored.shape[2] % 2 if stored.shape[2] == 2 else 3])
    color = color if stored.shape[2] != 2 else color[..., :1]
    return to_linear(color, transfer_of(None)).astype(np.float64), seen


def near_dust(tiles: Sequence[truth.TrueTile], seen: Verdict, reach: int) -> NDArray[np.bool_]:
    """(h, w) places of the canvas within `reach` px of where any tile has a grain on the glass."""
    near = np.zeros(seen.tone.shape[:2], np.uint8)
    for tile in tiles:
        y, x = np.nonzero(tile.dust)
        at = np.rint(_through(seen.canvas_from_sheet @ tile.sheet_from_tile, np.column_stack([x, y]).astype(float)))
        inside = (at >= 0).all(1) & (at < near.shape[::-1]).all(1)
        near[at[inside, 1].astype(int), at[inside, 0].astype(int)] = 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    return np.asarray(cv2.dilate(near, kernel) > 0)


def gauge_of(record: Mapping[str, Any], tiles: Sequence[truth.TrueTile]) -> Array:
    """3x3 canvas_from_sheet, affine, that fits best to where the record puts the tiles' corners."""
    placed = {Path(row["tile"]).stem: np.array(row["canvas_from_tile"]) for row in record["placements"]}
    src, dst = [], []
    for tile in tiles:
        if tile.name in placed:
            corners = _corners(tile.pixels.shape)
            src.append(_through(tile.sheet_from_tile, corners))
            dst.append(_through(placed[tile.name], corners))
    return _fit(np.concatenate(src), np.concatenate(dst))


def corner_miss(record: Mapping[str, Any], tiles: Sequence[truth.TrueTile]) -> float:
    """Root mean square (px) by which the placed corners miss the gauge: what an affine motion cannot explain."""
    gauge = gauge_of(record, tiles)
    placed = {Path(row["tile"]).stem: np.array(row["canvas_from_tile"]) for row in record["placements"]}
    off = [
        _through(placed[tile.name], _corners(tile.pixels.shape))
        - _through(gauge @ tile.sheet_from_tile, _corners(tile.pixels.shape))
        for tile in tiles
        if tile.name in placed
    ]
    return float(np.sqrt((np.concatenate(off) ** 2).sum(1).mean()))


def _corners(shape: tuple[int, ...]) -> Array:
    h, w = shape[:2]
    return np.array([[0, 0], [w - 1, 0], [w - 1, h - 1], [0, h - 1]], float)


def _through(matrix: Array, xy: Array) -> Array:
    return xy @ matrix[:2, :2].T + matrix[:2, 2]


def _fit(src: Array, dst: Array) -> Array:
    solution = np.linalg.lstsq(np.column_stack([src, np.ones(len(src))]), dst, rcond=None)[0]
    return np.vstack([solution.T, [0, 0, 1]])


def _warped(sheet: truth.Floats, gauge: Array, shape: tuple[int, ...]) -> tuple[Array, NDArray[np.bool_]]:
    """The true sheet in the canvas frame, by a cubic spline, and where it has pixels."""
    back = np.linalg.inv(gauge)
    y, x = np.mgrid[: shape[0], : shape[1]]
    u, v = back[0, 0] * x + back[0, 1] * y + back[0, 2], back[1, 0] * x + back[1, 1] * y + back[1, 2]
    layers = [ndimage.map_coordinates(sheet[..., c], (v, u), order=3, mode="nearest") for c in range(sheet.shape[2])]
    inside = (u >= 0) & (v >= 0) & (u <= sheet.shape[1] - 1) & (v <= sheet.shape[0] - 1)
    return np.stack(layers, -1).astype(np.float64), inside


def _blur(picture: Array, sigma: float) -> Array:
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), sigma), np.float64)


def _displacements(gray: Array, true: Array, both: NDArray[np.bool_]) -> tuple[Array, NDArray[np.bool_]]:
    """(h, w, 2) px by which the canvas is moved against truth, and where that can be told."""
    mask = both.astype(np.float64)
    mass = np.maximum(_blur(mask, WINDOW), 1e-6)

    def level(picture: Array) -> Array:
        soft = _blur(np.where(both, picture, np.median(picture[both])), 1.2)
        return soft - _blur(soft * mask, WINDOW) / mass

    a, b = level(true), level(gray)
    gain = _blur(a * b * mask, WINDOW) / np.maximum(_blur(b * b * mask, WINDOW), 1e-9)
    gx, gy = np.gradient((a + gain * b) / 2, axis=1), np.gradient((a + gain * b) / 2, axis=0)
    rest = a - gain * b
    xx, xy, yy = (_blur(p * mask, WINDOW) for p in (gx * gx, gx * gy, gy * gy))
    rx, ry = _blur(gx * rest * mask, WINDOW), _blur(gy * rest * mask, WINDOW)
    det = xx * yy - xy * xy
    smaller = (xx + yy) / 2 - np.sqrt(((xx - yy) / 2) ** 2 + xy * xy)
    sure = (smaller > 0.1 * np.median(smaller[both])) & (mass > 0.9) & both
    safe = np.maximum(det, 1e-18)
    return np.stack([(yy * rx - xy * ry) / safe, (xx * ry - xy * rx) / safe], -1), sure


def _places(sure: NDArray[np.bool_], step: int = 10) -> Array:
    y, x = np.nonzero(sure[::step, ::step])
    return np.column_stack([x, y]).astype(float) * step


def _affine_part(at: Array, off: Array) -> Array:
    design = np.column_stack([at, np.ones(len(at))])
    return np.asarray(design @ np.linalg.lstsq(design, off, rcond=None)[0], np.float64)


def _tone(light: Array, true: Array, both: NDArray[np.bool_]) -> Array:
    """Ratio of local means (about 25 px) over truth, its median taken out per channel; NaN near what is not covered."""
    mask = both.astype(np.float64)
    mass = _blur(mask, 8.0)
    ratio = np.full(light.shape, np.nan)
    deep = both & (mass > 0.95)
    for c in range(light.shape[2]):
        mean, wanted = _blur(light[..., c] * mask, 8.0), _blur(true[..., c] * mask, 8.0)
        share = mean[deep] / wanted[deep]
        ratio[..., c][deep] = share / np.median(share)
    return ratio
