"""I resample a window of a picture to pixels of a canvas, in linear light, in one pass.

In: stored pixels and their tone table, or light; where each node of the canvas looks, a factor at each node.
Out: linear light.

Positions and factors are bilinear between nodes. The kernel is the cubic one, its weights kept in a table of STEPS
positions to the pixel: a rounding of half a thousandth of a pixel. A picture finer than the canvas is softened first,
by as much as a look of the canvas's own dpi would have been softer, so that no detail comes back as stair steps.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Floats, Pixels
from stitchbed.imaging.compiled import compiled
from stitchbed.imaging.node_grid import NODE

STEPS = 1024
REACH = 3  # px a window is continued by at its rims, so that a kernel that looks past them meets the rim's own color
LANES = 4  # floats per pixel while it is resampled: a power of two fills the processor's registers
SHARPNESS = -0.75  # the cubic kernel's a
CORRECTION = 0.8  # of a ramp's shift that is taken off
LOOK_PX = 0.5  # px of its own that a sharp look is soft by, as the sigma of a Gaussian: lens and pixel together
FINER = 1.05  # source px per canvas px from which the source is softened; below, nothing is left out


def cubic_weights(part: NDArray[np.float64]) -> NDArray[np.float64]:
    """(n, 4) weights of the pixels at -1, 0, 1, 2 for a position `part` (n,) of 0..1 px past the second of them.

    The cubic kernel (Keys, 1981, doi 10.1109/TASSP.1981.1163711) with a = -.75 keeps edges crisp; only a = -.5 keeps a
    ramp in place. It moves smooth content by f (1 - f) (1 - 2 f) / 2 px, f being the part of a pixel: .047 px at a
    quarter, fine detail somewhat less. With four fifths of that taken off the position, under .01 px is left, as with a
    Lanczos kernel of five times the cost.
    """
    aimed = part - CORRECTION * part * (part - 0.5) * (part - 1)
    away = np.abs(aimed[:, None] - np.array([-1.0, 0.0, 1.0, 2.0]))
    a = SHARPNESS
    near = (a + 2) * away**3 - (a + 3) * away**2 + 1
    far = a * away**3 - 5 * a * away**2 + 8 * a * away - 4 * a
    weights: NDArray[np.float64] = np.where(away <= 1, near, far)
    return weights


# (STEPS + 1, 4 * LANES): each weight as often as it is needed across, where the lanes of a pixel lie side by side
WEIGHTS = np.repeat(cubic_weights(np.arange(STEPS + 1) / STEPS).astype(np.float32), LANES, axis=1)
WEIGHTS.flags.writeable = False


def softness(finer: float) -> float:
    """Sigma px of the Gaussian that makes a picture as soft as one with `finer` times fewer px per inch; 0 for none."""
    return LOOK_PX * float(np.sqrt(finer**2 - 1)) if finer > FINER else 0.0


def kernel_reach(soft: float) -> int:
    """Px round what is looked at that `resampled` needs."""
    return REACH + 1 + int(np.ceil(3.5 * soft))


def resampled(
    pixels: Pixels, table: Floats, at: Floats, factor: Floats, size: tuple[int, int], *, soft: float = 0.0
) -> Floats:
    """Linear light (*size, c) of stored pixels, resampled once.

    pixels : (h, w, c) uint8 or uint16, c 1 or 3. table : (c, 256 or 65536) light of each code, by channel. The rest as
    for `resampled_light`.
    """
    room = np.asarray(cv2.copyMakeBorder(pixels, REACH, REACH, REACH, REACH, cv2.BORDER_REPLICATE))
    room = room.reshape(*room.shape[:2], -1)
    light = np.empty((*room.shape[:2], LANES), np.float32)
    _look_up(room, table, light)
    return _resampled(light, at, factor, (*size, pixels.shape[2]), soft)


def resampled_light(light: Floats, at: Floats, factor: Floats, size: tuple[int, int], *, soft: float = 0.0) -> Floats:
    """Light (*size, c), resampled once.

    light : (h, w, c) float32, c up to LANES. at : (rows, cols, 2) x, y px of `light` at the nodes of
    `node_grid.nodes`. factor : (rows, cols) to multiply by there. size : (height, width) px, multiples of NODE.
    Positions outside `light` see its rim. soft : see `softness`.
    """
    channels = light.shape[2]
    room = np.asarray(cv2.copyMakeBorder(light, REACH, REACH, REACH, REACH, cv2.BORDER_REPLICATE))
    lanes = np.zeros((*room.shape[:2], LANES), np.float32)
    lanes[..., :channels] = room.reshape(*room.shape[:2], channels)
    return _resampled(lanes, at, factor, (*size, channels), soft)


def _resampled(lanes: Floats, at: Floats, factor: Floats, shape: tuple[int, int, int], soft: float) -> Floats:
    if soft > 0:
        lanes = np.asarray(cv2.GaussianBlur(lanes, (0, 0), soft, borderType=cv2.BORDER_REPLICATE), np.float32)
    result = np.empty(shape, np.float32)
    at_x, at_y = (np.ascontiguousarray(at[..., k] + np.float32(REACH), dtype=np.float32) for k in (0, 1))
    _resample(lanes, at_x, at_y, factor, WEIGHTS, result)
    return result


@compiled
def _look_up(stored: Pixels, table: Floats, light: Floats) -> None:
    """Linear light of stored pixels, in LANES lanes; lanes without a channel hold zero."""
    height, width, channels = stored.shape
    for y in range(height):
        for x in range(width):
            for c in range(LANES):
                light[y, x, c] = table[c, stored[y, x, c]] if c < channels else np.float32(0)


@compiled
def _across(nodes: Floats, y: int, line: Floats) -> None:
    """Fill `line` (w,) with the bilinear values at row y.

    Nodes lie NODE px apart, the first NODE / 2 + .5 px before the first pixel.
    """
    upper = (y + NODE // 2) // NODE
    share = np.float32(((y + NODE // 2) % NODE + 0.5) / NODE)
    left = nodes[upper, 0] + (nodes[upper + 1, 0] - nodes[upper, 0]) * share
    for k in range(nodes.shape[1] - 1):
        right = nodes[upper, k + 1] + (nodes[upper + 1, k + 1] - nodes[upper, k + 1]) * share
        first = NODE * k - NODE // 2
        for x in range(max(first, 0), min(first + NODE, line.size)):
            line[x] = left + (right - left) * ((np.float32(x - first) + np.float32(0.5)) / np.float32(NODE))
        left = right


@compiled
def _aim(xs: Floats, ys: Floats, shape: tuple[int, int], aims: NDArray[np.int32]) -> None:
    """Fill `aims` (3, w) for a row of positions in a picture of shape (rows, cols): the pixel the kernel starts at, and
    the table's rows for the part of a pixel across and down.
    """
    one, zero, whole = np.int32(1), np.float32(0), np.float32(1)
    steps, half = np.float32(STEPS), np.float32(0.5)
    last_row, last_col = np.int32(shape[0] - 3), np.int32(shape[1] - 3)
    for x in range(xs.size):
        col, row = min(max(np.int32(xs[x]), one), last_col), min(max(np.int32(ys[x]), one), last_row)
        part_x = min(max(xs[x] - np.float32(col), zero), whole)
        part_y = min(max(ys[x] - np.float32(row), zero), whole)
        aims[0, x] = (row - one) * shape[1] + col - one
        aims[1, x] = np.int32(part_x * steps + half)
        aims[2, x] = np.int32(part_y * steps + half)


@compiled
def _resample(light: Floats, at_x: Floats, at_y: Floats, factor: Floats, weights: Floats, result: Floats) -> None:
    """Fill `result` (H, W, c).

    Indices are unsigned: signed ones are tested for counting from the end at each access. The four pixels of a row are
    weighted side by side, so that one instruction takes several of them.
    """
    height, width, channels = result.shape
    flat, table = light.reshape(light.size), weights.reshape(weights.size)
    line, lanes, entry = np.uintp(light.shape[1] * LANES), np.uintp(LANES), np.uintp(weights.shape[1])
    xs, ys, times = np.empty(width, np.float32), np.empty(width, np.float32), np.empty(width, np.float32)
    aims, sums = np.empty((3, width), np.int32), np.empty(4 * LANES, np.float32)
    for y in range(height):
        _across(at_x, y, xs)
        _across(at_y, y, ys)
        _across(factor, y, times)
        _aim(xs, ys, (light.shape[0], light.shape[1]), aims)
        for x in range(width):
            start = np.uintp(aims[0, x]) * lanes
            across, n = np.uintp(aims[1, x]) * entry, np.uintp(aims[2, x]) * entry
            w0, w1, w2, w3 = table[n], table[n + lanes], table[n + lanes + lanes], table[n + lanes + lanes + lanes]
            for lane in range(4 * LANES):
                k = np.uintp(lane)
                m = start + k
                column = w0 * flat[m] + w1 * flat[m + line] + w2 * flat[m + line + line]
                sums[k] = table[across + k] * (column + w3 * flat[m + line + line + line])
            for channel in range(channels):
                c = np.uintp(channel)
                total = sums[c] + sums[c + lanes] + sums[c + lanes + lanes] + sums[c + lanes + lanes + lanes]
                result[y, x, c] = total * times[x]
