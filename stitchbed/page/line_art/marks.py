"""I tell small marks from outlines: dots, stipple, ticks and lettering lie on what they lie on, and close in nothing.

In: where lines are on the small map. Out: where of it they are such marks; which regions are light marks left in black.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array, Bytes, Ints, Labels, Mask

DOT_MM = 1.5  # longest side of a mark that closes nothing in
LETTER_MM = (0.8, 5.0)  # of a letter's longer side; taller ones are drawn to be colored
LEAST_IN_ROW = 3
NEXT = 0.6  # of a letter's height: paper between it and the next
WORD = 1.5  # of a letter's height: paper between words; a word next to letters on their line is one, however short
LEADING = 1.3  # of a letter's height: paper between two lines of letters; a word above or below letters is one as well
ALIKE = 2.0  # times as tall: a capital, a small letter, one with a tail
ON_LINE = 0.5  # of the smaller one's height they share with the next
OPEN = 0.28  # of a letter's box its counters may fill; beads and buttons in a row are open wider
LEVEL, MOST_LEVEL = 0.2, 0.65  # of their height by which most of a row stand on one line, or hang from one
PLOT_MM, ON_RIM, MOST_INK = 2.0, 0.88, 0.45  # across a plot in a row; of its hull that is line: of the rim, of all
SQUARE = 0.9  # of the box round it, turned as it is, that the hull of a plot fills; a letter's is rounder
RING = 1.35  # times as tall, between an O and its neighbors
STEM = 0.72  # of a mark's height its tallest counter has at most: a P or a B; beads and buttons are rings all over
MOST_STEMMED = 0.6  # of the box of such a letter that its counters fill
WAIST, ON_BASE = 0.5, 0.15  # of a row's height: a small letter's, at least; how far off the line it may stand
COUNTED = 150  # cells, the longest side of what a mark closes in that is counted
RUN, COUNTERS = 6.0, 0.2  # times as long as tall, letters that run into each other; of their box their counters fill
LIGHT_MM = 1.5  # across the widest place of a letter or a star left white in black; wider paper is drawn to be colored
AROUND_MM, BLACK = 1.2, 0.8  # round it; share of that, its own paper left out, that is ink
BESIDE_MM, BLACK_MM = 3.0, 1.6  # how far from it black is wider than pens, and how wide


def marks(line: Bytes, cell_mm: float) -> Bytes:
    """(h, w) 1 where a line is a dot or lettering. line : (h, w) 1 on lines, cells of cell_mm."""
    count, parts, stats, _ = cv2.connectedComponentsWithStats(line, connectivity=8)
    sides = stats[:, [cv2.CC_STAT_WIDTH, cv2.CC_STAT_HEIGHT]].max(axis=1) * cell_mm
    chosen = np.zeros(count, np.uint8)
    chosen[sides <= DOT_MM] = 1
    holes, tallest = _holes(line, parts, count)
    for n in _plots(parts, stats, holes, cell_mm):
        holes[n] = np.prod(stats[n, [cv2.CC_STAT_WIDTH, cv2.CC_STAT_HEIGHT]])
        tallest[n] = stats[n, cv2.CC_STAT_HEIGHT]
    chosen[holes > 0.15 / cell_mm**2] = 0  # a ring, however small, is drawn to be filled, unless it is a letter
    chosen[lettering(stats, holes, cell_mm, tallest)] = 1
    rim = np.concatenate([parts[0], parts[-1], parts[:, 0], parts[:, -1]])
    chosen[rim] = 0  # there an outline goes on beyond the page
    chosen[0] = 0
    return np.asarray(chosen[parts], np.uint8)


def dots(mark: Bytes, cell_mm: float) -> Bytes:
    """(h, w) 1 where a mark is no longer than a dot. mark : (h, w) 1 on marks."""
    if not mark.any():
        return mark
    _, parts, stats, _ = cv2.connectedComponentsWithStats(mark, connectivity=8)
    short = stats[:, [cv2.CC_STAT_WIDTH, cv2.CC_STAT_HEIGHT]].max(axis=1) * cell_mm <= DOT_MM
    short[0] = False
    return np.asarray(short[parts], np.uint8)


def lettering(stats: NDArray[np.int32], holes: Array, cell_mm: float, tallest: Array) -> NDArray[np.int64]:
    """Numbers of the marks that stand in rows as letters do. stats : of connected components.

    holes, tallest : (n,) cells each closes in, and how tall the tallest of its holes is.
    """
    left, top, wide, high = (stats[:, k].astype(np.float64) for k in range(4))
    tall = np.maximum(high, wide * 0.6) * cell_mm
    able = np.flatnonzero((tall >= LETTER_MM[0]) & (np.maximum(high, wide) * cell_mm <= LETTER_MM[1]))
    able = able[able > 0]
    parent = {int(n): int(n) for n in able}

    def root(n: int) -> int:
        while parent[n] != n:
            parent[n] = parent[parent[n]]
            n = parent[n]
        return n

    order = able[np.argsort(left[able], kind="stable")]
    lefts = left[order]
    for place, a in enumerate(order.tolist()):
        reach = left[a] + wide[a] + NEXT * max(high[a], 1)
        for b in order[place + 1 : int(np.searchsorted(lefts, reach, side="right"))].tolist():
            share = min(top[a] + high[a], top[b] + high[b]) - max(top[a], top[b])
            small, large = min(high[a], high[b]), max(high[a], high[b])
            if share >= ON_LINE * small and large <= ALIKE * small:
                parent[root(b)] = root(a)
    rows: dict[int, list[int]] = {}
    for n in able.tolist():
        rows.setdefault(root(n), []).append(n)
    rings = holes > OPEN * wide * high
    stemmed = rings & (tallest <= STEM * high) & (holes <= MOST_STEMMED * wide * high)
    boxes = np.stack([left, top, left + wide, top + high], axis=1)
    found: list[int] = []
    short = [np.array(row) for row in rows.values()] + _run_together(wide, high, holes, cell_mm)
    words = [_letters(row, boxes, rings, stemmed) for row in short]
    while any(words):
        found += [n for word in words for n in word]
        short = [row for row, word in zip(short, words, strict=True) if not word]
        letters = np.array(found)
        words = [_short_word(row, letters, boxes, rings) or _next_line(row, letters, boxes) for row in short]
    return np.array(found, np.int64)


def _letters(row: Ints, boxes: Array, rings: Mask, stemmed: Mask) -> list[int]:
    """The letters of a row, if it is one: on one line, some at least that are no rings, and rings as tall as they.

    boxes : (n, 4) left, top, right, bottom of each mark. stemmed : (n,) rings as a P or a B is.
    """
    plain, likely = row[~rings[row]], row[~rings[row] | stemmed[row]]
    few = len(likely) < (2 if len(row) > LEAST_IN_ROW else LEAST_IN_ROW)
    if len(row) < LEAST_IN_ROW or not len(plain) or few:
        return []
    tops, ends = boxes[row, 1], boxes[row, 3]
    tall = float(np.median(boxes[likely, 3] - boxes[likely, 1]))
    level = max(float((np.abs(one - np.median(one)) <= LEVEL * tall).mean()) for one in (tops, ends))
    high = ends - tops
    alike = (high <= RING * tall) & (RING * high >= tall)
    small = (np.abs(ends - np.median(ends)) <= ON_BASE * tall) & (high >= WAIST * tall) & (high <= tall)
    small &= len(likely) >= LEAST_IN_ROW
    found: list[int] = row[alike | small | ~rings[row]].tolist() if level >= MOST_LEVEL else []
    return found


def _run_together(wide: Array, high: Array, holes: Array, cell_mm: float) -> list[Ints]:
    """Rows of one mark each: as tall as letters, longer than one, with small counters; words only by other letters."""
    tall, box = high * cell_mm, np.maximum(wide * high, 1)
    able = (tall >= LETTER_MM[0]) & (wide * cell_mm > LETTER_MM[1]) & (wide <= np.minimum(RUN * high, COUNTED))
    able &= (tall <= LETTER_MM[1]) & (holes > 0) & (holes <= COUNTERS * box)
    able[0] = False
    return [np.array([n]) for n in np.flatnonzero(able)]


def _short_word(row: Ints, letters: Ints, boxes: Array, rings: Mask) -> list[int]:
    """The letters of a row too short to be told alone: a word on a line of letters.

    boxes : (n, 4) left, top, right, bottom of each mark. Rings alone, as "do" is, are a word between two others.
    """
    own, other = boxes[row], boxes[letters]
    tall = np.maximum(other[:, 3] - other[:, 1], np.median(own[:, 3] - own[:, 1]))
    before, after = own[:, 0].min() - other[:, 2], other[:, 0] - own[:, 2].max()
    off = np.abs(other[:, [1, 3]] - np.median(own[:, [1, 3]], axis=0)).min(axis=1)
    sides = [(off <= LEVEL * tall) & (way >= 0) & (way <= WORD * tall) for way in (before, after)]
    near = sides[0] | sides[1]
    if not near.any() or (rings[row].all() and not all(side.any() for side in sides)):
        return []
    ratio = (own[:, 3] - own[:, 1])[:, None] / (other[:, 3] - other[:, 1])[near]
    found: list[int] = row[(np.maximum(ratio, 1 / ratio) <= RING).any(axis=1)].tolist()
    return found


def _next_line(row: Ints, letters: Ints, boxes: Array) -> list[int]:
    """The letters of a row too short to be told alone: above or below a line of letters as tall, and over its length.
    boxes : see `_short_word`."""
    own, other = boxes[row], boxes[letters]
    high, tall = own[:, 3] - own[:, 1], other[:, 3] - other[:, 1]
    usual, middle = float(np.median(high)), (own[:, 0].min() + own[:, 2].max()) / 2
    apart = np.maximum(own[:, 1].min() - other[:, 3], other[:, 1] - own[:, 3].max())
    line = other[(apart >= 0) & (apart <= LEADING * usual) & (np.maximum(tall / usual, usual / tall) <= RING)]
    if len(line) < LEAST_IN_ROW or not line[:, 0].min() <= middle <= line[:, 2].max():
        return []
    found: list[int] = row[np.maximum(high / usual, usual / high) <= RING].tolist()
    return found


def _holes(line: Bytes, parts: Labels, count: int) -> tuple[Array, Array]:
    """(count,) free cells closed in by each mark alone, in small marks only; how tall the tallest hole is, cells."""
    _, free, stats, _ = cv2.connectedComponentsWithStats(1 - line, connectivity=4)
    area, tallest = np.zeros(count), np.zeros(count)
    boxes = stats[1:]
    for n, (left, top, wide, high, size) in enumerate(boxes.tolist(), 1):
        if max(wide, high) > COUNTED or top == 0 or left == 0:
            continue
        row = top + int((free[top : top + high, left] == n).argmax())
        mark = parts[row, left - 1]
        area[mark] += size
        tallest[mark] = max(tallest[mark], high)
    return area, tallest


def _plots(parts: Labels, stats: NDArray[np.int32], holes: Array, cell_mm: float) -> list[int]:
    """Numbers of the marks no larger than a letter that four straight lines go round, but for slits: no letters."""
    sides = stats[:, [cv2.CC_STAT_WIDTH, cv2.CC_STAT_HEIGHT]]
    able = (sides.min(axis=1) * cell_mm >= PLOT_MM) & (sides.max(axis=1) * cell_mm <= LETTER_MM[1])
    able &= (holes <= OPEN * sides.prod(axis=1)) & (stats[:, cv2.CC_STAT_AREA] <= MOST_INK * sides.prod(axis=1))
    able[0] = False
    return [n for n in np.flatnonzero(able).tolist() if _is_plot(parts, stats[n], n)]


def _is_plot(parts: Labels, stat: NDArray[np.int32], number: int) -> bool:
    left, top, wide, high = stat[:4].tolist()
    own = np.asarray(parts[top : top + high, left : left + wide] == number, np.uint8)
    hull = cv2.convexHull(cv2.findNonZero(own))
    rim = cv2.polylines(np.zeros_like(own), [hull], True, 1)
    on_rim = float(cv2.dilate(own, np.ones((3, 3), np.uint8))[rim > 0].mean())
    return on_rim >= ON_RIM and cv2.contourArea(hull) >= SQUARE * float(np.prod(cv2.minAreaRect(hull)[1]))


def light_marks(
    labels: Labels, free: Bytes, boxes: Sequence[tuple[slice, slice] | None], paper: Ints, ink: Ints, cell_mm: float
) -> list[int]:
    """Numbers of the regions that are marks left white in a black mass. labels : also under lines, from 1.

    free : 1 where no line is. boxes : of each region. paper, ink : (n + 1,) cells of each without and under lines.
    """
    able = np.flatnonzero((paper > 0) & (ink > paper))  # a mass is shared by those in it: most of what each has is ink
    return [n for n in able.tolist() if n and _is_light(labels, free, boxes[n - 1], n, cell_mm)]


def _is_light(labels: Labels, free: Bytes, box: tuple[slice, slice] | None, number: int, cell_mm: float) -> bool:
    """Whether a region is narrow paper with ink round it, and black wider than a pen beside it."""
    if box is None:
        return False
    far, reach = round(AROUND_MM / cell_mm), round(BESIDE_MM / cell_mm)
    near = tuple(slice(max(0, side.start - reach), side.stop + reach) for side in box)
    paper = free[near]
    _, parts = cv2.connectedComponents(paper, connectivity=8)  # a letter may lie in two regions
    own = np.asarray(np.isin(parts, np.unique(parts[(labels[near] == number) & (paper > 0)])), np.uint8)
    if 2 * float(cv2.distanceTransform(np.pad(own, 1), cv2.DIST_L2, 3).max()) * cell_mm >= LIGHT_MM:
        return False
    if 2 * float(cv2.distanceTransform(1 - paper, cv2.DIST_L2, 3).max()) * cell_mm < BLACK_MM:
        return False
    rows, cols = (np.flatnonzero(own.any(axis=axis)) for axis in (1, 0))
    ring = tuple(slice(max(0, int(at[0]) - far), int(at[-1]) + far + 1) for at in (rows, cols))
    around = paper[ring].size - int(own.sum())
    return around - int(np.count_nonzero(paper[ring])) + int(own.sum()) >= BLACK * around
