"""I am where one tile lies on the sheet, and the way there and back.

In: pixels of a tile or of the sheet. Out: pixels of the other. A tile pixel first goes through the bed (and the
tile's own small field), given as displacements on a lattice, then through a 3x3.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from stitchbed.core.arrays import Array, Mask
from stitchbed.imaging.compiled import compiled
from stitchbed.imaging.transforms import affines_round, inverse, moved, scale_of


@dataclass(frozen=True)
class Warp:
    """Displacements of tile pixels on a lattice.

    shift : (rows, cols, 2) px, (dx, dy) to add at tile pixel (col * spacing, row * spacing). spacing : px.
    """

    shift: Array
    spacing: float


@dataclass(frozen=True)
class Placement:
    """One tile on the sheet.

    size : (height, width) px. sheet_from_tile : 3x3 px. warp : see `Warp`, or None for none. sigma : px, its
    uncertainty. barred : rectangles (left, top, width, height) px of it that are not to be used.
    """

    tile: str
    size: tuple[int, int]
    sheet_from_tile: Array
    warp: Warp | None = None
    sigma: float = 0.0
    barred: tuple[tuple[float, float, float, float], ...] = ()


def shift_at(warp: Warp | None, xy: Array) -> Array:
    """Displacement (N, 2) px at tile points (N, 2), bilinear; held constant beyond the lattice."""
    if warp is None:
        return np.zeros_like(xy)
    shift = np.empty(xy.shape)
    lattice, places = (np.ascontiguousarray(each, np.float64) for each in (warp.shift, xy))
    _look_up(lattice, float(warp.spacing), places, shift)
    return shift


@compiled
def _look_up(lattice: Array, spacing: float, xy: Array, shift: Array) -> None:
    """Fill (N, 2) shifts at points (N, 2) px from a lattice (rows, cols, 2) of so many px."""
    last_row, last_col = lattice.shape[0] - 1, lattice.shape[1] - 1
    for n in range(len(xy)):
        x, y = min(max(xy[n, 0] / spacing, 0.0), last_col), min(max(xy[n, 1] / spacing, 0.0), last_row)
        col, row = min(int(x), last_col - 1), min(int(y), last_row - 1)
        fx, fy = x - col, y - row
        for k in range(2):
            top = lattice[row, col, k] * (1 - fx) + lattice[row, col + 1, k] * fx
            bottom = lattice[row + 1, col, k] * (1 - fx) + lattice[row + 1, col + 1, k] * fx
            shift[n, k] = top * (1 - fy) + bottom * fy


def to_sheet(place: Placement, xy: Array) -> Array:
    """Tile points (N, 2) px to sheet px."""
    return moved(place.sheet_from_tile, np.asarray(xy + shift_at(place.warp, xy), np.float64))


def from_sheet(place: Placement, xy: Array) -> Array:
    """Sheet points (N, 2) px to tile px; the displacement is small and smooth, so three rounds settle it to 1e-4 px."""
    straight = moved(inverse(place.sheet_from_tile), xy)
    back = straight
    for _ in range(3 if place.warp is not None else 0):
        back = straight - shift_at(place.warp, back)
    return back


def outline(place: Placement, inset: float = 0.0) -> Array:
    """Corners (4, 2) of the tile on the sheet, px, drawn in by `inset` tile px."""
    h, w = place.size
    low, right, bottom = -0.5 + inset, w - 0.5 - inset, h - 0.5 - inset
    return to_sheet(place, np.array([[low, low], [right, low], [right, bottom], [low, bottom]]))


def local_affines(target: Placement, source: Placement, centers: Array) -> Array:
    """3x3 affines (N, 3, 3) target_from_source at source points (N, 2) px; see `affines_round`."""
    affines = np.tile(np.eye(3), (len(centers), 1, 1))
    affines[:, :2] = affines_round(lambda xy: from_sheet(target, to_sheet(source, xy)), centers)
    return affines


def magnification(place: Placement) -> float:
    """Sheet px per tile px."""
    return scale_of(place.sheet_from_tile)


def is_barred(place: Placement, xy: Array) -> Mask:
    """Where tile points (..., 2) lie in a part that is not to be used."""
    result: Mask = np.zeros(xy.shape[:-1], bool)
    for left, top, width, height in place.barred:
        low, high = np.array([left, top]) - 0.5, np.array([left + width, top + height]) - 0.5
        result |= ((xy >= low) & (xy <= high)).all(-1)
    return result


def edge_distance(size: tuple[int, int], xy: Array) -> Array:
    """Distance px of tile points (..., 2) to the nearest edge; negative outside."""
    h, w = size
    x, y = xy[..., 0] + 0.5, xy[..., 1] + 0.5
    result: Array = np.minimum(np.minimum(x, w - x), np.minimum(y, h - y))
    return result
