"""I find specks that one piece shows and another, looking at the same place, does not: dust, not drawing.

In: candidate specks per tile and a way to read windows. Out: `Spot`s to be taken from the clean tile.

A candidate is a small compact mark that differs from its surroundings. It is dust only if another tile sees the place
flat there: a mark of the artwork is seen by both and is never touched. Dust on the glass needs no rule of its own: it
moves over the sheet from piece to piece, so another piece shows the place clean.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array, Floats
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.imaging.box import Box
from stitchbed.mosaic.compositing.plan import Spot
from stitchbed.mosaic.compositing.seams import LIFTED, SeamMap, depth_mm
from stitchbed.mosaic.compositing.second_look import unseen_there
from stitchbed.mosaic.photometry.lift import Lift
from stitchbed.mosaic.registration.canvas import Canvas
from stitchbed.mosaic.registration.placement import Placement, edge_distance, from_sheet, magnification, to_sheet

ReadGray = Callable[[int, Box], Floats]
MOST_MEDIAN_PX = 125  # a side OpenCV's median still takes; only an absurd dpi asks for more
SOFTER = 0.8  # share of its step in a small view that a mark must have at full size
UNREST = 31  # px of a view's square over which its local unrest is taken


@dataclass(frozen=True)
class SpeckSettings:
    """look_dpi: resolution at which candidates are sought; .05 mm is then half a pixel and still shows.
    largest_mm: larger marks are not dust. step: gray levels (of 255) a mark must differ by at least; sigmas: and by
    so many
    of the local unrest. most: candidates kept per tile, the strongest. flat_share: how much of the mark another tile
    may show and still be called clean. margin_mm: the clean tile must see the place this far from its edge or lift.
    """

    look_dpi: float = 300.0
    largest_mm: float = 0.6
    step: float = 7.0
    sigmas: float = 4.5
    most: int = 6000
    flat_share: float = 0.4
    margin_mm: float = 2.0


@dataclass(frozen=True)
class Candidates:
    """Small marks of one tile. xy : (N, 2) px, full resolution. radius : (N,) px. contrast : (N,) gray levels,
    signed."""

    xy: Array
    radius: Array
    contrast: Array


def halo_rows(reduction: int, px_per_mm: float, settings: SpeckSettings) -> int:
    """Rows of a view that must show round a band, so that its marks are those of the whole view."""
    return _median_side(reduction, px_per_mm, settings) // 2 + UNREST // 2 + _most_px(reduction, px_per_mm, settings)


def marks_in(
    gray: Floats, rows: tuple[int, int], reduction: int, px_per_mm: float, settings: SpeckSettings
) -> Candidates:
    """Compact marks of a gray view (0..255) that a median over their surroundings removes; of those with their middle
    in rows[0] .. rows[1] - 1, the strongest. Places are counted from the corner of what is given.
    """
    eight = np.rint(gray).astype(np.uint8)  # a byte per pixel of an A4 view is 9 MB: bytes where they are enough
    around = cv2.medianBlur(eight, _median_side(reduction, px_per_mm, settings))
    rest = cv2.absdiff(eight, around)
    least = cv2.boxFilter(np.minimum(rest, 12), cv2.CV_32F, (UNREST, UNREST))
    least *= np.float32(1.25 * settings.sigmas)
    np.maximum(least, np.float32(settings.step), out=least)
    strong = rest > least
    del least
    count, labels, stats, middles = cv2.connectedComponentsWithStats(strong.astype(np.uint8), connectivity=8)
    most = _most_px(reduction, px_per_mm, settings)
    small = (stats[:, cv2.CC_STAT_WIDTH] <= most) & (stats[:, cv2.CC_STAT_HEIGHT] <= most)
    small &= (middles[:, 1] >= rows[0] - 0.5) & (middles[:, 1] < rows[1] - 0.5)
    small[0] = False  # the background
    chosen = np.flatnonzero(small)
    peak = np.zeros(count, np.float32)
    inside = np.flatnonzero(strong.ravel())
    np.maximum.at(peak, labels.ravel()[inside], rest.ravel()[inside].astype(np.float32))
    lean = eight.ravel()[inside].astype(np.int16) - around.ravel()[inside]  # of all its pixels: a middle may miss it
    sign = np.sign(np.bincount(labels.ravel()[inside], lean, minlength=count)[chosen])
    radius = np.hypot(stats[chosen, cv2.CC_STAT_WIDTH], stats[chosen, cv2.CC_STAT_HEIGHT]) / 2 * reduction
    xy = (middles[chosen] + 0.5) * reduction - 0.5
    return strongest([Candidates(xy, radius.astype(float), (sign * peak[chosen]).astype(float))], settings.most)


def strongest(parts: Sequence[Candidates], most: int) -> Candidates:
    """At most so many of all parts, the strongest first."""
    xy = np.concatenate([part.xy for part in parts])
    radius, contrast = (np.concatenate([getattr(part, name) for part in parts]) for name in ("radius", "contrast"))
    order = np.lexsort((xy[:, 0], xy[:, 1], -np.abs(contrast)))[:most]
    return Candidates(xy[order], radius[order], contrast[order])


def _median_side(reduction: int, px_per_mm: float, settings: SpeckSettings) -> int:
    side = 2 * int(np.ceil(0.45 * settings.largest_mm * px_per_mm / reduction)) + 1
    return min(max(5, side), MOST_MEDIAN_PX)


def _most_px(reduction: int, px_per_mm: float, settings: SpeckSettings) -> int:
    """The longest side of a mark in a view of that reduction."""
    return min(max(2, int(settings.largest_mm * px_per_mm / reduction)), 2 * MOST_MEDIAN_PX)


def find_spots(
    places: Sequence[Placement],
    marks: Sequence[Candidates],
    lifts: Sequence[Lift],
    canvas: Canvas,
    *,
    seams: SeamMap,
    read: ReadGray,
    settings: SpeckSettings,
    workers: int = 1,
) -> list[Spot]:
    """Confirmed specks over the canvas; `places` are on the canvas, `read(i, box)` gives gray 0..255 of tile i."""
    scale, step = canvas.dpi / MM_PER_INCH, settings.step * SOFTER
    owned = [_owned(i, place, mark, seams) for i, (place, mark) in enumerate(zip(places, marks, strict=True))]
    clean = [
        _second_tiles(i, places, lifts, marks[i].xy[owned[i]], scale, settings.margin_mm) for i in range(len(places))
    ]

    def one_tile(i: int) -> list[Spot]:
        spots = []
        for other in sorted(set(clean[i].tolist()) - {-1}):
            mine = owned[i][clean[i] == other]
            xy, radius = marks[i].xy[mine], marks[i].radius[mine]
            both, reads = (places[i], places[other]), (partial(read, i), partial(read, other))
            foreign = unseen_there(both, reads, (xy, radius), step=step, flat_share=settings.flat_share)
            on_canvas, times = to_sheet(places[i], xy[foreign]), magnification(places[i])
            spots += [
                Spot(float(x), float(y), float(r) * times + 1.0, i, other)
                for (x, y), r in zip(on_canvas, radius[foreign], strict=True)
            ]
        return spots

    with ThreadPoolExecutor(workers) as pool:
        return [spot for part in pool.map(one_tile, range(len(places))) for spot in part]


def _owned(index: int, place: Placement, mark: Candidates, seams: SeamMap) -> NDArray[np.intp]:
    """Candidates that lie where their own tile is shown."""
    if not len(mark.xy):
        return np.zeros(0, np.intp)
    cell = (to_sheet(place, mark.xy) / seams.cell).astype(int)
    rows, cols = seams.labels.shape
    label = seams.labels[np.clip(cell[:, 1], 0, rows - 1), np.clip(cell[:, 0], 0, cols - 1)]
    return np.flatnonzero(label == index)


def _second_tiles(
    index: int, places: Sequence[Placement], lifts: Sequence[Lift], xy: Array, scale: float, margin_mm: float
) -> NDArray[np.intp]:
    """For each point of tile `index` the other tile that sees it best; -1 where none sees it `margin_mm` from its edge.

    A flat look comes before one that is lifted or nearer than that to a lift.
    """
    best = np.full(len(xy), margin_mm - LIFTED)  # a lifted look still shows whether a mark belongs to the sheet
    who = np.full(len(xy), -1)
    if not len(xy):
        return who
    on_canvas = to_sheet(places[index], xy)
    for j, (place, lift) in enumerate(zip(places, lifts, strict=True)):
        if j == index:
            continue
        at, px_per_mm = from_sheet(place, on_canvas), scale / magnification(place)
        depth = depth_mm(place, lift, at, px_per_mm)
        depth = np.where(depth > margin_mm, depth, edge_distance(place.size, at) / px_per_mm - LIFTED)
        better = depth > best
        best[better], who[better] = depth[better], j
    return who
