"""I tell hatching from outlines: strokes side by side, alike and evenly apart, are tone; they close in nothing.

In: where lines are on the small map. Out: where of it they are hatching.

Lines are parted by direction first (an opening by a short straight piece), so that layers of cross-hatching are seen
one by one. A stroke is hatching where it has others like it on both sides, as far from it on one as on the other, and
enough of them in a row; where it crosses an outline, the outline stays. Where outlines are drawn with a wider pen, the
last strokes of a series are hatching too, and strokes are taken whole.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from stitchbed.core.arrays import Array, Bytes, Ints, Labels, Mask
from stitchbed.imaging.compiled import compiled
from stitchbed.imaging.parallel import in_order

OWN, AMID, AT_END = 1, 2, 4  # of a layer: a stroke of its direction, in a series, at the rim of one
TURNS = 16  # directions looked at in half a turn; two of them are as far apart as a short piece of a thin stroke tells
PIECE_MM = 1.3  # of a stroke, straight enough to have a direction
APART_MM = 1.5  # free paper between two strokes of a series; wider is drawn to be colored
WIDEST_MM = 1.0  # of a stroke of hatching
BESIDE = 4  # strokes in all on both sides, at least: five in a row are no window bars, no rails and no mast
MOST = 4  # strokes counted on one side
LONG_MM = 4.0  # of what crosses hatching and is none; shorter is where its strokes cross
UNLIKE, UNEVEN = 1.5, 2.5  # times as thick, times as far apart; a cell or two more, as cells are coarse
LOOSE = (1.5, 2.0)  # cells
RIM = 3  # strokes on one side of the last of a series
AT_RIM, SURELY = 0.6, 0.5  # of a stroke that lies at the rim or in a series, or surely in one
BOLDER = 1.3  # times as wide: outlines drawn with another pen than hatching
NEARER = 0.35  # of the way from pen to pen in width, up to which a stroke is hatching
SHORTER = 0.4  # of the length of hatching's strokes, the same
LEAST_AMID = 0.12  # of a stroke of hatching that lies in its series; of an outline it is less


def hatching(line: Bytes, cell_mm: float, tick: Callable[[], None] = lambda: None, *, workers: int = 1) -> Bytes:
    """(h, w) OWN where a line is hatching, AMID and AT_END where strokes lie in a series or at the rim of one.

    line : (h, w) 1 on lines, cells of cell_mm. tick : called 2 * TURNS times. Directions are worked on side by side: of
    their neighbors they look at what none of them changes.
    """
    size = max(3, round(PIECE_MM / cell_mm)) | 1
    strokes = _without_solids(line, cell_mm)
    limits = np.array([WIDEST_MM / cell_mm, APART_MM / cell_mm, MOST, BESIDE, UNLIKE, UNEVEN, *LOOSE, RIM])

    def opened(turn: int) -> Bytes:
        return np.asarray(cv2.morphologyEx(strokes, cv2.MORPH_OPEN, _piece(size, turn), borderValue=0), np.uint8)

    def told(turn: int) -> None:
        _tell_series(along, turn, limits)
        tick()

    def wider(layer: Bytes) -> Bytes:
        layer = np.asarray(cv2.dilate(_in_series(layer, pen), np.ones((3, 3), np.uint8)), np.uint8)
        tick()
        return layer

    along = list(in_order(opened, range(TURNS), workers))
    list(in_order(told, range(TURNS), workers))
    pen = _pen(in_order(_strokes, along, workers), cell_mm)
    grown = list(in_order(wider, along, workers))
    found, other = np.zeros_like(line), np.zeros_like(line)
    for turn in range(TURNS):
        found |= grown[turn]
        other |= along[turn] & OWN & (1 - (grown[turn - 1] | grown[turn] | grown[(turn + 1) % TURNS]))
    series = np.bitwise_or.reduce(along) & (AMID | AT_END)
    return np.asarray((found & line & (1 - _long(other, LONG_MM / cell_mm))) | series, np.uint8)


@dataclass(frozen=True)
class Strokes:
    """Straight strokes of one direction, 0 unused. parts : (h, w) stroke of each cell. share, rim : (n,) of each stroke
    that lies in a series, or at the rim of one. long, wide : (n,) cells.
    """

    parts: Labels
    share: Array
    rim: Array
    long: Array
    wide: Array


@dataclass(frozen=True)
class Pen:
    """The pen of hatching. wide : cells, under which a stroke is of it, 0 where outlines have the same. long : cells of
    a stroke, at least.
    """

    wide: float
    long: float


def _without_solids(line: Bytes, cell_mm: float) -> Bytes:
    """Lines without ink wider than any stroke of hatching: it would cost memory for each of its cells."""
    wide = 2 * round(WIDEST_MM / cell_mm) + 1
    solid = cv2.morphologyEx(line, cv2.MORPH_OPEN, np.ones((wide, wide), np.uint8), borderValue=0)
    return np.asarray(line & (1 - solid), np.uint8)


def _tell_series(along: Sequence[Bytes], turn: int, limits: Array) -> None:
    """Mark in the layer of one direction what of it lies in a series, and at the rim of one."""
    own = np.asarray(along[turn] & OWN, np.uint8)
    near = np.asarray((along[turn - 1] | along[turn] | along[(turn + 1) % TURNS]) & OWN, np.uint8)
    angle = np.pi * turn / TURNS
    far = int((limits[2] + 1) * (limits[0] + limits[1] + 2))
    ways = 1 + np.arange(far)
    down, across = (np.rint(ways * part).astype(np.int64) for part in (np.cos(angle), -np.sin(angle)))
    around = np.pad(near, far)  # so that no step leaves it
    found = np.zeros_like(own)
    _mark_series(own, around, down * around.shape[1] + across, limits, found)
    along[turn][:] |= found


def _strokes(layer: Bytes) -> Strokes:
    """The strokes of one direction, and how they lie in series; as long as a line of the same spread of places."""
    count, parts = cv2.connectedComponents(layer & OWN, connectivity=8)
    sums = np.zeros((count, 7))
    _add_up(layer, parts, sums)
    area, amid, rim, row, col, rows, cols = sums.T
    area = np.maximum(area, 1)
    spread = rows / area - (row / area) ** 2 + cols / area - (col / area) ** 2
    long = np.sqrt(12 * np.maximum(spread, 0) + 1)
    return Strokes(parts, amid / area, rim / area, long, area / long)


def _pen(layers: Iterable[Strokes], cell_mm: float) -> Pen:
    """The pen of hatching, as strokes surely of it and long ones surely not tell. layers : of all directions."""
    fine, long, bold = [], [], []
    for strokes in layers:
        tone = strokes.share >= SURELY
        fine.append(strokes.wide[tone])
        long.append(strokes.long[tone])
        bold.append(strokes.wide[(strokes.share + strokes.rim == 0) & (strokes.long * cell_mm >= 2 * PIECE_MM)])
    thin, usual, thick = (np.concatenate(one) for one in (fine, long, bold))
    if not len(thin) or not len(thick):
        return Pen(0.0, 0.0)
    low, high = float(np.median(thin)), float(np.median(thick))
    return Pen(low + NEARER * (high - low) if high >= BOLDER * low else 0.0, SHORTER * float(np.median(usual)))


def _in_series(layer: Bytes, pen: Pen) -> Bytes:
    """(h, w) 1 where strokes lie in a series; strokes that hardly do anywhere are left out, fine ones taken whole."""
    if int(layer.max()) <= OWN:
        return np.zeros_like(layer)
    strokes = _strokes(layer)
    whole = (strokes.wide < pen.wide) & (strokes.long >= pen.long) & (strokes.share + strokes.rim >= AT_RIM)
    part = strokes.share >= LEAST_AMID
    whole[0] = part[0] = False
    found = np.empty_like(layer)
    _take(strokes.parts, layer, whole, part, found)
    return found


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
def _add_up(layer: Bytes, parts: Labels, sums: Array) -> None:
    """Of each part add up cells, those amid a series, those at the rim of one, rows, columns, and their squares."""
    for row in range(layer.shape[0]):
        for col in range(layer.shape[1]):
            n = parts[row, col]
            if n > 0:
                sums[n, 0] += 1
                sums[n, 1] += (layer[row, col] & AMID) > 0
                sums[n, 2] += (layer[row, col] & AT_END) > 0
                sums[n, 3] += row
                sums[n, 4] += col
                sums[n, 5] += row * row
                sums[n, 6] += col * col


@compiled
def _take(parts: Labels, layer: Bytes, whole: Mask, part: Mask, found: Bytes) -> None:
    """Fill in 1 on strokes taken whole, and where strokes taken in part lie amid a series."""
    for row in range(parts.shape[0]):
        for col in range(parts.shape[1]):
            n = parts[row, col]
            found[row, col] = whole[n] or (part[n] and (layer[row, col] & AMID) > 0)


@compiled
def _side(around: Bytes, at: int, steps: Ints, way_on: int, limits: Array, told: Array) -> int:
    """Strokes of a series met on one way from a flat place; there are none beyond the map.

    around : flat. steps : (n,) from the place to each cell on the way; way_on : 1, or -1 the other way. limits : see
    `hatching`. told : filled with cells of the stroke's own rest, of the first gap, of the first stroke.
    """
    count, run, inside = 0, 0, True
    for way in range(steps.shape[0]):
        run += 1
        hit = around[at + way_on * steps[way]] > 0
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
        elif not inside and run > limits[1]:
            return count
    return count


@compiled
def _mark_series(own: Bytes, around: Bytes, steps: Ints, limits: Array, found: Bytes) -> None:
    """Mark the places of `own` in a series of strokes, or at the rim of one.

    around : the map of strokes with a margin of as many cells as `steps`, (n,) of which lead across them.
    """
    one, two = np.zeros(3), np.zeros(3)
    flat, margin = around.ravel(), steps.shape[0]
    for row in range(own.shape[0]):
        for col in range(own.shape[1]):
            if own[row, col] == 0:
                continue
            at = (row + margin) * around.shape[1] + col + margin
            first = _side(flat, at, steps, 1, limits, one)
            second = _side(flat, at, steps, -1, limits, two)
            if max(first, second) >= limits[8]:
                found[row, col] = AT_END
            if first == 0 or second == 0 or first + second < limits[3]:
                continue
            mine = one[0] + two[0] + 1
            thin, thick = min(mine, one[2], two[2]), max(mine, one[2], two[2])
            narrow, wide = min(one[1], two[1]), max(one[1], two[1])
            if thick <= limits[4] * thin + limits[6] and wide <= limits[5] * narrow + limits[7]:
                found[row, col] = AMID
