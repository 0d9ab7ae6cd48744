"""I decide, at low resolution, which tile owns which part of the canvas.

In: placements on the canvas, lifted zones, and where the drawing is. Out: a `SeamMap`.

A tile is best far from its own edge and from where it lifts. Between two tiles there is a band in which either will do;
there the border is moved to where there is no drawing: regions grow first through the drawing and last through blank
paper (watershed, Vincent & Soille 1991), so that fronts meet on paper and a whole line stays with one tile.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array, Floats
from stitchbed.core.memory import late
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.imaging.box import Box
from stitchbed.imaging.sample import sample
from stitchbed.mosaic.photometry.lift import Lift
from stitchbed.mosaic.registration.canvas import Canvas, footprint
from stitchbed.mosaic.registration.placement import Placement, edge_distance, from_sheet, is_barred, magnification

ndimage = late("scipy.ndimage")
segmentation = late("skimage.segmentation")

NOBODY = 65535
COARSER = 1.2  # canvas px per tile px from which a tile is a coarse look: a finer one is shown where there is any
MOSTLY = 0.5  # share of clipped light from which a place is clipped
DISAGREES = 0.1  # difference of log light between pieces that keeps seams off as the strongest drawing does
LIFTED = 1000.0  # mm taken off the depth of a lifted place: any flat look wins, a lifted one beats none


@dataclass(frozen=True)
class SeamSettings:
    """cell_mm: size of a cell. band_mm: how far a seam may wander from the middle of an overlap to avoid drawing.
    least_mm: a tile owns nothing nearer to its edge than this where another tile will do.
    """

    cell_mm: float = 1.0
    band_mm: float = 14.0
    least_mm: float = 4.0


@dataclass(frozen=True)
class SeamMap:
    """labels : (h, w) uint16, index of the owning tile per cell, NOBODY where no tile sees. cell : px, a whole
    number."""

    labels: NDArray[np.uint16]
    cell: int


@dataclass(frozen=True)
class Drawing:
    """Where a tile holds drawing: energy (h, w), 0 on blank paper, on cells of `cell` px."""

    energy: Floats
    cell: float


def find_seams(
    places: Sequence[Placement],
    lifts: Sequence[Lift],
    drawings: Sequence[Drawing],
    canvas: Canvas,
    *,
    settings: SeamSettings,
    unrest: Array | None = None,
    clipped: Sequence[tuple[Floats, float]] | None = None,
    aside: Collection[int] = (),
) -> SeamMap:
    """Own every cell of the canvas. `places` are on the canvas.

    unrest : (h, w) on `grid_of`, how far pieces disagree, log light; seams keep off such places as off drawing.
    clipped : per tile the share of clipped light round its cells of so many px; a look that is not clipped comes first.
    aside : tiles shown only where no other one is seen well.
    """
    cell, shape = grid_of(canvas, settings.cell_mm)
    looks = _looks(places, lifts, canvas, (cell, shape, settings.least_mm), clipped)
    looks = [
        replace(one, depth=_hardly(one.depth, settings.least_mm)) if i in aside else one for i, one in enumerate(looks)
    ]
    best, second, labels, energy = _depths(looks, drawings, shape)
    if len(places) > 1:
        lead = np.where(second > -np.inf, best - np.maximum(second, -1e6), np.inf)
        labels = _moved_to_paper(labels, lead, (energy, unrest), settings)
        labels = _back_where_bad(labels, looks, settings.least_mm, best)
    return SeamMap(_flooded(labels), cell)


def grid_of(canvas: Canvas, cell_mm: float) -> tuple[int, tuple[int, int]]:
    """(px of a cell, (rows, cols)) of the seams' grid."""
    cell = max(4, round(cell_mm * canvas.dpi / MM_PER_INCH))
    return cell, (-(-canvas.height // cell), -(-canvas.width // cell))


def depth_mm(place: Placement, lift: Lift, xy: Array, px_per_mm: float) -> Array:
    """How well a tile sees its points (N, 2): mm to its edge or lifted zone; less LIFTED inside one; -inf outside and
    where it is not to be used."""
    edge = edge_distance(place.size, xy) / px_per_mm
    if lift.any:
        free = ndimage.distance_transform_edt(~lift.mask) * (lift.cell / px_per_mm)
        away = sample(free[..., None], xy, lift.cell)[:, 0]
        edge = np.where(away > 0, np.minimum(edge, away), edge - LIFTED)
    return np.where((edge_distance(place.size, xy) > 0) & ~is_barred(place, xy), edge, -np.inf)


def _ranked(place: Placement, lift: Lift, xy: Array, canvas: Canvas, least: float) -> Array:
    """Depth mm of a tile's points (N, 2); of a coarse tile hardly more than `least`, so that finer ones come first."""
    scale = magnification(place)
    depth = depth_mm(place, lift, xy, canvas.dpi / MM_PER_INCH / scale)
    return _hardly(depth, least) if scale > COARSER else depth


@dataclass(frozen=True)
class _Look:
    """A tile on its part of the grid: rows, cols; at (N, 2) tile px of its cells; depth (rows, cols) as `_ranked`."""

    rows: slice
    cols: slice
    at: Array
    depth: Array


def _looks(
    places: Sequence[Placement],
    lifts: Sequence[Lift],
    canvas: Canvas,
    grid: tuple[int, tuple[int, int], float],
    clipped: Sequence[tuple[Floats, float]] | None,
) -> list[_Look]:
    """All tiles; where a tile is clipped and another one sees the place flat and open, it hardly counts."""
    cell, shape, least = grid
    looks, white = [], []
    for i, (place, lift) in enumerate(zip(places, lifts, strict=True)):
        rows, cols, at = cells_of(place, canvas, cell, shape)
        size = (rows.stop - rows.start, cols.stop - cols.start)
        looks.append(_Look(rows, cols, at, _ranked(place, lift, at, canvas, least).reshape(size)))
        share = np.zeros(len(at)) if clipped is None else sample(clipped[i][0][..., None], at, clipped[i][1])[:, 0]
        white.append((share > MOSTLY).reshape(size))
    if not any(mask.any() for mask in white):
        return looks
    open_ = np.zeros(shape, bool)
    for one, mask in zip(looks, white, strict=True):
        open_[one.rows, one.cols] |= ~mask & (one.depth > least)
    return [
        replace(one, depth=np.where(mask & open_[one.rows, one.cols], _hardly(one.depth, least), one.depth))
        for one, mask in zip(looks, white, strict=True)
    ]


def _hardly(depth: Array, least: float) -> Array:
    """Depths mm that keep their order and hardly exceed `least`."""
    return np.where(depth > least, least + 0.01 * (depth - least), depth)


def _depths(
    looks: Sequence[_Look], drawings: Sequence[Drawing], shape: tuple[int, int]
) -> tuple[Array, Array, NDArray[np.int32], Array]:
    """Best and second depth, index of the best tile, drawing energy as the best tile sees it; all per cell."""
    best, second = np.full(shape, -np.inf), np.full(shape, -np.inf)
    labels, energy = np.full(shape, -1, np.int32), np.zeros(shape)
    for i, (look, drawing) in enumerate(zip(looks, drawings, strict=True)):
        rows, cols, depth = look.rows, look.cols, look.depth
        ink = sample(drawing.energy[..., None], look.at, drawing.cell).reshape(depth.shape)
        old_best, old_second = best[rows, cols], second[rows, cols]
        wins = depth > old_best
        second[rows, cols] = np.where(wins, old_best, np.maximum(old_second, depth))
        best[rows, cols] = np.where(wins, depth, old_best)
        labels[rows, cols] = np.where(wins, i, labels[rows, cols])
        energy[rows, cols] = np.where(depth > -np.inf, np.maximum(energy[rows, cols], ink), energy[rows, cols])
    return best, second, labels, energy


def cells_of(place: Placement, canvas: Canvas, cell: int, shape: tuple[int, int]) -> tuple[slice, slice, Array]:
    """Slices of the cells a tile can touch and their centers in the tile (N, 2) px."""
    box = footprint(place, Box(0, 0, canvas.height, canvas.width))
    rows = slice(max(0, box.row // cell), min(shape[0], -(-box.bottom // cell)))
    cols = slice(max(0, box.col // cell), min(shape[1], -(-box.right // cell)))
    xs = (np.arange(cols.start, cols.stop) + 0.5) * cell - 0.5
    ys = (np.arange(rows.start, rows.stop) + 0.5) * cell - 0.5
    grid = np.stack(np.meshgrid(xs, ys), -1).reshape(-1, 2)
    return rows, cols, from_sheet(place, grid)


def _moved_to_paper(
    labels: NDArray[np.int32], lead: Array, obstacles: tuple[Array, Array | None], settings: SeamSettings
) -> NDArray[np.int32]:
    energy, unrest = obstacles
    seen = labels >= 0
    sure = seen & (np.nan_to_num(lead, posinf=1e9) > settings.band_mm)
    markers = np.where(sure, labels + 1, 0)
    # a tile whose middle is all within the band still keeps its own best cells
    for index in np.setdiff1d(np.unique(labels[seen]), np.unique(labels[sure])):
        mine = labels == index
        markers[mine & (lead >= np.quantile(lead[mine], 0.7))] = index + 1
    strength = np.minimum(energy / max(float(np.percentile(energy[seen], 99)), 1e-6), 1)
    if unrest is not None:
        strength = np.maximum(strength, np.minimum(unrest / DISAGREES, 1))
    relief = np.rint(255 * (1 - np.sqrt(strength))).astype(np.int32)
    return np.where(seen, segmentation.watershed(relief, markers, mask=seen).astype(np.int32) - 1, -1)


def _back_where_bad(labels: NDArray[np.int32], looks: Sequence[_Look], least: float, best: Array) -> NDArray[np.int32]:
    """Cells given to a tile that sees them badly go back to the tile that sees them best."""
    original, depth_now = np.full(labels.shape, -1, np.int32), np.full(labels.shape, -np.inf)
    for i, look in enumerate(looks):
        rows, cols, depth = look.rows, look.cols, look.depth
        mine = labels[rows, cols] == i
        depth_now[rows, cols] = np.where(mine, depth, depth_now[rows, cols])
        is_best = (depth == best[rows, cols]) & (depth > -np.inf)
        original[rows, cols] = np.where(is_best, i, original[rows, cols])
    bad = (labels >= 0) & (depth_now < np.minimum(best, least))
    return np.where(bad | ((labels < 0) & (original >= 0)), original, labels)


def _flooded(labels: NDArray[np.int32]) -> NDArray[np.uint16]:
    """Fill cells nobody sees within two cells of a seen one, so that partly covered cells at the rim have an owner."""
    empty = labels < 0
    if not empty.any() or empty.all():
        return np.where(empty, NOBODY, labels).astype(np.uint16)
    distance, (row, col) = ndimage.distance_transform_edt(empty, return_indices=True)
    filled = np.where(distance <= 2.9, labels[row, col], NOBODY)
    return filled.astype(np.uint16)
