"""I say which marks of a piece another piece, looking at the same place, does not show.

In: places and radii of marks, how both pieces lie, a way to read windows. Out: one truth value per mark.

Marks are judged by squares of the piece: one window of it, and one of the other piece resampled onto that, serve all
marks of a square, however many a drawing of dots or hatching has.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Array, Floats, Mask
from stitchbed.imaging.box import Box, clipped, grown, spanning
from stitchbed.imaging.compiled import compiled
from stitchbed.imaging.node_grid import NODE, nodes
from stitchbed.imaging.resampling import kernel_reach, resampled_light, softness
from stitchbed.matching.robust import MAD_SIGMA
from stitchbed.mosaic.registration.placement import Placement, edge_distance, from_sheet, magnification, to_sheet

SQUARE = 256  # px of a piece whose marks are judged together
ROOM = 5  # px round a mark by which its surroundings are known
GAP = 2  # px round a mark that belong to neither
RIM = 0.5  # px by which a mark is larger than it measures
NOISE = 0.8  # gray levels of 255 that two looks differ by in any case
SQUARE_CORNERS = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])

Read = Callable[[Box], Floats]


def unseen_there(
    places: tuple[Placement, Placement],
    reads: tuple[Read, Read],
    marks: tuple[Array, Array],
    *,
    step: float,
    flat_share: float,
) -> Mask:
    """(n,) True where the other piece shows plain surroundings and this one a mark.

    places, reads : of this piece and of the other; a read gives gray levels 0..255. marks : (n, 2) px of this piece,
    (n,) px, their radii. step : gray levels of 255 a mark must stand out by. flat_share : how much of the mark the
    other piece may show and still not show it.
    """
    xy, radius = marks
    reach = np.ceil(radius).astype(int) + ROOM
    result = np.zeros(len(xy), bool)
    for chosen in _squares(xy, np.flatnonzero(_in_both(places, np.rint(xy), reach))):
        low, high = (np.rint(xy[chosen]).astype(int) + side * reach[chosen, None] for side in (-1, 1))
        box = spanning(*low.min(0)[::-1].tolist(), *(high.max(0)[::-1] + 1).tolist())
        here = _as_coarse(reads[0](box), softness(magnification(places[1]) / magnification(places[0])))
        local = xy[chosen] - (box.col, box.row)
        own = np.empty(len(chosen))
        _stand_out(here, local, radius[chosen], own)
        strong = np.flatnonzero(own > step)
        if len(strong):
            there = _seen_from_there(places, reads[1], box)
            found = np.zeros(len(strong), np.bool_)
            one = local[strong], radius[chosen[strong]], own[strong]
            _missing(here, there, *one, step, flat_share, found)
            result[chosen[strong]] = found
    return result


def _in_both(places: tuple[Placement, Placement], middle: Array, reach: NDArray[np.intp]) -> Mask:
    """Where the surroundings of a mark lie within both pieces."""
    mine, other = places
    corners = middle[:, None] + SQUARE_CORNERS * (reach + 0.5)[:, None, None]
    own = (edge_distance(mine.size, corners) >= 0).all(axis=1)
    there = from_sheet(other, to_sheet(mine, corners.reshape(-1, 2))).reshape(corners.shape)
    least = kernel_reach(softness(magnification(mine) / magnification(other)))
    return np.asarray(own & (edge_distance(other.size, there) >= least).all(axis=1))


def _squares(xy: Array, chosen: NDArray[np.intp]) -> Iterator[NDArray[np.intp]]:
    """The chosen points by squares of SQUARE px, each square once."""
    if len(chosen):
        _, square = np.unique(xy[chosen] // SQUARE, axis=0, return_inverse=True)
        order = np.argsort(square.ravel(), kind="stable")
        yield from np.split(chosen[order], np.flatnonzero(np.diff(square.ravel()[order])) + 1)


def _as_coarse(gray: Floats, soft: float) -> Floats:
    """As a coarser piece would see it: a mark that this cannot show must not pass for one it does not show."""
    seen = cv2.GaussianBlur(gray, (0, 0), soft, borderType=cv2.BORDER_REPLICATE) if soft > 0 else gray
    return np.ascontiguousarray(seen, np.float32)


def _seen_from_there(places: tuple[Placement, Placement], read: Read, box: Box) -> Floats:
    """The other piece resampled onto a box of this one and no sharper than this."""
    mine, other = places
    whole = Box(box.row, box.col, *(-(-length // NODE) * NODE for length in (box.height, box.width)))
    grid = nodes(whole)
    at = from_sheet(other, to_sheet(mine, grid.reshape(-1, 2))).reshape(grid.shape)
    soft = softness(magnification(mine) / magnification(other))
    low, high = np.floor(at.min((0, 1))).astype(int), np.ceil(at.max((0, 1))).astype(int) + 1
    needed = grown(spanning(int(low[1]), int(low[0]), int(high[1]), int(high[0])), kernel_reach(soft))
    window = clipped(needed, Box(0, 0, *other.size))
    local, even = (at - (window.col, window.row)).astype(np.float32), np.ones(at.shape[:2], np.float32)
    seen = resampled_light(read(window)[..., None], local, even, (whole.height, whole.width), soft=soft)
    return np.ascontiguousarray(seen[: box.height, : box.width, 0])


@compiled
def _stand_out(window: Floats, xy: Array, radius: Array, bumps: Array) -> None:
    """Fill `bumps` (n,) with how far marks at `xy` (n, 2) px stand out of their surroundings, gray levels."""
    for k in range(len(radius)):
        core, ring = _values(window, xy[k, 0], xy[k, 1], radius[k])
        bumps[k] = _bump(core, ring)


@compiled
def _missing(
    here: Floats, there: Floats, xy: Array, radius: Array, own: Array, step: float, flat_share: float, found: Mask
) -> None:
    """Fill `found` (n,): True where `here` differs from `there` by a mark, and `there` does not show it.

    The mark must be most of what differs, and the other piece must not show it (a misplaced line shows it, shifted).
    own : (n,) how far the marks stand out.
    """
    for k in range(len(radius)):
        core, ring = _values(here, xy[k, 0], xy[k, 1], radius[k])
        other_core, other_ring = _values(there, xy[k, 0], xy[k, 1], radius[k])
        around = np.sort(ring - other_ring)
        middle = around[len(around) // 2]
        noise = MAD_SIGMA * np.sort(np.abs(around - middle))[len(around) // 2] + NOISE
        extent = np.sort(np.abs(core - other_core - middle))
        peak = extent[-max(1, len(extent) // 6) :].mean()
        plain = max(flat_share * own[k], 2.5 * noise)
        found[k] = peak > max(step, 5 * noise) and _bump(other_core, other_ring) < plain


@compiled
def _values(window: Floats, x: float, y: float, radius: float) -> tuple[Floats, Floats]:
    """Pixels of a mark, and of its surroundings."""
    reach = int(np.ceil(radius)) + ROOM
    row, col = int(np.rint(y)) - reach, int(np.rint(x)) - reach
    side = 2 * reach + 1
    core, ring = np.empty(side * side, np.float32), np.empty(side * side, np.float32)
    inside = outside = 0
    for r in range(row, row + side):
        for c in range(col, col + side):
            away = np.sqrt((r - y) ** 2 + (c - x) ** 2)
            if away <= radius + RIM:
                core[inside] = window[r, c]
                inside += 1
            elif radius + GAP < away <= reach + RIM:
                ring[outside] = window[r, c]
                outside += 1
    return core[:inside], ring[:outside]


@compiled
def _bump(core: Floats, ring: Floats) -> float:
    """How far the core stands out of the range of its surroundings (without a tenth at either end), gray levels."""
    around = np.sort(ring)
    tenth = int(np.rint(0.1 * (len(around) - 1)))
    return max(core.max() - around[-1 - tenth], around[tenth] - core.min(), 0.0)
