"""I count what lies on the borders between areas, and in the areas, so that joining two areas is adding up.

In: areas of the small map that every stroke parts, and what lies where on it. Out: pairs of neighbors, sums for each.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array, Bytes, Floats, Ints, Labels
from stitchbed.imaging.compiled import compiled
from stitchbed.page.line_art import gaps, hatching
from stitchbed.page.line_art.outlines import Outlines
from stitchbed.page.line_art.regions import STRIP

# of a border: sums over the places that touch; the first nine after its length are bits of what lies there; then the
# line's half width and its square; columns, rows, and their squares and product, cells
LENGTH, OPEN, BRIDGE, TONE, DRAWN, MARK, AMID, AT_END, LONE, END = range(10)
HALF, HALF_SQUARED, AT, DOWN, AT2, DOWN2, BOTH = range(10, 17)
BITS, SUMS = 9, 17
# of an area: cells, mm, mm2; cells at the page's edge; ends of strokes that nothing answers
FREE, LINE, TONED, X, Y, XX, YY, XY, RIM, ENDS = range(10)
SOLID_MM = 0.5  # half the width of what lies on a border, from which on it is no stroke but black

Kinds = NDArray[np.uint16]


@dataclass(frozen=True)
class Graph:
    """pairs : (m, 2) areas that touch, the lower first. borders : (m, SUMS). areas : (n, 10) sums. wide : (n,) mm of
    free paper across. parts : (n,) areas joined into each. drawn, tone : cells, half the pen of outlines and of tone.
    """

    pairs: Ints
    borders: Array
    areas: Array
    wide: Array
    parts: Array
    drawn: float
    tone: float


def graph_of(
    labels: Labels,
    free: Bytes,
    outlines: Outlines,
    cell_mm: float,
    *,
    workers: int = 1,
    tick: Callable[[], None] = lambda: None,
) -> Graph:
    """The graph of areas. labels : also under lines, from 0. free : 1 where no line is. tick : called twice, as parts
    are done."""
    line = np.asarray(1 - free, np.uint8)
    tone, drawn = line & ~outlines.walls, line & outlines.walls
    # one bit each, from OPEN to END
    own: list[NDArray[Any]] = [free & ~outlines.walls, free & outlines.walls, tone, drawn, outlines.small]
    own += [outlines.series & hatching.AMID, outlines.series & hatching.AT_END, outlines.ways & gaps.LONE]
    ends = np.asarray((outlines.ways & gaps.END) > 0, np.uint8)
    kinds = np.zeros(free.shape, np.uint16)
    for bit, cells in enumerate([*own, cv2.dilate(ends, np.ones((3, 3), np.uint8))]):
        kinds |= np.asarray(cells > 0, np.uint16) << np.uint16(bit)
    del own
    half = cv2.distanceTransform(line, cv2.DIST_L2, cv2.DIST_MASK_3)
    pens = [float(np.median(half[kind > 0])) if kind.any() else 1.0 for kind in (drawn, tone)]
    tick()
    pairs, borders = _borders(labels, kinds, half, workers)
    tick()
    del half, kinds, drawn, line
    count = int(labels.max()) + 1
    areas, wide = np.zeros((count, 10)), np.zeros(count)
    room = cv2.distanceTransform(free, cv2.DIST_L2, cv2.DIST_MASK_3)
    _add_up(labels, free, tone, ends, room, cell_mm, areas, wide)
    return Graph(pairs, borders, areas, wide, np.ones(count), *pens)


def joined_graph(graph: Graph, into: Ints) -> Graph:
    """The graph after areas were joined; into : (n,) new number of each, from 0 without gaps."""
    count = int(into.max()) + 1
    wide = np.zeros(count)
    np.maximum.at(wide, into, graph.wide)
    pairs = np.sort(into[graph.pairs], axis=1)
    apart = pairs[:, 0] != pairs[:, 1]
    code, place = np.unique(pairs[apart, 0] * count + pairs[apart, 1], return_inverse=True)
    return Graph(
        np.stack([code // count, code % count], axis=1),
        _summed(graph.borders[apart], place, len(code)),
        _summed(graph.areas, into, count),
        wide,
        np.asarray(np.bincount(into, graph.parts, count), np.float64),
        graph.drawn,
        graph.tone,
    )


@dataclass(frozen=True)
class Ellipse:
    """Of the same spread as a set of places, (n,) each: large, small : variance along and across it. way : (n, 2) its
    direction, twice the angle; of length 0 where it has none.
    """

    large: Array
    small: Array
    way: Array


def ellipses(means: Array) -> Ellipse:
    """means : (n, 5) of x, y, their squares and their product. Reference: Hu (1962), Visual Pattern Recognition by
    Moment Invariants, IRE Trans. Information Theory 8."""
    x, y, xx, yy, xy = means.T
    across, down, both = xx - x**2, yy - y**2, xy - x * y
    middle, reach = (across + down) / 2, np.hypot((across - down) / 2, both)
    way = np.stack([(across - down) / 2, both], axis=1) / np.maximum(reach, 1e-9)[:, None]
    return Ellipse(middle + reach, np.maximum(middle - reach, 0), way)


def _summed(rows: Array, place: Ints, count: int) -> Array:
    """(count, k) sums of the rows that belong to each place."""
    return np.stack([np.bincount(place, column, count) for column in rows.T], axis=1)


def _borders(labels: Labels, kinds: Kinds, half: Floats, workers: int) -> tuple[Ints, Array]:
    """Pairs of areas that touch, and the sums of their borders. kinds : bits of what lies in each cell."""
    span = int(labels.max()) + 1

    def strip(top: int) -> tuple[Ints, Array]:
        rows = slice(top, top + STRIP + 1)
        return _strip_borders(labels[rows], kinds[rows], half[rows], span, top)

    with ThreadPoolExecutor(workers) as pool:
        codes, sums = zip(*pool.map(strip, range(0, len(labels), STRIP)), strict=True)
    found, place = np.unique(np.concatenate(codes), return_inverse=True)
    return np.stack([found // span, found % span], axis=1), _summed(np.concatenate(sums), place, len(found))


def _strip_borders(labels: Labels, kinds: Kinds, half: Floats, span: int, top: int) -> tuple[Ints, Array]:
    """Codes of the pairs that touch in the first STRIP rows of a strip, and their sums. top : row of the strip."""
    most = sum(int(np.count_nonzero(np.diff(labels, axis=axis))) for axis in (0, 1))
    code, kind, thick = np.empty(most, np.int64), np.empty(most, np.uint16), np.empty(most, np.float32)
    place_of = np.empty(most, np.int64)
    count = _touching(labels, kinds, half, STRIP, span, code, kind, thick, place_of)
    found, place = np.unique(code[:count], return_inverse=True)
    wide = thick[:count].astype(np.float64)
    down, at = np.divmod(place_of[:count], labels.shape[1])
    down += top
    sums = np.empty((len(found), SUMS))
    sums[:, LENGTH] = np.bincount(place, minlength=len(found))
    for bit in range(BITS):
        sums[:, OPEN + bit] = np.bincount(place, kind[:count] >> bit & 1, len(found))
    for column, of in enumerate((wide, wide**2, at, down, at**2, down**2, at * down), HALF):
        sums[:, column] = np.bincount(place, of, len(found))
    return found, sums


@compiled
def _touching(
    labels: Labels,
    kinds: Kinds,
    half: Floats,
    rows: int,
    span: int,
    code: Ints,
    kind: Kinds,
    thick: Floats,
    places: Ints,
) -> int:
    """Fill in the pair, what lies there, half the line's width and the flat place, for each place of the first `rows`
    rows that touches another area to the right or below; how many."""
    count = 0
    for row in range(min(rows, labels.shape[0])):
        for col in range(labels.shape[1]):
            for step in range(2):
                down, right = row + step, col + 1 - step
                if down < labels.shape[0] and right < labels.shape[1] and labels[down, right] != labels[row, col]:
                    one, two = np.int64(labels[row, col]), np.int64(labels[down, right])
                    code[count] = min(one, two) * span + max(one, two)
                    both = kinds[row, col] | kinds[down, right]
                    # beside a line of one cell is no opening
                    kind[count] = both & ~np.uint16(1) if both & 0b1110 else both
                    thick[count] = max(half[row, col], half[down, right])
                    places[count] = row * labels.shape[1] + col
                    count += 1
    return count


@compiled
def _add_up(
    labels: Labels, free: Bytes, tone: Bytes, ends: Bytes, room: Floats, cell_mm: float, areas: Array, wide: Array
) -> None:
    """Add up cells and places of each area, and find its widest free place."""
    high, across = labels.shape
    for row in range(high):
        for col in range(across):
            n = labels[row, col]
            x, y = col * cell_mm, row * cell_mm
            areas[n, 0] += free[row, col]
            areas[n, 1] += 1 - free[row, col]
            areas[n, 2] += tone[row, col]
            areas[n, 3] += x
            areas[n, 4] += y
            areas[n, 5] += x * x
            areas[n, 6] += y * y
            areas[n, 7] += x * y
            if row == 0 or col == 0 or row == high - 1 or col == across - 1:
                areas[n, 8] += 1
            areas[n, 9] += ends[row, col]
            wide[n] = max(wide[n], 2 * cell_mm * room[row, col])
