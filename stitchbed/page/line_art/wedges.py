"""I join corners that strokes cut off to the region they were cut from, and regions that no outline parts.

In: regions of the small map after `slivers`, where lines are, which of them are tone. Out: the same map, joined.

What is drawn to be colored, be it an eye, a pane or a leaf, is round or square and has an outline of its own. What lies
between the last stroke of hatching and an outline is pointed, or hardly anything parts it from its neighbor. An outline
that was left open is mostly drawn; where much of a border is paper or bridges, strokes happen to lie in a row.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from scipy import ndimage

from stitchbed.core.arrays import Bytes, Labels
from stitchbed.page.line_art.regions import renumbered
from stitchbed.page.line_art.slivers import areas, hand_over, joined, roots, touches


@dataclass(frozen=True)
class Wedge:
    """below : mm2. blunt : roundness from which on it is a shape. loose : of its border with the neighbor it is most
    open to that is open, at least. rim : of its whole border, the same.
    """

    below: float
    blunt: float
    loose: float
    rim: float


# measured on pages drawn by two hands: the larger, the surer it must be
WEDGES = (
    Wedge(1.2, 0.7, 0.0, 0.0),
    Wedge(1.2, np.inf, 0.12, 0.0),
    Wedge(4.0, 0.5, 0.15, 0.06),
    Wedge(8.0, 0.5, 0.4, 0.06),
)
BRIDGED_MM2 = 1.2  # smaller ones a bridge does not close: it runs from a stroke of tone, not over a gap
BARE, BARE_GAP_MM = 0.4, 1.5  # of a border that is open, from which on it is none; with openings closed up to that
LEAST_BORDER_MM = 0.7  # shorter ones are where the tips of two regions touch
OPEN = 3  # more than its length a place counts in `touches` that is open on both sides


def join_wedges(labels: Labels, free: Bytes, tone: Bytes, cell_mm: float) -> None:
    """Join small regions that are pointed, or that no outline parts from a neighbor, in place.

    labels : also under lines. free : 1 where no line is. tone : 1 where a line is hatching, lettering or a bridge.
    """
    area = areas(labels, free)
    ways = touches(labels, np.zeros_like(free))
    strokes, bridged = (_opened(ways, touches(labels, cells)) for cells in (tone & (1 - free), free | tone))
    boxes = ndimage.find_objects(labels)
    small = np.zeros(len(area), bool)
    weighed: list[dict[int, int]] = []
    for n in range(len(area)):
        size = float(area[n]) * cell_mm**2
        open_ = bridged[n] if size < BRIDGED_MM2 else strokes[n]
        weighed.append({m: way + 9 * open_[m] for m, way in ways[n].items()})
        if 0 < size < max(wedge.below for wedge in WEDGES):
            shape = (labels[boxes[n - 1]] == n) & (free[boxes[n - 1]] > 0)
            small[n] = _cut_off(size, roundness(shape.astype(np.uint8)), ways[n], open_)
    renumbered(labels, joined(weighed, area, small))


def join_open(labels: Labels, free: Bytes, tone: Bytes, cell_mm: float, gap_mm: float) -> None:
    """Join regions that paper or bridges part over much of their border, the most open first, in place.

    gap_mm : the widest opening closed; where wider ones shall be closed, more of a border may be open.
    """
    ways = touches(labels, np.zeros_like(free))
    open_ = _opened(ways, touches(labels, free | tone))
    bare, least = min(0.8, BARE * max(1.0, gap_mm / BARE_GAP_MM)), LEAST_BORDER_MM / cell_mm

    def bare_borders(n: int) -> Iterator[tuple[float, int, int]]:
        shares = ((open_[n][m] / way, m) for m, way in ways[n].items() if way >= least)
        return ((-share, n, m) for share, m in shares if share >= bare)

    waiting = [one for n in range(len(ways)) for one in bare_borders(n)]
    heapq.heapify(waiting)
    into = np.arange(len(ways), dtype=np.int32)
    while waiting:
        share, host, n = heapq.heappop(waiting)
        if share == -open_[host].get(n, 0) / max(ways[host].get(n, 0), 1):  # as it was when it was put there
            into[n] = host
            hand_over(ways, n, host)
            hand_over(open_, n, host)
            for one in bare_borders(host):
                heapq.heappush(waiting, one)
    renumbered(labels, roots(into))


def roundness(shape: Bytes) -> float:
    """4 pi area / perimeter^2 of the largest part of a mask, 1 for a disk; counted between middles of cells."""
    contours, _ = cv2.findContours(shape, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    largest = max(contours, key=cv2.contourArea)
    return float(4 * np.pi * cv2.contourArea(largest) / max(cv2.arcLength(largest, True), 1.0) ** 2)


def _cut_off(size: float, round_: float, ways: dict[int, int], open_: dict[int, int]) -> bool:
    """Whether a region is a corner cut off. size : mm2. ways, open_ : cells of border with each neighbor."""
    if not ways:
        return False
    most = max(ways, key=lambda m: (open_[m], -m))
    loose, rim = open_[most] / ways[most], open_[most] / sum(ways.values())
    return any(size < w.below and round_ < w.blunt and loose >= w.loose and rim >= w.rim for w in WEDGES)


def _opened(ways: list[dict[int, int]], weights: list[dict[int, int]]) -> list[dict[int, int]]:
    """Cells of border that are open, of each region with each neighbor."""
    return [{m: (weight[m] - way) // OPEN for m, way in one.items()} for one, weight in zip(ways, weights, strict=True)]
