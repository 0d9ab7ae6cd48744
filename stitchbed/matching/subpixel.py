"""I find where many windows of one tile lie in another, to a few hundredths of a pixel.

In: windows of the first tile, as many pictures of the second, and the affine that leads there. Out: for each a shift,
how sure it is in which direction, and how alike the two are.

Coarse by normalized correlation, fine by Gauss-Newton on gray values with free gain and offset; the gradient is the
mean of both windows', taken once (Baker & Matthews, IJCV 56:221-255, 2004, on the choice of gradient). Each picture is
resampled into the first tile's frame once; what is left then is a plain shift, which a short separable filter makes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array, Floats, Indices, Mask

SETTLED = 0.02  # px; a step this small is good to its square
FURTHEST = 2.0  # px the fine search may go from the coarse one, which is good to half a pixel
CLOSE, SURE = 0.75, 0.8  # px from where it is known to be, and correlation, of a window that shows there
ROOM = 6  # px round a window: FURTHEST, and half of the shifting filter
RIM = 2  # px of a window not looked at: gradients need neighbors
FLAT = 0.3  # gray levels; windows that vary less show nothing
STEPS = 6
# Squared slope that noise adds per pixel, over the variance of the windows' difference: a Sobel filter of weight 1/8
# passes 12/64 of a picture's variance, the mean of two pictures has half of it, their difference twice; and half as
# much again for what varies from window to window.
NOISE_SLOPE = 1.5 * (12 / 64) / 4


@dataclass(frozen=True)
class Found:
    """Per window: kept (n,), and for all n shift (n, 2) px in the first tile's frame, normal (n, 2, 2) squared slopes
    added up (see `information`), variance (n,) gray levels squared left over, score (n,) correlation.
    """

    kept: Mask
    shift: Array
    normal: Array
    variance: Array
    score: Array


@dataclass(frozen=True)
class Sought:
    """corner : (n, 2) px (x, y) of each window's first pixel, tile frame. to_picture : (n, 2, 3) from the first tile's
    pixels to each picture's own.
    """

    corner: Array
    to_picture: Array


def locate(
    templates: Sequence[Floats],
    pictures: Sequence[Floats],
    sought: Sought,
    *,
    reach: int,
    least: float,
    near: bool = False,
) -> Found:
    """Find each template (side, side) in its picture, within `reach` px of where it should be.

    least : correlation under which two windows are not one place. near : they are known to half a pixel, and are looked
    for within `reach` only where they do not show there.
    """
    count = len(templates)
    if not near:
        return _sought_far(templates, pictures, sought, np.arange(count), (reach, least))
    found = _fine(templates, pictures, sought, (np.arange(count), np.zeros((count, 2))), least)
    there = found.kept & (np.abs(found.shift).max(1) < CLOSE) & (found.score >= SURE)
    lost = np.flatnonzero(~there)
    _put(found, lost, _sought_far(templates, pictures, sought, lost, (reach, least)))
    return found


def aimed(to_picture: Array, origin: Array) -> tuple[Array, Array]:
    """(n, 2, 3) matrices from windows at `origin` (n, 2) of the first tile into pictures, and the origins they truly
    stand for.

    OpenCV looks between pixels in steps of 1/32 px: the shift is set on such a step, so that it is known exactly.
    """
    linear = to_picture[:, :, :2]
    shift = np.einsum("nij,nj->ni", linear, origin) + to_picture[:, :, 2]
    snapped = np.rint(32 * shift) / 32
    back = np.linalg.solve(linear, (snapped - shift)[..., None])[..., 0]
    return np.concatenate([linear, snapped[..., None]], axis=2), origin + back


def information(found: Found, side: int, *, noise: float, floor_px: float) -> Array:
    """Inverse covariances (n, 2, 2) px^-2 of what was found in windows of `side` px.

    noise : gray levels assumed at least. floor_px : no place is believed better than this. Noise has slopes too: along
    a straight edge they are all there is, and would make a place look sure that is not known at all. What noise of the
    variance left over adds to the normal matrix is taken off.
    """
    pixels = (side - 2 * RIM) ** 2
    values, vectors = np.linalg.eigh(found.normal)
    true = np.maximum(values - NOISE_SLOPE * pixels * found.variance[:, None], 1e-6)
    variance = np.maximum(found.variance, noise**2)[:, None] / true + floor_px**2
    result: Array = np.einsum("nij,nj,nkj->nik", vectors, 1 / variance, vectors)
    return result


def _sought_far(
    templates: Sequence[Floats], pictures: Sequence[Floats], sought: Sought, which: Indices, wishes: tuple[int, float]
) -> Found:
    """What was found of the windows `which` (m,), coarse first, then fine. wishes : reach and least of `locate`."""
    reach, least = wishes
    coarse = [_coarse(templates[k], pictures[k], sought.to_picture[k], sought.corner[k], reach) for k in which]
    rows = [row for row, there in enumerate(coarse) if there is not None and there[1] >= least]
    whole = np.array([there[0] for there in coarse if there is not None and there[1] >= least]).reshape(-1, 2)
    fine = _fine(templates, pictures, sought, (which[rows], whole), least)
    n = len(which)
    full = Found(np.zeros(n, bool), np.zeros((n, 2)), np.zeros((n, 2, 2)), np.zeros(n), np.zeros(n))
    _put(full, rows, fine)
    return full


def _put(into: Found, rows: Indices | list[int], found: Found) -> None:
    """Write what was found of some windows into their rows."""
    for name in vars(found):
        getattr(into, name)[rows] = getattr(found, name)


def _fine(
    templates: Sequence[Floats],
    pictures: Sequence[Floats],
    sought: Sought,
    start: tuple[Indices, Array],
    least: float,
) -> Found:
    """What was found of some windows close to a whole shift. start : which windows (m,), and their shifts (m, 2) px."""
    at, whole = start
    if not len(at):
        nothing = np.zeros(0)
        return Found(np.zeros(0, bool), np.zeros((0, 2)), np.zeros((0, 2, 2)), nothing, nothing)
    side = len(templates[0])
    origin = sought.corner[at] + whole - ROOM
    matrices, truly = aimed(sought.to_picture[at], origin)
    wide = np.stack([_resampled(pictures[k], matrix, side + 2 * ROOM) for k, matrix in zip(at, matrices, strict=True)])
    return _refined(np.stack([templates[k] for k in at]), wide, whole + truly - origin, least)


def _coarse(
    template: Floats, picture: Floats, to_picture: Array, corner: Array, reach: int
) -> tuple[Array, float] | None:
    """Whole-pixel shift (2,) and correlation; None where there is nothing to see, or the best lies at the rim.

    Bilinear is enough here: it tells which pixel, the fine search which part of it.
    """
    matrix = to_picture.copy()
    matrix[:, 2] += to_picture[:, :2] @ (corner - reach)
    side = len(template) + 2 * reach
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    wide = cv2.warpAffine(picture, matrix, (side, side), flags=flags, borderMode=cv2.BORDER_REPLICATE)
    if min(cv2.meanStdDev(template)[1][0, 0], cv2.meanStdDev(wide)[1][0, 0]) < FLAT:
        return None
    _, score, _, peak = cv2.minMaxLoc(cv2.matchTemplate(wide, template, cv2.TM_CCOEFF_NORMED))
    if min(peak) < 1 or max(peak) > 2 * reach - 1:
        return None
    return np.array([peak[0] - reach, peak[1] - reach], float), float(score)


def _resampled(picture: Floats, picture_from_window: Array, side: int) -> Floats:
    """A side x side window of the first tile's frame, read from the second tile's pixels.

    Lanczos, because OpenCV's cubic kernel (a = -.75) moves smooth content by up to .047 px between pixels.
    """
    flags = cv2.INTER_LANCZOS4 | cv2.WARP_INVERSE_MAP
    return cv2.warpAffine(picture, picture_from_window, (side, side), flags=flags, borderMode=cv2.BORDER_REPLICATE)


def _refined(templates: Floats, wide: Floats, start: Array, least: float) -> Found:
    """Gauss-Newton for all windows together; each stops when its own step is small."""
    n = len(templates)
    slopes, normal = _slopes(templates, _centers(wide))
    inverse = np.linalg.inv(normal + 1e-6 * np.eye(2))
    mine = _even(templates)
    power_a = np.einsum("np,np->n", mine, mine).astype(float)
    shift, variance, score = np.zeros((n, 2)), np.zeros(n), np.ones(n)
    going, kept = np.ones(n, bool), np.ones(n, bool)
    for step in range(STEPS):
        at = np.flatnonzero(going)
        if not len(at):
            break
        here = _even(_centers(wide[at]) if step == 0 else _shifted(wide, at, shift))
        power, common = (
            np.einsum("np,np->n", here, here).astype(float),
            np.einsum("np,np->n", mine[at], here).astype(float),
        )
        power = np.maximum(power, 1e-6)
        score[at] = common / np.sqrt(np.maximum(power_a[at] * power, 1e-12))
        rest = mine[at] - (common / power).astype(np.float32)[:, None] * here
        variance[at] = np.einsum("np,np->n", rest, rest) / rest.shape[1]
        push = np.matmul(slopes[at], rest[..., None])[..., 0].astype(float)
        move = np.clip(np.einsum("nij,nj->ni", inverse[at], push), -1, 1)
        shift[at] += move
        lost = (np.abs(shift[at]).max(1) > FURTHEST) | (score[at] < least)
        kept[at[lost]] = False
        going[at] = ~lost & (np.abs(move).max(1) >= SETTLED)
    return Found(kept, start + shift, normal, variance, score)


def _centers(wide: Floats) -> Floats:
    return wide[:, ROOM:-ROOM, ROOM:-ROOM]


def _even(windows: Floats) -> Floats:
    """(n, pixels) of the windows without their rims and their mean."""
    inner = windows[:, RIM:-RIM, RIM:-RIM].reshape(len(windows), -1)
    return inner - inner.mean(1, keepdims=True)


def _slopes(templates: Floats, here: Floats) -> tuple[Floats, Array]:
    """Mean gradient of both windows, (n, 2, pixels), and their normal matrices (n, 2, 2).

    Taken once, at the coarse shift: it is within half a pixel, where gradients hardly change any more.
    """
    n, side = templates.shape[:2]
    gain = templates.std(axis=(1, 2)) / np.maximum(here.std(axis=(1, 2)), 1e-6)
    mean = (templates + gain[:, None, None] * here) * np.float32(0.5)
    column = mean.reshape(n * side, side)  # one below the other; where two meet the gradient is wrong and in the rim
    both = [
        cv2.Sobel(column, cv2.CV_32F, dx, dy, scale=0.125).reshape(n, side, side)[:, RIM:-RIM, RIM:-RIM].reshape(n, -1)
        for dx, dy in ((1, 0), (0, 1))
    ]
    slopes = np.stack(both, axis=1)
    return slopes, np.matmul(slopes, slopes.transpose(0, 2, 1)).astype(float)


def _shifted(wide: Floats, at: NDArray[np.intp], shift: Array) -> Floats:
    """The windows `at`, read where their shift says."""
    whole = np.floor(shift[at]).astype(int)
    taps = lanczos(shift[at] - whole)
    side = wide.shape[1] - 2 * ROOM
    result = np.empty((len(at), side, side), np.float32)
    for k, (index, (x, y)) in enumerate(zip(at, whole, strict=True)):
        low_x, low_y = ROOM + x - 3, ROOM + y - 3
        part = wide[index, low_y : low_y + side + 7, low_x : low_x + side + 7]
        result[k] = cv2.sepFilter2D(part, cv2.CV_32F, taps[k, 0], taps[k, 1], anchor=(3, 3))[3:-4, 3:-4]
    return result


def lanczos(part: Array) -> Array:
    """(..., 8) weights of pixels -3 .. 4 for a place `part` (0 <= part < 1) past pixel 0; they add up to 1.

    Reference: Duchon, J. Appl. Meteorol. 18:1016-1022, 1979 (windowed sinc with four lobes).
    """
    away = part[..., None] - np.arange(-3, 5)
    weight = np.sinc(away) * np.sinc(away / 4)
    normal: Array = weight / weight.sum(-1, keepdims=True)
    return normal
