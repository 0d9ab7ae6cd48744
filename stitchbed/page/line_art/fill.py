"""I turn regions into flat areas: slivers merged, numbered in reading order, neighbors in colors that differ.

In: region numbers of the small map. Out: the same map renumbered, a list of regions, a color for each.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from stitchbed.core.arrays import Array, Bytes, Labels
from stitchbed.core.errors import BadSettings
from stitchbed.core.progress import Progress, silent, ticking
from stitchbed.imaging.compiled import compiled
from stitchbed.page.line_art.marks import light_marks
from stitchbed.page.line_art.regions import borders, renumbered
from stitchbed.page.line_art.slivers import areas, joined, touches

# light enough for black lines to stand on; picked to lie far apart: no two nearer than dE00 15
PALETTE = (
    "#f9cdbd", "#0cc1e6", "#87b976", "#b5a3ea", "#6ff2de", "#f1dd92",
    "#eb92af", "#c6e3fa", "#fcd6f8", "#91b7af", "#b5ac91", "#e0a069",
)  # fmt: skip
# of areas: spread of the channels that is a color, share that may show one, light from which on an area is white
LEAST_COLOR, MOST_TINTED, WHITE = 0.04, 0.02, 0.95
GROUNDS = ("largest", "edge", "none")
PARTS = 4  # of settling that are told of: what touches what, merged, in order, listed


@dataclass(frozen=True)
class Region:
    """number, from 1 in reading order. area : cells without lines. box : row, col, height, width in cells.

    row, col : middle, cells. edge : touches the page's edge. ground : stays the paper's color, as do letters and stars
    left white in black.
    """

    number: int
    area: int
    box: tuple[int, int, int, int]
    row: float
    col: float
    edge: bool
    ground: bool


def settled(
    labels: Labels,
    free: Bytes,
    smallest: int,
    ground: str,
    *,
    cell_mm: float | None = None,
    progress: Progress = silent,
) -> list[Region]:
    """Merge regions of fewer than `smallest` free cells, renumber the rest in reading order; both maps cover the page.

    labels : also under lines; changed in place. cell_mm : None: light marks in black are regions as others are.

    Raises
    ------
    BadSettings : unknown word for the ground.
    """
    if ground not in GROUNDS:
        raise BadSettings(f"ground {ground!r}", expected=", ".join(GROUNDS), attempt="--ground largest")
    if not labels.any():
        labels[:] = 1
    step = "numbering areas"
    progress(step, 0, PARTS)
    tick = ticking(step, PARTS, progress)
    area = areas(labels, free)
    touch = touches(labels, free)
    tick()
    renumbered(labels, joined(touch, area, (area > 0) & (area < smallest)))
    tick()
    boxes = ndimage.find_objects(labels)
    order = sorted(
        (n for n, b in enumerate(boxes, 1) if b is not None),
        key=lambda n: (boxes[n - 1][0].start, boxes[n - 1][1].start, n),
    )
    number = np.zeros(len(boxes) + 1, np.int32)
    number[order] = np.arange(1, len(order) + 1)
    renumbered(labels, number)
    tick()
    listed = _listed(labels, free, [boxes[n - 1] for n in order], ground, cell_mm)
    tick()
    return listed


def renamed(labels: Labels, regions: Sequence[Region], before: Mapping[int, int], first: int) -> list[Region]:
    """Regions with the numbers they had before; new ones are numbered from `first` on. labels : changed in place."""
    fresh = iter(range(first, first + len(regions)))
    number = {r.number: before[r.number] if r.number in before else next(fresh) for r in regions}
    table = np.zeros(len(regions) + 1, np.int32)
    table[list(number)] = list(number.values())
    renumbered(labels, table)
    return sorted((replace(r, number=number[r.number]) for r in regions), key=lambda r: r.number)


def colored(
    labels: Labels,
    free: Bytes,
    regions: Sequence[Region],
    palette: Sequence[str],
    paper: str,
    kept: Mapping[int, str] | None = None,
) -> dict[int, str]:
    """A color for each region, neighbors never the same; the ground keeps the paper's.

    kept : colors of before, which stay where a neighbor has not the same one.

    Regions are taken from the one with fewest neighbors left backwards, so that few colors are needed.
    Reference: Matula & Beck, Smallest-last ordering, J. ACM 30(3):417-427, 1983.

    Raises
    ------
    BadSettings : the palette has too few colors for these neighbors.
    """
    near: dict[int, set[int]] = {r.number: set() for r in regions}
    for a, b, _ in zip(*(m.tolist() for m in borders(labels, free)), strict=True):
        near[a].add(b)
        near[b].add(a)
    color = {r.number: paper for r in regions if r.ground}
    usable = [c for c in palette if c != paper]
    for one, word in sorted((kept or {}).items()):
        if one in near and one not in color and word in usable and word not in {color.get(n) for n in near[one]}:
            color[one] = word
    for turn, region in enumerate(reversed(_smallest_last(near, set(color)))):
        taken = {color[n] for n in near[region] if n in color}
        # begin at another color each time, or the first few would cover nearly everything
        free_ones = [c for c in usable[turn % len(usable) :] + usable[: turn % len(usable)] if c not in taken]
        if not free_ones and kept:  # colors of before leave none: the one fewest round it have is given up there
            left = _without_rarest(kept, near[region])
            return colored(labels, free, regions, palette, paper, left if len(left) < len(kept) else None)
        if not free_ones:
            raise BadSettings(
                f"a region with {len(taken)} neighbors and a palette of {len(usable)} colors",
                expected="more colors than neighbors", attempt="a longer palette",
            )  # fmt: skip
        color[region] = free_ones[0]
    return color


def _without_rarest(kept: Mapping[int, str], near: set[int]) -> dict[int, str]:
    """Colors to keep without the one that fewest of these regions have."""
    counts = Counter(word for n, word in sorted(kept.items()) if n in near)
    rarest = min(counts, key=lambda word: (counts[word], word), default=None)
    return {n: word for n, word in kept.items() if n not in near or word != rarest}


def _smallest_last(near: Mapping[int, set[int]], without: set[int]) -> list[int]:
    degree = {n: len(others - without) for n, others in near.items() if n not in without}
    buckets: dict[int, set[int]] = {}
    for n, d in degree.items():
        buckets.setdefault(d, set()).add(n)
    order: list[int] = []
    least = 0
    while degree:
        while not buckets.get(least):
            least += 1
        n = min(buckets[least])
        buckets[least].discard(n)
        del degree[n]
        order.append(n)
        for other in near[n]:
            if other in degree:
                buckets[degree[other]].discard(other)
                degree[other] -= 1
                buckets.setdefault(degree[other], set()).add(other)
        least = max(0, least - 1)
    return order


def _listed(
    labels: Labels, free: Bytes, boxes: Sequence[tuple[slice, slice]], ground: str, cell_mm: float | None
) -> list[Region]:
    area = areas(labels, free)
    light = set(light_marks(labels, free, boxes, area, areas(labels, 1 - free), cell_mm)) if cell_mm else set()
    rows, cols = _middles(labels, len(area))
    rim = np.concatenate([labels[0], labels[-1], labels[:, 0], labels[:, -1]])
    edge = np.bincount(rim, minlength=len(area)) > 0
    largest = int(np.where(edge, area, -1)[1:].argmax()) + 1 if len(area) > 1 else 0
    found = []
    for n, (down, across) in enumerate(boxes, 1):
        box = (down.start, across.start, down.stop - down.start, across.stop - across.start)
        is_ground = n in light or (bool(edge[n]) and (ground == "edge" or (ground == "largest" and n == largest)))
        found.append(Region(n, int(area[n]), box, float(rows[n]), float(cols[n]), bool(edge[n]), is_ground))
    return found


def _middles(labels: Labels, count: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """(n,) mean row and column of each region."""
    size, down, across = np.zeros((3, count))
    _add_places(labels, size, down, across)
    return down / np.maximum(size, 1), across / np.maximum(size, 1)


@compiled
def _add_places(labels: Labels, size: Array, down: Array, across: Array) -> None:
    """Add up the cells, the rows and the columns of each region, (n,) each."""
    for row in range(labels.shape[0]):
        for col in range(labels.shape[1]):
            n = labels[row, col]
            size[n] += 1
            down[n] += row
            across[n] += col


def region_means(labels: Labels, free: Bytes, light: NDArray[np.float32], count: int) -> NDArray[np.float64]:
    """(count + 1, c) mean of (h, w, c) light over each region.

    Taken a cell away from lines, whose soft edges would darken it. A region without such cells takes all its free ones.
    """
    inner = cv2.erode(free, np.ones((3, 3), np.uint8))
    means = [_means(labels, cells, light, count) for cells in (inner, free)]
    return np.where(means[0][1][:, None] > 0, means[0][0], means[1][0])


def colorless(means: NDArray[np.float64]) -> bool:
    """Whether (n, 3) colors 0..1 of areas are white mostly, and gray at most: ink, its hatching and dots on paper."""
    tinted = np.ptp(means, axis=1) > LEAST_COLOR
    return bool(tinted.mean() <= MOST_TINTED and (means.min(axis=1) > WHITE).mean() > 0.5)


def _means(
    labels: Labels, cells: Bytes, light: NDArray[np.float32], count: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """(count + 1, c) mean over the cells that are 1, and how many those are."""
    sums = np.zeros((count + 1, light.shape[2]))
    size = np.zeros(count + 1)
    for top in range(0, len(labels), 512):
        chosen = cells[top : top + 512].ravel() > 0
        part = labels[top : top + 512].ravel()[chosen]
        size += np.bincount(part, minlength=count + 1)
        for c in range(light.shape[2]):
            sums[:, c] += np.bincount(part, light[top : top + 512, :, c].ravel()[chosen], count + 1)
    return sums / np.maximum(size, 1)[:, None], size
