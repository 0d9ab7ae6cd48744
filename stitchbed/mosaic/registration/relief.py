"""I tell which pieces show a surface lit from another side than most pieces do.

In: places, ties, and what the ties were left off by. Out: indices of pieces.

A scanner's lamp stands on one side of its line. Brush strokes, impasto and pressed lines lit from the other side, in a
piece scanned upside down, look shifted by as much as half a pixel, here more, there less: ties of turned pieces then
scatter as those of pieces that lie alike do not. A bed large enough would have lit the whole sheet from one side.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.imaging.transforms import turn_of
from stitchbed.mosaic.registration.placement import Placement
from stitchbed.mosaic.registration.tie_points import Ties

LEAST_TIES = 40  # ties of either kind that tell how much a kind scatters
LEAST_PX = 0.05  # median scatter px of turned pieces under which no relief shows
TIMES = 3.0  # by how much turned pieces scatter more: 1.0 to 1.3 on flat sheets, 7 on a painting


def lit_otherwise(places: Sequence[Placement], ties: Ties, residual: Array) -> frozenset[int]:
    """Pieces turned against most others, by a quarter or half, whose ties show that the sheet is not flat.

    residual : (N, 2) sheet px, of each tie. Most is by area; of two alike, the one that has the first piece.
    """
    turns = np.array([turn_of(place.sheet_from_tile) for place in places])
    side = np.rint((turns - turns[0]) / (np.pi / 2)).astype(int) % 4
    area = np.array([float(np.prod(place.size)) for place in places])
    main = max(range(4), key=lambda one: (area[side == one].sum(), one == 0))
    off = np.hypot(*residual.T)
    ends = np.sort([side[ties.a], side[ties.b]], axis=0)
    alike, found = off[(ends == main).all(axis=0)], set()
    for other in {*side.tolist()} - {main}:
        both = np.sort([main, other])
        between = off[(ends == both[:, None]).all(axis=0)]
        if min(len(alike), len(between)) < LEAST_TIES:
            continue
        scatter = float(np.median(between))
        if scatter > max(LEAST_PX, TIMES * float(np.median(alike))):
            found |= set(np.flatnonzero(side == other).tolist())
    return frozenset(found)


def turned_apart(one: Array, two: Array) -> bool:
    """Whether the lamp stood on another side of the sheet: two placements (3x3) are turned by nearer to a quarter or a
    half than to nothing."""
    turn = turn_of(one) - turn_of(two)
    return bool(np.cos(turn) < np.cos(np.pi / 4))
