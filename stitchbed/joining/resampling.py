"""I resample a window of a tile to pixels of the canvas, in linear light, in one pass.

In: stored pixels, their tone table, where each node of the canvas looks, a factor at each node. Out: linear light.

Positions and factors are bilinear between nodes. The kernel is the cubic one, its weights kept in a table of STEPS
positions to the pixel: a rounding of half a thousandth of a pixel.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.ground.compiled import compiled
from stitchbed.joining.canvas import NODE

Floats = NDArray[np.float32]
Pixels = NDArray[Any]
STEPS = 1024
REACH = 3  # px a window is continued by at its rims, so that a kernel that looks past them meets the rim's own color
LANES = 4  # floats per pixel while it is resampled: a power of two fills the processor's registers
SHARPNESS = -0.75  # the cubic kernel's a
CORRECTION = 0.8  # of a ramp's shift that is taken off


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


WEIGHTS = cubic_weights(np.arange(STEPS + 1) / STEPS).astype(np.float32)
WEIGHTS.flags.writeable = False
SPREAD = np.repeat(WEIGHTS, LANES, axis=1)
SPREAD.flags.writeable = False


def resampled(pixels: Pixels, table: Floats, at: Floats, factor: Floats, size: tuple[int, int]) -> Floats:
    """Linear light (*size, c), resampled once.

    pixels : (h, w, c) uint8 or uint16, c 1 or 3. table : (c, 256 or 65536) light of each code, by channel.
    at : (rows, cols, 2) x, y px of `pixels` at the nodes of `canvas.nodes`. factor : (rows, cols) to multiply by there.
    size : (height, width) px, multiples of NODE. Positions outside `pixels` see its rim.
    """
    room = np.asarray(cv2.copyMakeBorder(pixels, REACH, REACH, REACH, REACH, cv2.BORDER_REPLICATE))
    room = room.reshape(*room.shape[:2], -1)
    light = np.empty((*room.shape[:2], LANES), np.float32)
    _look_up(room, table, light)
    result = np.empty((*size, pixels.shape[2]), np.float32)
    at_x, at_y = (np.ascontiguousarray(at[..., k] + np.float32(REACH)) for k in (0, 1))
    _resample(light, at_x, at_y, factor, WEIGHTS, SPREAD, result)
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
    """Fill `line` (w,) with the bilinear values at row y of a picture whose node k lies at NODE * k - (NODE + 1) / 2."""
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
def _resample(
    light: Floats, at_x: Floats, at_y: Floats, factor: Floats, weights: Floats, spread: Floats, result: Floats
) -> None:
    """Fill `result` (H, W, c). Indices are unsigned: signed ones are tested for counting from the end at each access."""
    height, width, channels = result.shape
    rows, cols, lanes = light.shape
    flat, wide = light.reshape(light.size), spread.reshape(spread.size)
    step, run = np.uintp(cols * lanes), np.uintp(4 * lanes)
    xs, ys, times = np.empty(width, np.float32), np.empty(width, np.float32), np.empty(width, np.float32)
    sums, steps = np.empty(4 * lanes, np.float32), np.float32(weights.shape[0] - 1)
    for y in range(height):
        _across(at_x, y, xs)
        _across(at_y, y, ys)
        _across(factor, y, times)
        for x in range(width):
            col, row = min(max(int(xs[x]), 1), cols - 3), min(max(int(ys[x]), 1), rows - 3)
            part_x = min(max(xs[x] - np.float32(col), np.float32(0)), np.float32(1))
            part_y = min(max(ys[x] - np.float32(row), np.float32(0)), np.float32(1))
            across = np.uintp(int(part_x * steps + np.float32(0.5))) * run
            down = np.uintp(int(part_y * steps + np.float32(0.5)))
            w0, w1, w2, w3 = weights[down, 0], weights[down, 1], weights[down, 2], weights[down, 3]
            start = np.uintp((row - 1) * cols + col - 1) * np.uintp(lanes)
            for lane in range(4 * LANES):
                n, k = start + np.uintp(lane), np.uintp(lane)
                column = w0 * flat[n] + w1 * flat[n + step] + w2 * flat[n + step + step]
                sums[k] = wide[across + k] * (column + w3 * flat[n + step + step + step])
            for c in range(channels):
                k = np.uintp(c)
                total = sums[k] + sums[k + np.uintp(LANES)] + sums[k + np.uintp(2 * LANES)] + sums[k + np.uintp(3 * LANES)]
                result[y, x, c] = total * times[x]
