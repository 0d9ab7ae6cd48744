"""I join what a stroke parts that ends on both sides at a line which goes on past it.

In: areas that are left when borders were weighed, where they lie on the small map. Out: the map with those joined.

Where an outline parts two areas it turns at its end, or goes on beyond it. A stroke of tone ends at the outline: what
lies past it has half of all round that place, and the stroke is the stem of a T. Shelves, stripes and panes end so too,
hence more is asked of it: that it runs as strokes do which were found to part nothing within its areas, or that its
border was all but taken for tone when it was weighed. What is as lumpy as dots that touch needs not end at an outline.
"""

from __future__ import annotations

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from stitchbed.core.arrays import Array, Ints, Labels, Mask
from stitchbed.imaging.compiled import compiled
from stitchbed.page.line_art.merging.graph import LENGTH, SOLID_MM, Graph, joined_graph
from stitchbed.page.line_art.merging.looks import looks
from stitchbed.page.line_art.merging.patterns import WAYS, border_lines
from stitchbed.page.line_art.merging.trees import Trees, asked
from stitchbed.page.line_art.regions import renumbered

REACH_MM = 0.7  # round a place where three areas meet
PAST, BESIDE = 0.38, 0.45  # of all round it: what lies past a stem has more, neither side of the stem has as much
ROUND = 0.8  # of what goes round the smaller area; one border that does is no stroke across
STRAIGHT_MM = 0.35  # of a stroke that has a direction, at least
OF_KIND, KIND_MM = 0.3, 3.0  # of an area's strokes, and mm of them, that run as a stroke of their kind does
AS_WIDE = (1.2, 0.35)  # times as wide as those, and cells more, at most
IN_PART = 0.6  # of a border that is of the kind of strokes within its areas
LIKELY, LIKELY_OF_KIND = -2.0, -4.0  # log odds that a border parts nothing, as it was weighed
MOST_MM2 = 20.0  # of the smaller area; larger ones are seen to be areas
LUMPY, LUMPY_MM = 0.44, 2.0  # spread of a line's width, of its mean, and its length: dots that touch have more
DOTS = 0.01  # of both areas that lies under dots or strokes of tone
PASSES = 3


def join_stems(first: Graph, into: Ints, labels: Labels, cell_mm: float, weighing: Trees) -> None:
    """Join the areas that only such strokes part, in place.

    first : of areas that every stroke parts. into : (k,) what each of those was joined into, from 0 without gaps.
    labels : (h, w) those, from 0, also under lines. weighing : the numbers of `merges.txt`.
    """
    for _ in range(PASSES):
        graph = joined_graph(first, into)
        go = is_stem(first, into, graph, labels, cell_mm, weighing)
        if not go.any():
            break
        one, two = graph.pairs[go].T
        whole = coo_array((np.ones(len(one)), (one, two)), shape=(len(graph.areas),) * 2)
        onto = connected_components(whole, directed=False)[1].astype(np.int64)
        into = onto[into]
        renumbered(labels, np.asarray(onto, np.int32))


def is_stem(first: Graph, into: Ints, graph: Graph, labels: Labels, cell_mm: float, weighing: Trees) -> Mask:
    """(m,) whether each border of a graph is such a stroke. graph : `first` joined; the others as in `join_stems`."""
    if not len(graph.pairs):
        return np.zeros(0, bool)
    seen = looks(graph, cell_mm)
    odds = asked(weighing, seen)
    across = _ends_at_lines(graph.pairs, labels, max(2, round(REACH_MM / cell_mm))) & (seen["share_small"] <= ROUND)
    of_kind = _of_kind(first, into, graph, cell_mm) >= IN_PART
    stroke = across & ((odds > LIKELY) | (of_kind & (odds > LIKELY_OF_KIND)))
    dots = np.minimum(seen["strokes_small"], seen["strokes_large"]) >= DOTS
    lumpy = (seen["uneven"] > LUMPY * seen["half"]) & (seen["length"] > np.log(LUMPY_MM / cell_mm))
    small = (seen["area_small"] <= np.log(MOST_MM2)) & (seen["thick"] <= SOLID_MM)
    return np.asarray(small & (stroke | (lumpy & dots & (odds > LIKELY))))


def _ends_at_lines(pairs: Ints, labels: Labels, reach: int) -> Mask:
    """(m,) whether each border meets third areas at two places or more, and is the stem of a T at each."""
    places = np.flatnonzero(_meeting(labels))
    rows = np.zeros((6 * len(places), 5))
    rows = rows[: _round(labels, places, reach, rows)]
    span, count = int(labels.max()) + 1, len(pairs)
    code, asked_for = pairs[:, 0] * span + pairs[:, 1], (rows[:, 0] * span + rows[:, 1]).astype(np.int64)
    there = np.isin(asked_for, code)  # others touch by a corner alone
    rows, at = rows[there], np.searchsorted(code, asked_for[there])
    stem = (rows[:, 4] >= PAST) & (np.maximum(rows[:, 2], rows[:, 3]) < BESIDE)
    meetings, stems = np.bincount(at, minlength=count), np.bincount(at[stem], minlength=count)
    return np.asarray((meetings >= 2) & (stems == meetings))


def _of_kind(first: Graph, into: Ints, graph: Graph, cell_mm: float) -> Array:
    """(m,) share of each border that runs as strokes within its areas do, and is no wider than they."""
    lines, count = border_lines(first), len(graph.areas)
    length = first.borders[:, LENGTH]
    straight = lines.straight & lines.drawn & (length * cell_mm >= STRAIGHT_MM)
    one, two = into[first.pairs].T
    within = (one == two) & straight
    ways = np.bincount(one[within] * WAYS + lines.way[within], length[within], count * WAYS).reshape(count, WAYS)
    whole = ways.sum(axis=1)
    half = np.bincount(one[within], (length * lines.half)[within], count) / np.maximum(whole, 1e-3)
    like = ways + np.roll(ways, 1, axis=1) + np.roll(ways, -1, axis=1)
    apart = np.flatnonzero(one != two)
    low, high = np.sort(np.stack([one, two])[:, apart], axis=0)
    kind = np.zeros(len(apart), bool)
    for side in (low, high):
        same = like[side, lines.way[apart]]
        fine = lines.half[apart] <= AS_WIDE[0] * half[side] + AS_WIDE[1]
        kind |= straight[apart] & fine & (same >= OF_KIND * whole[side]) & (same * cell_mm >= KIND_MM)
    at = np.searchsorted(graph.pairs[:, 0] * count + graph.pairs[:, 1], low * count + high)
    return np.asarray(np.bincount(at, length[apart] * kind, len(graph.pairs)) / graph.borders[:, LENGTH])


@compiled
def _meeting(labels: Labels) -> Array:
    """(h - 1, w - 1) 1 where three areas or more meet below and to the right of a cell."""
    high, wide = labels.shape
    found = np.zeros((high - 1, wide - 1), np.uint8)
    for row in range(high - 1):
        for col in range(wide - 1):
            a, b, c, d = labels[row, col], labels[row, col + 1], labels[row + 1, col], labels[row + 1, col + 1]
            if (a == b and c == d) or (a == c and b == d):
                continue
            if 1 + (b != a) + (c != a and c != b) + (d != a and d != b and d != c) > 2:
                found[row, col] = 1
    return found


@compiled
def _round(labels: Labels, places: Ints, reach: int, rows: Array) -> int:
    """Fill in, for each two areas that meet at a place, their numbers, the lower first, the shares each has of a disk
    round it, and the largest share of a third; how many rows. places : (n,) flat, of `_meeting`. rows : (6 n, 5)."""
    high, wide = labels.shape
    found = 0
    numbers, cells = np.zeros(4, np.int64), np.zeros(4)
    for place in places:
        top, left = place // (wide - 1), place % (wide - 1)
        count, whole = 0, 0.0
        for k in range(4):
            number, new = labels[top + k // 2, left + k % 2], True
            for n in range(count):
                new = new and numbers[n] != number
            if new:
                numbers[count], cells[count] = number, 0.0
                count += 1
        for row in range(top + 1 - reach, top + 1 + reach):
            for col in range(left + 1 - reach, left + 1 + reach):
                if (row - top - 0.5) ** 2 + (col - left - 0.5) ** 2 > reach * reach:
                    continue
                whole += 1
                if row < 0 or col < 0 or row >= high or col >= wide:
                    continue
                for n in range(count):
                    if numbers[n] == labels[row, col]:
                        cells[n] += 1
        for n in range(count):
            for m in range(count):
                if numbers[n] >= numbers[m]:
                    continue
                third = 0.0
                for k in range(count):
                    if k != n and k != m:
                        third = max(third, cells[k])
                rows[found, 0], rows[found, 1] = numbers[n], numbers[m]
                rows[found, 2], rows[found, 3], rows[found, 4] = cells[n] / whole, cells[m] / whole, third / whole
                found += 1
    return found
