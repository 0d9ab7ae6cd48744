"""I let regions keep their numbers and colors when a page is cleaned and filled again.

In: regions as found now, and rows on those found before. Out: the number each had before.

A page cleaned again may be cut a little elsewhere, and a line mended. A region is the one of before whose box and area
are nearest to its own, the shift most regions share taken off.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from scipy.spatial import cKDTree

from stitchbed.core.arrays import Array
from stitchbed.page.line_art.fill import Region

REACH_MM = (8.0, 1.5)  # between middles, before and after the common shift is known
SIDES, SIDES_MM = 0.2, 1.0  # of a box's side by which it may differ, and mm besides
AREA = 1.5  # times as large
NEAREST = 6  # regions of before looked at for each


def numbers_before(regions: Sequence[Region], before: Sequence[Mapping[str, Any]], cell_mm: float) -> dict[int, int]:
    """Number now -> number before, for regions that are still there. before : rows of an earlier record."""
    if not regions or not before:
        return {}
    now = np.array([_shape(r, cell_mm) for r in regions])
    then = np.array([[row["x_mm"], row["y_mm"], *row["box_mm"][2:], row["area_mm2"]] for row in before], np.float64)
    pairs = _pairs(now, then, np.zeros(2), REACH_MM[0])
    if not pairs:
        return {}
    shift = np.median([now[a, :2] - then[b, :2] for a, b in pairs], axis=0)
    pairs = _pairs(now, then, shift, REACH_MM[1])
    return {regions[a].number: int(before[b]["number"]) for a, b in pairs}


def _shape(region: Region, cell_mm: float) -> list[float]:
    """Middle x, y, width, height mm, area mm2, as a record tells them."""
    middle = [(region.col + 0.5) * cell_mm, (region.row + 0.5) * cell_mm]
    return [*middle, region.box[3] * cell_mm, region.box[2] * cell_mm, region.area * cell_mm**2]


def _pairs(now: Array, then: Array, shift: Array, reach: float) -> list[tuple[int, int]]:
    """(now, then) of regions alike enough, the most alike first, each once."""
    far, near = cKDTree(then[:, :2] + shift).query(now[:, :2], k=min(NEAREST, len(then)), distance_upper_bound=reach)
    far, near = far.reshape(len(now), -1), near.reshape(len(now), -1)
    found = []
    for a, (ways, ones) in enumerate(zip(far.tolist(), near.tolist(), strict=True)):
        for way, b in zip(ways, ones, strict=True):
            if b < len(then) and _alike(now[a], then[b]):
                found.append((way + float(np.abs(now[a, 2:4] - then[b, 2:4]).sum()), a, b))
    taken_a, taken_b, pairs = set(), set(), []
    for _, a, b in sorted(found):
        if a not in taken_a and b not in taken_b:
            taken_a.add(a)
            taken_b.add(b)
            pairs.append((a, b))
    return pairs


def _alike(one: Array, two: Array) -> bool:
    sides = np.abs(one[2:4] - two[2:4]) <= SIDES * np.maximum(one[2:4], two[2:4]) + SIDES_MM
    small, large = sorted((float(one[4]), float(two[4])))
    return bool(sides.all()) and large <= AREA * small + 0.5
