"""I join what is no region to the region round it: slivers, and the cells between strokes of hatching.

In: regions of the small map, where lines are, which of them are tone. Out: the same map, joined.

Two regions touch more where paper or the strokes of hatching lie between them than where an outline does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from stitchbed.core.arrays import Array, Bytes, Floats, Ints, Labels, Mask
from stitchbed.imaging.compiled import compiled
from stitchbed.page.line_art.regions import STRIP, borders, renumbered

THIN_MM = 1.6  # a cell between strokes is no wider anywhere, half of the strokes counted in
MOST_MM2 = 40.0  # of such cells joined into one, from which on it is a region of its own
CELL_MM2 = 1.5  # of a closed cell of cross-hatching
BESIDE = 2  # cells of its kind that a cell of cross-hatching touches
LOOSE = 0.1  # of its border that is tone
TONE = 0.25  # of the lines in a region that are hatching, from which on it lies in hatching


@dataclass(frozen=True)
class Sizes:
    """Of each region, 0 unused: area free cells; lines, tone cells of line and of hatching; width cells, the widest."""

    area: Ints
    lines: Ints
    tone: Ints
    width: Array


def join_cells(labels: Labels, free: Bytes, tone: Bytes, smallest: int, cell_mm: float) -> None:
    """Join regions of fewer than `smallest` free cells, and those that are only paper between strokes, in place.

    labels : also under lines. free : 1 where no line is. tone : 1 where a line is hatching, lettering or a bridge.
    """
    sizes = Sizes(areas(labels, free), areas(labels, 1 - free), areas(labels, tone & (1 - free)), _widths(labels))
    touch = touches(labels, free | tone)
    loose = _loose(touches(labels, np.zeros_like(free)), touch)
    there, thin = sizes.area > 0, sizes.width * cell_mm < THIN_MM
    in_tone = sizes.tone > TONE * np.maximum(sizes.lines, 1)
    tiny = there & thin & (sizes.area * cell_mm**2 < CELL_MM2)
    crossed = np.array([bool(tiny[n]) and int(tiny[list(near)].sum()) >= BESIDE for n, near in enumerate(touch)])
    between = there & thin & in_tone & loose & (sizes.area * cell_mm**2 < MOST_MM2)
    small = (sizes.area < smallest) | between | crossed  # also what lies under strokes of tone alone
    into = joined(touch, sizes.area, small, in_tone | crossed, most=MOST_MM2 / cell_mm**2)
    renumbered(labels, into)


def join_slivers(labels: Labels, free: Bytes, tone: Bytes, smallest: int) -> None:
    """Join regions of fewer than `smallest` free cells, in place; see `join_cells`."""
    area = areas(labels, free)
    renumbered(labels, joined(touches(labels, free | tone), area, area < smallest))


def areas(labels: Labels, cells: Bytes) -> Ints:
    """(n + 1,) cells that are 1 in each region."""
    total = np.zeros(int(labels.max()) + 1, np.int64)
    _count(labels, cells, total)
    return total


@compiled
def _count(labels: Labels, cells: Bytes, total: Ints) -> None:
    """Add to `total` (n + 1,) the cells that are 1."""
    for row in range(labels.shape[0]):
        for col in range(labels.shape[1]):
            total[labels[row, col]] += cells[row, col]


def touches(labels: Labels, free: Bytes) -> list[dict[int, int]]:
    """Region -> the regions it touches, and how much (see `regions.borders`)."""
    touch: list[dict[int, int]] = [{} for _ in range(int(labels.max()) + 1)]
    for a, b, weight in zip(*(m.tolist() for m in borders(labels, free)), strict=True):
        touch[a][b] = touch[b][a] = weight
    return touch


def joined(
    touch: Sequence[dict[int, int]], area: Ints, small: Mask, kin: Mask | None = None, *, most: float = np.inf
) -> Labels:
    """(n + 1,) the region each region ends up in: small ones go, the smallest first, where they touch most.

    kin : regions that join their like before others. most : area from which a small one has grown to a region.
    touch is used up.
    """
    area, small = area.astype(np.float64), small.copy()
    into = np.arange(len(area), dtype=np.int32)
    for n in sorted(np.flatnonzero(small).tolist(), key=lambda n: (area[n], n)):
        if n and small[n] and touch[n]:
            like = [m for m in touch[n] if kin[m]] if kin is not None and kin[n] else []
            host = max(like or touch[n], key=lambda m: (touch[n][m], -m))
            into[n] = host
            area[host] += area[n]
            small[host] &= bool(area[host] < most)
            hand_over(touch, n, host)
    return roots(into)


def _loose(ways: Sequence[dict[int, int]], touch: Sequence[dict[int, int]]) -> Mask:
    """(n + 1,) whether enough of the border of each region is no outline: a pupil lies in an eye, and parts nothing."""
    whole = np.array([sum(one.values()) for one in ways])
    open_ = np.array([sum(one.values()) for one in touch]) - whole
    return np.asarray(open_ >= 3 * LOOSE * whole)


def hand_over(touch: Sequence[dict[int, int]], n: int, host: int) -> None:
    """What touched n touches its host."""
    for other, weight in touch[n].items():
        touch[other].pop(n, None)
        if other != host:
            touch[host][other] = touch[other][host] = touch[host].get(other, 0) + weight
    touch[n].clear()


def roots(into: Labels) -> Labels:
    """Where each ends up that goes by way of others; `into` is changed."""
    for n in range(len(into)):
        root = n
        while into[root] != root:
            root = int(into[root])
        into[n] = root
    return into


def _widths(labels: Labels) -> Array:
    """(n + 1,) cells across the widest place of each region, lines counted to their middles."""
    widest = np.zeros(int(labels.max()) + 1)
    for top in range(0, len(labels), STRIP):
        first, last = max(0, top - STRIP // 4), min(len(labels), top + STRIP + STRIP // 4)
        part = labels[first:last]
        inner = np.ones(part.shape, np.uint8)
        down, across = part[1:] != part[:-1], part[:, 1:] != part[:, :-1]
        inner[1:][down] = inner[:-1][down] = 0
        inner[:, 1:][across] = inner[:, :-1][across] = 0
        if first == 0 and last == len(labels) and inner.all():
            return np.full(len(widest), np.inf)
        distance = cv2.distanceTransform(inner, cv2.DIST_L2, cv2.DIST_MASK_3)[top - first :][:STRIP]
        _widen(labels[top : top + STRIP], distance, widest)
    return widest


@compiled
def _widen(labels: Labels, distance: Floats, widest: Array) -> None:
    """Raise `widest` (n + 1,) to twice the largest distance of each region."""
    for row in range(labels.shape[0]):
        for col in range(labels.shape[1]):
            n = labels[row, col]
            widest[n] = max(widest[n], 2 * distance[row, col])
