"""I say whether other straight edges run close beside the sides found, so that the wrong one may have been taken.

In: the small picture the sides were found in. Out: names of sides to be looked at by a person.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Mask
from stitchbed.photos.geometry.rectangle import SIDES, Line, corners_of, cover_of, edges_of, thickened

NEAREST_PX, FARTHEST_PX = 8, 40  # beyond a side, where another edge is looked for; nearer lies the side's own rim
LEAST_COVER = 0.6  # share of a side's length along which the other edge must show


def doubtful_sides(picture: NDArray[np.uint8], keep_out: Mask, sides: Mapping[str, Line]) -> tuple[str, ...]:
    """Sides beyond which another straight edge runs: a joint of the table, a streak of wood, a mount.

    picture : (h, w, channels). keep_out : (h, w), as for `find_sides`.
    """
    across, down = (
        thickened(edges, kernel) for edges, kernel in zip(edges_of(picture, keep_out), ((3, 1), (1, 3)), strict=True)
    )
    corners = corners_of(sides)
    limits = np.array(keep_out.shape)[::-1] - 1
    doubtful = []
    for index, name in enumerate(SIDES):
        a, b = corners[index], corners[(index + 1) % 4]
        outward = (a + b) / 2 - corners.mean(0)
        normal = np.array([-(b - a)[1], (b - a)[0]]) / np.linalg.norm(b - a)
        normal = normal * np.sign(normal @ outward)
        near = across if name in ("top", "bottom") else down
        for away in range(NEAREST_PX, FARTHEST_PX + 1):
            ends = np.stack([a, b]) + away * normal
            inside = bool(np.all(ends >= 0) and np.all(ends <= limits))
            if inside and cover_of(near, ~keep_out, ends[0], ends[1]) > LEAST_COVER:
                doubtful.append(name)
                break
    return tuple(doubtful)
