"""I correlate the cells of two pictures, each within some pixels of where it should be.

In: two pictures laid on each other, the second with NaN where it shows nothing. Out: per cell the best place, and how
alike the two are there.
"""

from __future__ import annotations

import numpy as np

from stitchbed.core.arrays import Array, Floats, Ints
from stitchbed.imaging.compiled import compiled

Taken = tuple[Floats, Floats]  # pixels of a cell, and 1 where there is one
LEAST_PIXELS = 20  # of a cell, for a correlation


@compiled
def correlate(here: Floats, there: Floats, corners: Ints, cell: int, reach: int, found: Array, stride: int) -> None:
    """Per cell: best correlation, its shift (x, y) px, share of the cell seen by both, the larger spread.

    stride : px; only every so many pixels and shifts are looked at, which is enough to find a place by.
    """
    side, room = (cell + stride - 1) // stride, reach // stride
    wide = side + 2 * room
    own, own_seen = np.empty((side, side), np.float32), np.empty((side, side), np.float32)
    other, other_seen = np.empty((wide, wide), np.float32), np.empty((wide, wide), np.float32)
    for k in range(corners.shape[0]):
        top, left = corners[k, 0], corners[k, 1]
        _take(here, (top, left), stride, own, own_seen)
        _take(there, (top - reach, left - reach), stride, other, other_seen)
        best = -2.0
        for down in range(2 * room + 1):
            for right in range(2 * room + 1):
                n, sum_x, sum_y, sum_xx, sum_yy, sum_xy = _sums((own, own_seen), (other, other_seen), down, right)
                if n < LEAST_PIXELS:
                    continue
                power_x = max(sum_xx - sum_x * sum_x / n, 0.0) / n
                power_y = max(sum_yy - sum_y * sum_y / n, 0.0) / n
                alike = (sum_xy - sum_x * sum_y / n) / n / np.sqrt(max(power_x * power_y, 1e-6))
                if down == room and right == room:
                    found[k, 3], found[k, 4] = n * stride * stride / (cell * cell), np.sqrt(max(power_x, power_y))
                if alike > best:
                    best = alike
                    found[k, 0], found[k, 1], found[k, 2] = alike, (right - room) * stride, (down - room) * stride


@compiled
def _take(picture: Floats, corner: tuple[int, int], stride: int, values: Floats, seen: Floats) -> None:
    """Fill `values` (n, n) with every so many pixels from `corner` (row, col) on, `seen` with 1 where there is one,
    both with 0 elsewhere: sums over them need ask nothing, so that many are made at a time."""
    for r in range(values.shape[0]):
        row = corner[0] + r * stride
        for c in range(values.shape[1]):
            col = corner[1] + c * stride
            values[r, c], seen[r, c] = np.float32(0), np.float32(0)
            if 0 <= row < picture.shape[0] and 0 <= col < picture.shape[1] and np.isfinite(picture[row, col]):
                values[r, c], seen[r, c] = picture[row, col], np.float32(1)


@compiled
def _sums(one: Taken, two: Taken, down: int, right: int) -> tuple[float, float, float, float, float, float]:
    """Number, sums of x and y, of their squares and product, of what both show, the second from a place on."""
    n, sum_x, sum_y, sum_xx, sum_yy, sum_xy = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    side = one[0].shape[0]
    for row in range(side):
        xs, x_seen = one[0][row], one[1][row]
        ys, y_seen = two[0][row + down, right : right + side], two[1][row + down, right : right + side]
        # a row's worth of gray levels and their products keeps six digits; rows are added up with more
        nothing = np.float32(0)
        row_n, row_x, row_y, row_xx, row_yy, row_xy = nothing, nothing, nothing, nothing, nothing, nothing
        for col in range(side):
            x, y = xs[col] * y_seen[col], ys[col] * x_seen[col]
            row_n += x_seen[col] * y_seen[col]
            row_x, row_y = row_x + x, row_y + y
            row_xx, row_yy, row_xy = row_xx + x * x, row_yy + y * y, row_xy + x * y
        n, sum_x, sum_y = n + float(row_n), sum_x + float(row_x), sum_y + float(row_y)
        sum_xx, sum_yy, sum_xy = sum_xx + float(row_xx), sum_yy + float(row_yy), sum_xy + float(row_xy)
    return n, sum_x, sum_y, sum_xx, sum_yy, sum_xy
