"""I find the closed regions between lines, bridging gaps in the lines, on a map of the page small enough to hold.

In: (h, w) free pixels, the widest gap. Out: (h, w) numbers of regions, 0 on lines; then also under the lines.

A ball as wide as the gap cannot pass it: what it can reach without touching a line is one region. Smaller balls follow
for what the larger ones could not enter. Where two regions meet in a neck, the neck is a gap, unless the smaller region
is hardly wider than the neck: then it is the end of a corridor and belongs to the other.
Reference: Zhang et al., Vectorizing cartoon animations, IEEE TVCG 15(4):618-629, 2009 (the trapped ball).
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Bytes, Ints, Labels, Mask
from stitchbed.core.progress import Progress, counted, silent
from stitchbed.imaging.compiled import compiled

STEPS = 6  # of distance to the pixel, as kept in 8 bits
FARTHEST = 40  # px; the largest ball
SHRINK = 0.75  # from one ball to the next; also how much wider than a neck a region is at least
ROOM = -1  # born before the first ball: such regions never join another
STRIP = 1024  # rows worked on at once


def find_regions(free: Bytes, radius: int, *, progress: Progress = silent) -> Labels:
    """(h, w) int32 region of each free pixel, 0 elsewhere; gaps up to 2 * radius px are bridged.

    free : (h, w) 1 where no line is. Regions are numbered in no order.
    """
    distance = wall_distance(free)
    labels = np.zeros(free.shape, np.int32)
    seeds, births = np.zeros(0, np.int64), np.zeros(0, np.int64)
    balls = _balls(radius)
    for level, ball in enumerate(counted(balls, "finding areas", len(balls), progress)):
        count, parts, stats, _ = cv2.connectedComponentsWithStats(
            (distance > ball * STEPS).astype(np.uint8), connectivity=4
        )
        home = parts.ravel()[seeds]  # the part each region known so far lies in, whole
        members = np.bincount(home, minlength=count)
        fresh = np.flatnonzero(members[1:] == 0) + 1
        number = np.zeros(count, np.int32)
        number[home] = np.arange(1, len(seeds) + 1, dtype=np.int32)
        number[fresh] = len(seeds) + 1 + np.arange(len(fresh), dtype=np.int32)
        number[members > 1] = 0
        number[0] = 0
        contested = _assign(labels, parts, number)
        seeds = np.concatenate([seeds, _first_pixels(parts, stats, fresh)])
        birth = np.full(count, level)
        if level == 0:
            # as wide as rooms are, not corridors hardly wider than a gap
            birth[_parts_where(parts, distance, ball / SHRINK)] = ROOM
        births = np.concatenate([births, birth[fresh]])
        del parts
        waiting = np.zeros(labels.shape, bool)
        waiting.reshape(-1)[contested] = True
        flood(labels, waiting)
        if level and len(contested):
            seeds, births = _joined(labels, contested, seeds, births, level)
    return labels


def wall_distance(free: Bytes) -> Bytes:
    """(h, w) STEPS times the distance px to the nearest line, at most 255; the page's edge is a line too."""
    high = free.shape[0]
    out = np.zeros(free.shape, np.uint8)
    for top in range(0, high, STRIP):
        first, last = max(0, top - FARTHEST - 2), min(high, top + STRIP + FARTHEST + 2)
        ends = int(first == 0), int(last == high)
        walled = cv2.copyMakeBorder(free[first:last], *ends, 1, 1, cv2.BORDER_CONSTANT, value=0)
        distance = cv2.distanceTransform(walled, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)[:, 1:-1]
        start = top - first + ends[0]
        rows = min(STRIP, high - top)
        out[top : top + rows] = np.minimum(distance[start : start + rows] * STEPS, 255)
    return out


def flood(labels: Labels, waiting: Mask) -> None:
    """Give each waiting pixel (unlabelled) the label that reaches it first, one pixel at a time.

    waiting : (h, w) the pixels that are entered. Where several labels arrive at once the smallest wins. Both are
    changed.
    """
    front = _reachable(labels, waiting)
    room = np.zeros((2, max(1, int(waiting.sum()))), np.int64)
    room[0, : len(front)] = front
    _enter(labels.reshape(-1), waiting.reshape(-1), labels.shape[1], room, len(front))


@compiled
def _enter(labels: Labels, waiting: Mask, width: int, room: Ints, count: int) -> None:
    """See `flood`. room : (2, n) flat places, as many as wait; the first `count` of row 0 are entered first."""
    best = np.zeros(room.shape[1], np.int32)
    front, ahead = room[0], room[1]
    for i in range(count):
        waiting[front[i]] = False
    while count:
        for i in range(count):
            best[i] = np.iinfo(np.int32).max
            for step in range(4):
                place = _beside(front[i], step, width, labels.size)
                if 0 < labels[place] < best[i]:
                    best[i] = labels[place]
        fresh = 0
        for i in range(count):
            labels[front[i]] = best[i]
            for step in range(4):
                place = _beside(front[i], step, width, labels.size)
                if waiting[place]:
                    waiting[place] = False
                    ahead[fresh] = place
                    fresh += 1
        front, ahead, count = ahead, front, fresh


@compiled
def _beside(place: int, step: int, width: int, size: int) -> int:
    """Flat place above, below, left or right of one; the place itself where the picture ends."""
    col = place % width
    if step == 0:
        return place - width if place >= width else place
    if step == 1:
        return place + width if place + width < size else place
    if step == 2:
        return place - 1 if col > 0 else place
    return place + 1 if col < width - 1 else place


def _reachable(labels: Labels, waiting: Mask) -> Ints:
    """Flat places that wait beside a label, found a strip at a time."""
    cross = cv2.getStructuringElement(cv2.MORPH_CROSS, (3, 3))
    found = []
    for top in range(0, len(labels), STRIP):
        first = max(0, top - 1)
        there = (labels[first : top + STRIP + 1] > 0).astype(np.uint8)
        beside = cv2.dilate(there, cross, borderValue=0)[top - first :][:STRIP] > 0
        found.append(np.flatnonzero(beside & waiting[top : top + STRIP]) + top * labels.shape[1])
    return np.concatenate(found)


def renumbered(labels: Labels, number: Labels) -> None:
    """Replace every label by `number[label]`, in place, a strip at a time."""
    for top in range(0, labels.shape[0], STRIP):
        labels[top : top + STRIP] = number[labels[top : top + STRIP]]


def borders(labels: Labels, free: Bytes) -> tuple[Ints, Ints, Ints]:
    """Pairs of touching labels a < b, and how many px they touch; where both are free a touch counts four times."""
    span = int(labels.max()) + 1
    codes, weights = [], []
    for top in range(0, labels.shape[0], STRIP):
        part, open_ = labels[top : top + STRIP + 1], free[top : top + STRIP + 1]
        code, weight = np.empty(2 * part.size, np.int64), np.empty(2 * part.size, np.int64)
        count = _touching(part, open_, STRIP, span, code, weight)
        found, place = np.unique(code[:count], return_inverse=True)
        codes.append(found)
        weights.append(np.bincount(place, weight[:count], len(found)))
    found, place = np.unique(np.concatenate(codes), return_inverse=True)
    total = np.bincount(place, np.concatenate(weights), len(found)).astype(np.int64)
    return found // span, found % span, total


@compiled
def _touching(labels: Labels, free: Bytes, rows: int, span: int, code: Ints, weight: Ints) -> int:
    """Fill in a pair of labels and its weight for each place of the first `rows` rows that touches another label to the
    right or below; how many."""
    count = 0
    for y in range(min(rows, labels.shape[0])):
        for x in range(labels.shape[1]):
            one = labels[y, x]
            if one == 0:
                continue
            for step in range(2):
                row, col = y + step, x + 1 - step
                if row < labels.shape[0] and col < labels.shape[1]:
                    two = labels[row, col]
                    if two > 0 and two != one:
                        code[count] = np.int64(min(one, two)) * span + max(one, two)
                        weight[count] = 4 if free[y, x] > 0 and free[row, col] > 0 else 1
                        count += 1
    return count


def _balls(radius: int) -> list[float]:
    """Radii from the widest down to nothing."""
    radii, ball = [], float(min(radius, FARTHEST))
    while ball >= 1:
        radii.append(ball)
        ball *= SHRINK
    return [*radii, 0.0]


def _assign(labels: Labels, parts: Labels, number: Labels) -> Ints:
    """Label free pixels of parts that have a number; returns the flat places of those in parts that are shared."""
    contested = []
    for top in range(0, labels.shape[0], STRIP):
        part, label = parts[top : top + STRIP], labels[top : top + STRIP]
        bare = (part > 0) & (label == 0)
        label[bare] = number[part[bare]]
        left = np.flatnonzero(bare & (label == 0))
        contested.append(left + top * labels.shape[1])
    return np.concatenate(contested)


def _parts_where(parts: Labels, distance: Bytes, ball: float) -> Ints:
    """Numbers of the parts that hold a place farther from lines than `ball` px."""
    found = [
        np.unique(parts[top : top + STRIP][distance[top : top + STRIP] > ball * STEPS])
        for top in range(0, len(parts), STRIP)
    ]
    return np.asarray(np.unique(np.concatenate(found)), np.int64)


def _first_pixels(parts: Labels, stats: NDArray[np.int32], which: Ints) -> Ints:
    """Flat place of the first pixel of each part in `which`."""
    found = np.zeros(len(which), np.int64)
    for n, part in enumerate(which.tolist()):
        left, top, width = stats[part, :3].tolist()
        found[n] = top * parts.shape[1] + left + int((parts[top, left : left + width] == part).argmax())
    return found


def _joined(labels: Labels, met: Ints, seeds: Ints, births: Ints, level: int) -> tuple[Ints, Ints]:
    """Join regions that met at this level with ones born just before it: those are ends of corridors, no regions."""
    flat, width = labels.reshape(-1), labels.shape[1]
    pairs = set()
    for around in _neighbors(met, width, flat.size):
        a, b = flat[met], flat[around]
        apart = (a != b) & (b > 0)
        low, high = np.minimum(a, b)[apart], np.maximum(a, b)[apart]
        pairs |= set(zip(low.tolist(), high.tolist(), strict=True))
    into = np.arange(len(seeds) + 1)

    def root(n: int) -> int:
        while into[n] != n:
            into[n] = into[into[n]]
            n = int(into[n])
        return n

    for a, b in sorted(pairs):
        old, young = sorted((root(a), root(b)), key=lambda n: (births[n - 1], n))
        if old != young and births[young - 1] == level - 1:
            into[young] = old
    roots = np.array([root(n) for n in range(len(into))])
    kept = np.unique(roots[1:])
    number = np.zeros(len(into), np.int32)
    number[kept] = np.arange(1, len(kept) + 1)
    renumbered(labels, number[roots])
    return seeds[kept - 1], births[kept - 1]


def _neighbors(places: Ints, width: int, size: int) -> list[Ints]:
    """Flat places above, below, left and right of each; its own place where the picture ends."""
    col = places % width
    above, below = places - width, places + width
    return [
        np.where(above >= 0, above, places),
        np.where(below < size, below, places),
        np.where(col > 0, places - 1, places),
        np.where(col < width - 1, places + 1, places),
    ]
