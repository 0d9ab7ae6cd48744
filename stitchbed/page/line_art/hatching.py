"""I tell hatching from outlines: strokes side by side, alike and evenly apart, are tone; they close in nothing.

In: where lines are on the small map. Out: where of it they are hatching.

Lines are parted by direction first (an opening by a short straight piece), so that layers of cross-hatching are seen
one by one. A stroke is hatching where it has others like it on both sides, as far from it on one as on the other, and
enough of them in a row; where it crosses an outline, the outline stays.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from stitchbed.core.arrays import Array, Bytes
from stitchbed.imaging.compiled import compiled

TURNS = 16  # directions looked at in half a turn; two of them are as far apart as a short piece of a thin stroke tells
PIECE_MM = 1.3  # of a stroke, straight enough to have a direction
APART_MM = 1.5  # free paper between two strokes of a series; wider is drawn to be colored
WIDEST_MM = 1.0  # of a stroke of hatching
BESIDE = 4  # strokes in all on both sides, at least: five in a row are no window bars, no rails and no mast
MOST = 4  # strokes counted on one side
LONG_MM = 4.0  # of what crosses hatching and is none; shorter is where its strokes cross
UNLIKE, UNEVEN = 1.5, 2.5  # times as thick, times as far apart; a cell or two more, as cells are coarse
LOOSE = (1.5, 2.0)  # cells
LEAST_AMID = 0.12  # of a stroke of hatching that lies in its series; of an outline it is less


def hatching(line: Bytes, cell_mm: float) -> Bytes:
    """(h, w) 1 where a line is hatching. line : (h, w) 1 on lines, cells of cell_mm."""
    size = max(3, round(PIECE_MM / cell_mm)) | 1
    along = [cv2.morphologyEx(line, cv2.MORPH_OPEN, _piece(size, turn), borderValue=0) for turn in range(TURNS)]
    limits = np.array([WIDEST_MM / cell_mm, APART_MM / cell_mm, MOST, BESIDE, UNLIKE, UNEVEN, *LOOSE])
    around = np.ones((3, 3), np.uint8)
    grown = [cv2.dilate(_in_series(along, turn, limits), around) for turn in range(TURNS)]
    found, other = np.zeros_like(line), np.zeros_like(line)
    for turn in range(TURNS):
        found |= grown[turn]
        other |= along[turn] & (1 - (grown[turn - 1] | grown[turn] | grown[(turn + 1) % TURNS]))
    return found & line & (1 - _long(other, LONG_MM / cell_mm))


def _in_series(along: Sequence[Bytes], turn: int, limits: Array) -> Bytes:
    """(h, w) 1 where strokes of one direction lie in a series; strokes that hardly do anywhere are left out."""
    own, near = along[turn], along[turn - 1] | along[turn] | along[(turn + 1) % TURNS]
    angle = np.pi * turn / TURNS
    found = np.zeros_like(own)
    _mark_series(own, near, np.array([-np.sin(angle), np.cos(angle)]), limits, found)
    if not found.any():
        return found
    count, parts = cv2.connectedComponents(own, connectivity=8)
    share = np.bincount(parts[found > 0], minlength=count) / np.maximum(np.bincount(parts[own > 0], minlength=count), 1)
    return np.asarray(found * (share >= LEAST_AMID)[parts], np.uint8)


def _long(mask: Bytes, least: float) -> Bytes:
    """The connected parts of a mask that are `least` cells long."""
    _, parts, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
    long = stats[:, [cv2.CC_STAT_WIDTH, cv2.CC_STAT_HEIGHT]].max(axis=1) >= least
    long[0] = False
    return np.asarray(long[parts], np.uint8)


def _piece(size: int, turn: int) -> Bytes:
    """(size, size) a straight piece of line through the middle."""
    kernel, half = np.zeros((size, size), np.uint8), size // 2
    steps, angle = np.linspace(-half, half, 4 * size), np.pi * turn / TURNS
    rows, cols = (np.rint(half + steps * part).astype(int) for part in (np.sin(angle), np.cos(angle)))
    kernel[rows, cols] = 1
    return kernel


@compiled
def _side(near: Bytes, at: tuple[int, int], step: tuple[float, float], limits: Array, told: Array) -> int:
    """Strokes of a series met on one way from a place.

    limits : see `hatching`. told : filled with cells of the stroke's own rest, of the first gap, of the first stroke.
    """
    h, w = near.shape
    count, run, inside = 0, 0, True
    way = 0
    while True:
        way += 1
        run += 1
        row, col = int(np.rint(at[0] + step[0] * way)), int(np.rint(at[1] + step[1] * way))
        seen = 0 <= row < h and 0 <= col < w
        hit = seen and near[row, col] > 0
        if inside and not hit:
            if count == 0:
                told[0] = run - 1
            elif count == 1:
                told[2] = run
            inside, run = False, 0
            if count == limits[2]:
                return count
        elif inside and run > limits[0]:
            return max(count - 1, 0)
        elif hit and not inside:
            if count == 0:
                told[1] = run
            count, inside, run = count + 1, True, 0
        elif not inside and (run > limits[1] or not seen):
            return count
        if not seen:
            return count


@compiled
def _mark_series(own: Bytes, near: Bytes, normal: Array, limits: Array, found: Bytes) -> None:
    """Mark the places of `own` that lie in a series of strokes; normal : (x, y) across them."""
    one, two = np.zeros(3), np.zeros(3)
    for row in range(own.shape[0]):
        for col in range(own.shape[1]):
            if own[row, col] == 0:
                continue
            first = _side(near, (row, col), (normal[1], normal[0]), limits, one)
            if first == 0:
                continue
            second = _side(near, (row, col), (-normal[1], -normal[0]), limits, two)
            if second == 0 or first + second < limits[3]:
                continue
            mine = one[0] + two[0] + 1
            thin, thick = min(mine, one[2], two[2]), max(mine, one[2], two[2])
            narrow, wide = min(one[1], two[1]), max(one[1], two[1])
            if thick <= limits[4] * thin + limits[6] and wide <= limits[5] * narrow + limits[7]:
                found[row, col] = 1
